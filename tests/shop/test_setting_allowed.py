"""What the sand allows: a yes inside its window, a test piece outside it, nothing where it is too cold, hot or wet."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.report import answers, sheet, tables
from sandtrack.report.text import Names
from sandtrack.shop import Answer, wording

from .reading import codes

Make = Callable[[dict[str, Any]], Shop]
SETTINGS = {"catalyst_pct", "fast_share", "flows_kg_min", "pumps", "chance_to_strip", "strip_time_min", "say"}


def text(shop: Shop, answer: Answer) -> str:
    """The answer as it is printed, on one line."""
    return " ".join(answers.text(answer, Names(shop.plant())).split())


@pytest.mark.parametrize(
    ("system", "temp_c", "strip_min", "first_way"),
    [
        ("furan", 2, 600, "warm the sand to"),
        ("furan", 45, 600, "cool the sand to"),
        ("ester", 46, 600, "cool the sand to"),
        ("ester", -5, 600, "warm the sand to"),
    ],
)
def test_too_cold_or_too_hot_is_a_no_however_long_the_strip_time(
    shop: Shop, system: str, temp_c: float, strip_min: float, first_way: str
) -> None:
    """2 °C furan and 46 °C ester with ten hours to strip: no, no setting, and the sand is what is to be changed."""
    answer = shop.setting("m1", system, temp_c, strip_time_min=strip_min)
    assert (answer.possible, answer.verdict) == (False, "no")
    assert not SETTINGS & set(answer.values)
    assert "nearest" not in answer.values
    assert answer.instead[0].startswith(first_way)
    assert not any("50 %" in way or "100 %" in way for way in answer.instead), "not the end of a window"
    assert codes(answer) & {"sand_cold", "sand_hot"}
    assert text(shop, answer).startswith("No: ")
    setting = {"catalyst_pct": 35} if system == "furan" else {"fast_share": 0.5}
    assert shop.setting("m1", system, temp_c, strip_time_min=strip_min, **setting).verdict == "no"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("temp_c", "first_way"),
    [(12, "warm the sand to"), (30, "cool the sand to")],
)
def test_outside_the_window_only_with_a_test_piece(shop: Shop, temp_c: float, first_way: str) -> None:
    """12 and 30 °C furan (window 15 to 25): a setting to make the piece with, and no plain yes anywhere."""
    answer = shop.setting("m1", "furan", temp_c, strip_time_min=90)
    assert (answer.possible, answer.verdict) == (False, "test_piece")
    assert not SETTINGS & set(answer.values)
    assert answer.values["nearest"]["serves"] is False
    assert 20 <= answer.values["nearest"]["catalyst_pct"] <= 50
    assert "the window of 15 to 25 °C" in answer.because
    assert answer.instead[0].startswith(first_way)
    assert shop.setting("m1", "furan", float(answer.instead[0].split()[4]), strip_time_min=90).possible
    assert "test piece" in answer.instead[-1]
    assert text(shop, answer).startswith("Only with a test piece: ")
    assert "for the test piece:" in text(shop, answer)


def test_the_way_out_is_not_another_window_s_end(shop: Shop) -> None:
    """Inside or outside the window, a temperature of the sand that is offered lies inside it."""
    for temp_c in (12, 20, 30):
        for way in shop.setting("m1", "furan", temp_c, strip_time_min=45).instead:
            if way.startswith(("warm the sand to", "cool the sand to")):
                assert 15 <= float(way.split()[4]) <= 25


def test_table_rows_sheet_and_csv_say_the_same(shop: Shop) -> None:
    """5 to 45 °C by ten: no, yes at 15 and 25, a test piece at 35, no; wall, CSV and device have the same word."""
    answer = shop.table("m1", "furan", lowest_c=5, highest_c=45, step_c=10, strip_time_min=120)
    rows = answer.values["rows"]
    assert [row["verdict"] for row in rows] == ["no", "yes", "yes", "test_piece", "no"]
    assert [row["serves"] for row in rows] == [False, True, True, False, False]
    assert [row.get("instead", "").split(" to ")[0] for row in rows] == [
        "warm the sand", "", "", "cool the sand", "cool the sand",
    ]  # fmt: skip
    assert ["catalyst_pct" in row for row in rows] == [False, True, True, True, False]
    one = tables.as_kept(answer)
    drawn = sheet.of_issued(one, Names(shop.plant()))
    assert [row.settings[0] for row in drawn.rows if row.way_out] == ["no", "test", "no"]
    (piece,) = [row.way_out for row in drawn.rows if row.settings[0] == "test"]
    assert piece.startswith("only with a test piece, made at 20.0 %")
    assert "cool the sand" in piece
    lines = tables.as_csv(one).splitlines()
    column = lines[0].split(",").index("verdict")
    assert [line.split(",")[column] for line in lines[1:]] == ["no", "yes", "yes", "test_piece", "no"]
    shown = text(shop, answer)
    assert "35 °C: only with a test piece; cool the sand" in shown
    assert "5.0 °C: no; warm" in shown or "5 °C: no; warm" in shown
    given = shop.issue_table("m1", "furan", by="ida", lowest_c=5, highest_c=45, step_c=10, strip_time_min=120)
    kept = shop.tables(number=given.number).values["tables"][0]["rows"]
    assert [row["verdict"] for row in kept] == ["no", "yes", "yes", "test_piece", "no"]


@pytest.mark.parametrize(("lowest_c", "highest_c", "raised"), [(16, 24, False), (15, 24, True), (16, 25, True)])
def test_a_row_at_the_window_s_end_is_not_for_sand_beyond_it(
    shop: Shop, lowest_c: float, highest_c: float, raised: bool
) -> None:
    """Rows by two degrees stand for one degree around: 14 °C is nearest to 15, and 26 to 25, and has no plain yes."""
    asked = {"lowest_c": lowest_c, "highest_c": highest_c, "strip_time_min": 120}
    step = 1.0 if (highest_c - lowest_c) % 2 else 2.0
    answer = shop.table("m1", "furan", step_c=step, **asked)  # type: ignore[arg-type]
    assert ("rows_end_at_window" in codes(answer)) is raised


def test_a_table_of_cold_sand_alone_is_not_given_out(shop: Shop) -> None:
    """10 to 14 °C: a test piece in each row, so no table for the wall."""
    given = shop.issue_table("m1", "furan", by="ida", lowest_c=10, highest_c=14, strip_time_min=120)
    assert (given.number, given.table.possible, given.table.verdict) == (None, False, "test_piece")
    assert shop.table("m1", "furan", lowest_c=0, highest_c=8, strip_time_min=600).verdict == "no"


def test_the_brief_shows_no_plain_yes(shop: Shop) -> None:
    """12 °C in the mixer: its row is marked; 2 °C: no row but a "no" with the way out."""
    reading = {"what": "mixed_sand", "mixer": "m1"}
    shop.log("temperature", {"at": "2025-03-03 07:00", "value_c": 14, **reading}, sender="vera")
    shown = text(shop, shop.brief())
    assert "TEST PIECE" in shown.split("m1 ester")[1].split("m2")[0]
    shop.log("temperature", {"at": "2025-03-03 07:55", "value_c": 5, **reading}, sender="vera")
    assert "NO m1 furan: sand of 5.0 °C is too cold" in text(shop, shop.brief())


def acid_test(shop: Shop, place: str, demand_ml: float) -> None:
    """Record an acid demand, as the laboratory gives it."""
    test = {
        "at": "2025-03-01 09:00", "test": "acid_demand", "sample": {"place": place},
        "results": {"acid_demand_ml": demand_ml},
    }  # fmt: skip
    shop.log("sand_test", test, sender="sonja")


def test_sand_that_takes_all_the_acid_gives_no_promise(shop: Shop) -> None:
    """8 ml on 1 % resin could take 8·0.53/10 = 42.4 % of resin of a 65 % acid: all of the 39.8 %; 7 ml leave some.

    derived: 0.530 g of a 65 % solution per kg sand and ml, resin 10 g/kg.
    """
    for place in ("silo_new", "silo_f"):
        acid_test(shop, place, 8)
    answer = shop.setting("m1", "furan", 20)
    assert (answer.possible, answer.verdict) == (False, "no")
    assert "acid_takes_all" in codes(answer)
    assert "could take up to 42 % of resin in acid: all of the 39.8 %" in answer.because
    assert not SETTINGS & set(answer.values)
    assert "nearest" not in answer.values
    assert not any(way.startswith("add") for way in answer.instead)
    assert shop.setting("m1", "furan", 20, catalyst_pct=42).verdict == "no"
    assert shop.setting("m1", "furan", 20, catalyst_pct=43).verdict == "yes"
    rows = shop.table("m1", "furan", lowest_c=15, highest_c=25, step_c=5).values["rows"]
    assert [row["verdict"] for row in rows][1:] == ["no", "no"]


def test_acid_that_is_left_gives_its_chance(shop: Shop) -> None:
    """7 ml take up to 37.1 % of the 39.8 %: flagged, and the setting stands."""
    for place in ("silo_new", "silo_f"):
        acid_test(shop, place, 7)
    answer = shop.setting("m1", "furan", 20)
    assert answer.possible
    assert "acid_demand" in codes(answer)


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (1.0, "over 99 %"),
        (0.995, "over 99 %"),
        (0.9905, "99 %"),
        (0.7999, "79 %"),
        (0.004, "under 1 %"),
        (0, "under 1 %"),
    ],
)
def test_a_chance_is_never_sure(share: float, words: str) -> None:
    """It ends at under 1 and over 99 %, and is rounded down between; a chance asked for is shown as asked."""
    assert wording.chance(share) == words
    assert wording.aim(0.995) == "99.5 %"


def test_no_answer_says_100_percent(shop: Shop) -> None:
    """Ten hours for sand that strips in one: over 99 %, on each screen."""
    answer = shop.setting("m1", "furan", 20, strip_time_min=600)
    assert answer.values["chance_to_strip"] > 0.99
    assert "over 99 % to have stripped" in text(shop, answer)
    stopped = shop.stopped("m1", "furan", 20, 0, filled_for_min=0)
    assert "live with over 99 % chance" in text(shop, stopped)
