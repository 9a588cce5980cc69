"""Pictures: made from plain arrays, with labelled axes, readable text, and the points where they belong."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.report import drawing, pictures
from sandtrack.shop.dosing import drawn
from sandtrack.shop.dosing.setting import setting
from sandtrack.shop.picture import picture

AT = "2025-12-30 15:00"
FORETOLD = {
    "low_min": [30, 40, 50],
    "middle_min": [40, 50, 60],
    "high_min": [55, 65, 75],
    "earliest_min": [35, 45, 0],
    "latest_min": [45, np.inf, 70],
}
CURVE = {"temp_c": [10, 20, 30], "low_min": [60, 30, 15], "middle_min": [90, 45, 22], "high_min": [120, 60, 30]}
REGION = {
    "temp_c": [10, 20, 30],
    "lever": [20, 30, 40],
    "fills": [[True, True, True], [True, True, False], [True, False, False]],
    "strips": [[False, False, True], [False, True, True], [True, True, True]],
    "lever_label": "acid, % of resin",
}


def words_of(svg: Path) -> str:
    """All text of an SVG, which is kept as text."""
    return " ".join("".join(node.itertext()) for node in ElementTree.parse(svg).iter() if node.tag.endswith("}text"))


@pytest.mark.parametrize(
    ("figure", "told"),
    [
        (lambda: pictures.foretold_against_measured(**FORETOLD), ["measured strip time, min", "80 % range foretold"]),
        (lambda: pictures.strip_against_temperature(**CURVE), ["temperature of the mixed sand, °C", "80 % of moulds"]),
        (lambda: pictures.feasible_region(**REGION), ["acid, % of resin", "both: may be set"]),
    ],
)
def test_axes_have_units_and_text_stays_text(tmp_path: Path, figure, told: list[str]) -> None:
    """Each picture is made as PNG, PDF and SVG; its labels can be found in the SVG."""
    for kind, begins in (("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<?xml")):
        path = drawing.save(figure(), tmp_path / f"picture.{kind}")
        assert path.read_bytes().startswith(begins)
        assert path.stat().st_size > 5_000
    words = words_of(tmp_path / "picture.svg")
    assert all(label in words for label in told)


def test_the_same_picture_is_the_same_file(tmp_path: Path) -> None:
    """No date and no random name in an SVG: the same data gives the same bytes."""
    paths = [drawing.save(pictures.feasible_region(**REGION), tmp_path / f"{name}.svg") for name in "ab"]
    assert paths[0].read_bytes() == paths[1].read_bytes()


def test_points_stand_where_they_were_measured() -> None:
    """A check between 35 and 45 min stands at their geometric middle, 39.7 (derived); one bound is a mark at it."""
    axes = pictures.foretold_against_measured(**FORETOLD).axes[0]
    marks = {line.get_marker(): list(line.get_xdata()) for line in axes.lines if line.get_marker() != "None"}
    assert marks["o"] == pytest.approx([39.69], abs=0.01)
    assert marks[">"] == [45]
    assert marks["<"] == [70]


def test_region_shades_exactly_where_both_serve() -> None:
    """Of nine cells (10, 40), (20, 30) and (30, 20) do both; each is shaded, from half way to half way."""
    axes = pictures.feasible_region(**REGION).axes[0]
    grey = [one for one in axes.collections if not one.get_hatch()]
    corners = sorted(tuple(one.get_datalim(axes.transData).extents.round(6)) for one in grey)
    assert corners == [(10, 35, 15, 40), (15, 25, 25, 35), (25, 20, 30, 25)]


def test_only_black_and_grey() -> None:
    """Nothing is told by colour: red, green and blue of every line and area are equal."""
    for figure in (pictures.foretold_against_measured(**FORETOLD), pictures.feasible_region(**REGION, chosen=(20, 30))):
        axes = figure.axes[0]
        faces = [face for one in axes.collections for face in one.get_facecolor()]
        for red, green, blue, *_ in faces:
            assert red == green == blue


def test_no_checks_is_no_trouble(tmp_path: Path) -> None:
    """A shop without a check gets its curve, and an empty comparison."""
    nothing = {name: [] for name in FORETOLD}
    drawing.save(pictures.foretold_against_measured(**nothing), tmp_path / "none.png")
    drawing.save(pictures.strip_against_temperature(**CURVE), tmp_path / "curve.png")


def test_another_kind_of_picture_is_refused(tmp_path: Path) -> None:
    """A name that ends in .gif makes no picture, and says what would."""
    with pytest.raises(InputErrors, match=r"\.png, \.svg, \.pdf"):
        drawing.save(pictures.feasible_region(**REGION), tmp_path / "a.gif")


def test_what_is_drawn_is_what_is_answered(demo_shop: Path) -> None:
    """The curve is the answer's own range at its temperatures; the region is "yes" exactly where a setting serves."""
    with Shop.open(demo_shop) as shop, picture(shop.ledger, AT) as seen:
        answer = shop.setting("m1", "furan", 20, box_sand_kg=900, at=AT)
        curve = drawn.curve(seen, "furan", answer.values["catalyst_pct"])
        assert curve is not None
        span = answer.ranges["strip_time_min"]
        # One mould of a lot that is not named: the same middle up to the lot's own part.
        assert np.interp(20, curve["temp_c"], curve["middle_min"]) == pytest.approx(span.mid, rel=0.15)
        region = drawn.region(seen, answer)
        assert region is not None
        assert region["chosen"] == (20, answer.values["catalyst_pct"])
        for row, column in ((5, 10), (30, 25), (55, 50), (20, 58), (58, 20)):
            temp, lever = float(region["temp_c"][column]), float(region["lever"][row])
            told = setting(seen, "m1", "furan", temp, box_sand_kg=900, catalyst_pct=lever, supposed=True)
            flags = {flag.code for flag in told.flags}
            assert region["strips"][row][column] == ("chance_below" not in flags)
            assert region["fills"][row][column] == ("fill_too_long" not in flags)


def test_pattern_and_room_of_the_answer_are_drawn(demo_shop: Path) -> None:
    """Where a warm pattern in a cold room moves an edge of the region, the picture says what a setting there says."""
    around = {"pattern_temp_c": 38, "surroundings_c": 8}
    with Shop.open(demo_shop) as shop, picture(shop.ledger, AT) as seen:
        plain, warm = (
            drawn.region(seen, shop.setting("m1", "furan", 20, box_sand_kg=900, at=AT, **asked))
            for asked in ({}, around)
        )
        assert plain is not None
        assert warm is not None
        for what, code in (("strips", "chance_below"), ("fills", "fill_too_long")):
            moved = np.argwhere(plain[what] != warm[what])
            for row, column in (moved[0], moved[-1]):
                temp, lever = float(warm["temp_c"][column]), float(warm["lever"][row])
                asked = {"box_sand_kg": 900, "catalyst_pct": lever, **around}
                told = setting(seen, "m1", "furan", temp, supposed=True, **asked)
                assert warm[what][row][column] == (code not in {flag.code for flag in told.flags})


def test_no_check_no_comparison(demo_shop: Path) -> None:
    """Before the first check there is nothing to compare, but a curve from the starting belief."""
    with Shop.open(demo_shop) as shop, picture(shop.ledger, "2025-01-01 06:00") as seen:
        assert drawn.foretold(seen, "furan") is None
        assert drawn.curve(seen, "furan") is not None
