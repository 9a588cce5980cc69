"""The sheet for the wall: what stands on it, that it needs no other file, and that each kind of file is made."""

from __future__ import annotations

import csv
import io
import math
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.report import sheet, tables
from sandtrack.report.text import Names

AT = "2025-12-30 15:00"


@pytest.fixture
def opened(demo_shop: Path):
    """The invented year, opened."""
    with Shop.open(demo_shop) as shop:
        yield shop


def made(
    shop: Shop, system: str = "furan", *, number: int | None = 7, units: str = "metric", **more: Any
) -> sheet.Sheet:
    """The sheet of a table of the invented year's last days."""
    asked = {"lowest_c": 5, "highest_c": 35, "step_c": 5, **more}
    answer = shop.table("m1", system, **asked, at=AT)
    return sheet.of_issued(tables.as_kept(answer, number), Names(shop.plant()), units=units)


def words_of(svg: Path) -> str:
    """All text of an SVG, which is kept as text."""
    return " ".join("".join(node.itertext()) for node in ElementTree.parse(svg).iter() if node.tag.endswith("}text"))


def test_html_needs_no_other_file(opened: Shop) -> None:
    """No script, picture, style sheet, font or address of another file; one that any browser prints."""
    page = sheet.as_html(made(opened))
    assert not re.search(r"https?:|//|src=|href=|url\(|@import|<script|<link|<img", page)
    assert page.startswith("<!DOCTYPE html>")


def test_html_has_what_must_stand_on_the_wall(opened: Shop) -> None:
    """Number, date, expiry, basis, every row, and every caution in full; digits of 28 points; no colour but black."""
    answer = opened.table("m1", "furan", lowest_c=5, highest_c=35, step_c=5, at=AT)
    page = sheet.as_html(sheet.of_issued(tables.as_kept(answer, 7), Names(opened.plant()))).replace("&#x27;", "'")
    for told in ("table 7", "made 2025-12-30 15:00", "not after 2025-12-31 15:00", "Moved by 3 °C", "% of resin"):
        assert told in page
    assert "Rests on strip times: learned from" in page
    for caution in answer.cautions:
        assert caution.text in page
    for flag in answer.flags:
        assert flag.text in page
    body = page.partition("<tbody>")[2].partition("</tbody>")[0]
    assert body.count("<tr>") == len(answer.values["rows"])
    assert f"td {{ font-size: {sheet.DIGITS_PT}pt" in page
    sizes = [float(size) for size in re.findall(r"font-size: (\d+)pt", page.split("p { margin")[0])]
    assert min(sizes) == sheet.WORDS_PT
    assert set(re.findall(r"#[0-9a-f]{3,6}\b", page)) == {"#fff", "#000"}


def test_paper_is_a4_or_letter(opened: Shop) -> None:
    """The page's size is that of the paper asked for."""
    one = made(opened)
    assert "size: A4 portrait" in sheet.as_html(one)
    assert "size: letter portrait" in sheet.as_html(one, "letter")


def test_names_are_escaped(opened: Shop) -> None:
    """A name with markup in it stays a name."""
    one = made(opened)
    page = sheet.as_html(sheet.Sheet(**{**vars(one), "title": "<b>m1 & $x$</b>"}))
    assert "&lt;b&gt;m1 &amp; $x$&lt;/b&gt;" in page


def test_each_printed_page_says_until_when_and_what_can_hurt(opened: Shop) -> None:
    """Expiry and short cautions are in the table's head and foot, which browsers print on every page it goes on to."""
    page = sheet.as_html(made(opened, step_c=1))
    head, foot = (page.partition(f"<{part}>")[2].partition(f"</{part}>")[0] for part in ("thead", "tfoot"))
    assert "table 7, not after 2025-12-31 15:00" in head
    assert "test, then draw" in foot
    assert {"thead { display: table-header-group; }", "tfoot { display: table-footer-group; }"} <= set(page.split("\n"))


ROW = {
    "serves": True, "resin_pct": 1, "fill_within_min": 16.4, "chance_to_strip": 0.8, "strip_low_min": 48.8,
    "strip_mid_min": 55.3, "strip_high_min": 62.5, "work_low_min": 22, "work_mid_min": 25, "work_high_min": 28,
}  # fmt: skip


def kept(*rows: dict[str, Any]) -> dict[str, Any]:
    """A table as it is kept, of rows at 10, 20, 30 … °C."""
    return {
        "mixer": "m1", "binder_system": "furan", "expires_at": "2025-12-31T15:00+01:00", "number": 3,
        "made_at": "2025-12-30T15:00+01:00", "ask_again_moved_c": 3, "wanted_strip_min": 60, "wanted_chance": 0.8,
        "rows": [{**ROW, "sand_temp_c": 10 * count, **row} for count, row in enumerate(rows, 1)],
        "basis": [], "look_at": [], "cautions": [],
    }  # fmt: skip


def of(*rows: dict[str, Any], opened: Shop) -> sheet.Sheet:
    """The sheet of such rows."""
    return sheet.of_issued(kept(*rows), Names(opened.plant()))


def test_pumps_are_told_where_no_setting_is_a_guess(opened: Shop) -> None:
    """The acid's pump row by row, the resin's once; a guess, or one that is not known, leaves kg/min."""
    cold: dict[str, Any] = {
        "catalyst_pct": 45, "flows_kg_min": {"sand": 150, "resin": 1.5, "catalyst": 0.675},
        "pump_settings": {"resin": 50, "catalyst": 54.583333}, "pumps_beyond": [],
    }  # fmt: skip
    warm = {
        **cold, "catalyst_pct": 30, "flows_kg_min": {**cold["flows_kg_min"], "catalyst": 0.45},
        "pump_settings": {"resin": 50, "catalyst": 35.833333},
    }  # fmt: skip
    one = of(cold, warm, opened=opened)
    assert one.heads[1:3] == ("catalyst %", "catalyst pump")
    assert [row.settings for row in one.rows] == [("45.0", "54.6"), ("30.0", "35.8")]
    assert one.of.endswith("resin pump 50")
    guessed = of(cold, {**warm, "pumps_beyond": ["catalyst"], "look_at": ["beyond_calibration"]}, opened=opened)
    assert guessed.heads[2] == "catalyst kg/min"
    assert [row.settings[1] for row in guessed.rows] == ["0.675", "0.450"]
    assert [row.mark for row in guessed.rows] == ["", ""]
    bare = of({**cold, "pump_settings": {}}, warm, opened=opened)
    assert bare.heads[2] == "catalyst kg/min"
    assert bare.of.endswith("resin kg/min 1.5")


def test_a_setting_on_the_pump_s_steps_is_told_to_the_step(opened: Shop) -> None:
    """In steps of a quarter 41.25 stays 41.25; a pump that stands still is off."""
    flows = [{"resin": 1.5, "slow": 0.4, "fast": 0.2}, {"resin": 1.5, "slow": 0.6, "fast": 0.0}]
    pumps = [{"resin": 50, "slow": 41.25, "fast": 20}, {"resin": 50, "slow": 60.5}]
    shares = {"catalyst_pct": 25}
    one = of(*({"fast_share": 0.5 - 0.5 * count, **shares, "flows_kg_min": flows[count], "pump_settings": pumps[count]}
               for count in (0, 1)), opened=opened)  # fmt: skip
    assert one.heads[2:4] == ("slow pump", "fast pump")
    assert [row.settings for row in one.rows] == [("50", "41.25", "20"), ("0", "60.50", "off")]


def test_a_table_kept_without_flows_has_its_sheet(opened: Shop) -> None:
    """One given out before flows were kept is printed as it was."""
    one = of({"catalyst_pct": 45}, {"catalyst_pct": 30}, opened=opened)
    assert one.heads == ("sand °C", "catalyst %", "fill within min", "strip min", "could be")


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(
    ("row", "smaller"),
    [
        (sheet.Row("20", "!", ("50", "0.30", "0.30"), "16", "55", "48 to 63"), False),
        (sheet.Row("-10", "!", ("100", "123.5", "123.5"), "105", "120", "100 to 150"), True),
    ],
)
def test_columns_fit_the_paper(opened: Shop, paper: sheet.Paper, row: sheet.Row, smaller: bool) -> None:
    """No column is narrower than its digits; they are smaller than 28 points only where the paper is too narrow.

    Tag: source, ISO 216 and ANSI Y14.1 for the paper; derived: 12 mm of margin on each side.
    """
    one = made(opened, "ester", lowest_c=15, highest_c=25)
    wide = sheet.Sheet(**{**vars(one), "rows": (row,)})
    columns = sheet.layout(wide, paper)
    assert (columns.digits_pt < sheet.DIGITS_PT) is smaller
    assert columns.ends[-1] == pytest.approx(({"a4": 210, "letter": 215.9}[paper] - 24) / 25.4 * 72)
    widths = [end - start for start, end in zip((0, *columns.ends), columns.ends, strict=False)]
    # a digit of DejaVu Sans is 0.636 of its size wide
    assert widths[2] > columns.digits_pt * 0.636 * len(row.settings[1].replace(".", ""))


def test_one_without_a_number_says_so(opened: Shop) -> None:
    """A table that was not given out is told from one that was."""
    assert made(opened, number=None).number == "not issued: no number"


def test_fahrenheit(opened: Shop) -> None:
    """10 and 15 °C are 50 and 59 °F; 3 °C of change are 5 °F (derived: 1.8 °F a °C)."""
    one = made(opened, units="us", lowest_c=10, highest_c=15)
    assert [row.sand for row in one.rows] == ["50", "59"]
    assert one.heads[0] == "sand °F"
    assert "Moved by 5 °F" in one.again


def test_grades_are_shares_of_the_fast_one(opened: Shop) -> None:
    """An ester table sets the fast grade in percent and tells the hardener's amount once."""
    one = made(opened, "ester", lowest_c=15, highest_c=25)
    assert one.heads[1] == "fast grade, %"
    assert "hardener 25 " in one.of
    assert all(0 <= float(row.settings[0]) <= 100 for row in one.rows if not row.way_out)
    assert one.heads[2:4] == ("slow kg/min", "fast kg/min")


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(("kind", "begins"), [("pdf", b"%PDF-"), ("png", b"\x89PNG\r\n"), ("svg", b"<?xml")])
def test_files_are_made(opened: Shop, tmp_path: Path, kind: str, begins: bytes, paper: sheet.Paper) -> None:
    """PDF, PNG and SVG are what their names say, and not empty."""
    (path,) = sheet.write(made(opened, lowest_c=15, highest_c=25), tmp_path / f"wall.{kind}", paper=paper)
    content = path.read_bytes()
    assert content.startswith(begins)
    assert len(content) > 10_000


def test_text_stays_text_in_svg(opened: Shop, tmp_path: Path) -> None:
    """What a sheet says can be found and read out of its SVG, "$" too."""
    one = made(opened, lowest_c=15, highest_c=25)
    one = sheet.Sheet(**{**vars(one), "title": "Mixer $1$"})
    (path,) = sheet.write(one, tmp_path / "wall.svg")
    words = words_of(path)
    for told in (
        "Mixer $1$",
        "table 7, not after 2025-12-31 15:00",
        "WARNING",
        one.rows[0].settings[0],
        "test, then draw",
    ):
        assert told in words


def test_a_long_table_goes_on_to_further_pages(opened: Shop, tmp_path: Path) -> None:
    """Thirty-one rows take several pages, each with the expiry and the short cautions; every row is on one of them."""
    one = made(opened, step_c=1)
    paths = sheet.write(one, tmp_path / "wall.svg")
    assert len(paths) > 1
    assert paths[1].name == "wall-2.svg"
    pages = [words_of(path) for path in paths]
    assert all("not after 2025-12-31 15:00" in page for page in pages)
    together = " ".join(pages)
    assert all(f" {row.sand} " in f" {together} " for row in one.rows)
    assert len(sheet.write(one, tmp_path / "wall.pdf")) == 1


def test_another_kind_of_file_is_refused(opened: Shop, tmp_path: Path) -> None:
    """A name that ends in .docx makes no sheet, and says what would."""
    with pytest.raises(InputErrors, match=r"\.html, \.pdf, \.png or \.svg"):
        sheet.write(made(opened), tmp_path / "wall.docx")


def test_an_issued_table_is_written_again_as_it_was(opened: Shop) -> None:
    """The sheet of a table given out is the same when it is made again from the book."""
    given = opened.issue_table("m1", "furan", by="ida", lowest_c=10, highest_c=30, step_c=5)
    names = Names(opened.plant())
    (kept,) = opened.tables().values["tables"]
    assert sheet.of_issued(kept, names) == sheet.of_issued(tables.as_kept(given.table, given.number), names)
    assert "EXPIRED" in sheet.of_issued({**kept, "state": "expired"}, names).number


def test_csv_is_a_line_a_temperature(opened: Shop) -> None:
    """Each line has all that the table rests on, so that it may stand alone; a "no" has no setting."""
    asked = {"pattern": "f12", "purpose": "facing", "box_sand_kg": 120, "at": AT}
    answer = opened.table("m1", "furan", lowest_c=5, highest_c=20, step_c=15, **asked)
    cold, warm = csv.DictReader(io.StringIO(tables.as_csv(tables.as_kept(answer, 7))))
    for line in (cold, warm):
        assert [line[name] for name in ("number", "mixer", "binder_system")] == ["7", "m1", "furan"]
        assert [line[name] for name in ("pattern", "purpose", "box_sand_kg")] == ["f12", "facing", "120"]
        assert (line["made_at"], line["expires_at"]) == ("2025-12-30T15:00:00+01:00", "2025-12-31T15:00:00+01:00")
        assert (line["wanted_chance"], line["catalyst_base"]) == ("0.8", "% of resin as delivered")
        assert "strip times: learned from 332 checks" in line["basis"]
        assert line["cautions"].startswith("DANGER: Keep hands out of the screw: isolate and lock the mixer")
        assert line["cautions"].endswith("Follow the data sheet, local rules and the person in charge.")
        assert "Too cold: more of what speeds the cure" in line["table_look_at"]
    assert (cold["serves"], cold["catalyst_pct"], warm["serves"]) == ("false", "", "true")
    row = answer.values["rows"][1]
    assert float(warm["catalyst_pct"]) == row["catalyst_pct"]
    for stream in ("new_sand", "reclaimed_sand", "resin", "catalyst"):
        assert float(warm[f"{stream}_kg_min"]) == pytest.approx(row["flows_kg_min"][stream], rel=1e-5)
        assert cold[f"{stream}_kg_min"] == ""
    for liquid in ("resin", "catalyst"):
        assert float(warm[f"{liquid}_ml_min"]) == pytest.approx(row["flows_ml_min"][liquid], rel=1e-5)
        assert float(warm[f"{liquid}_pump_setting"]) == pytest.approx(row["pump_settings"][liquid], rel=1e-5)
    assert warm["pumps_beyond"] == ";".join(row["pumps_beyond"])
    assert "new_sand_ml_min" not in warm


def test_what_a_table_is_for_stands_in_its_head(opened: Shop) -> None:
    """Pattern, purpose and box are told, so that the facing's table is not taken for another."""
    facing = made(opened, pattern="f12", purpose="facing", box_sand_kg=120)
    name = opened.plant().patterns["f12"].name or "f12"
    assert facing.title == f"Large mixer: Furan, acid-cured (iron), {name}, facing"
    assert facing.aim == "strips by 60 min: 80 % chance; box 120 kg"


def test_letters_are_large_enough_for_two_metres() -> None:
    """By eye-test letters of 5 minutes of arc, at 2 m: digits twice that, at their smallest one and a half times.

    All of the table's other words are at least as large as such letters.

    Tag: source, ISO 8596 (a letter of 5 minutes is read by an eye of acuity 1.0); derived: a capital of the font is
    0.729 of its size (DejaVu Sans, which all sheets are drawn with), 1 pt is 0.3528 mm.
    """

    def arc_minutes(size_pt: float) -> float:
        return math.degrees(math.atan(0.729 * size_pt * 0.3528 / 2000)) * 60

    assert arc_minutes(sheet.DIGITS_PT) > 12
    assert arc_minutes(sheet.LEAST_PT) > 7.5
    assert arc_minutes(sheet.WORDS_PT) > 5
