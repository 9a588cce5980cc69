"""Tables by sand temperature: the setting asked row by row, expiry, numbers that no two tables share."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.errors import Conflict, InputErrors, UnknownName
from sandtrack.shop.dosing import issued, table

from .conftest import Clock
from .test_pumped import ACID, RESIN, lines

ASKED = {"lowest_c": 5, "highest_c": 35, "step_c": 5}
SPANS = [(what, end) for what in ("strip", "work") for end in ("low", "mid", "high")]


def rows(shop: Shop, system: str = "furan", **more: Any) -> list[dict[str, Any]]:
    """Rows of a table of the large mixer."""
    found: list[dict[str, Any]] = shop.table("m1", system, **{**ASKED, **more}).values["rows"]
    return found


@pytest.mark.parametrize("system", ["furan", "ester"])
@pytest.mark.parametrize("box", [None, 300, 1500])
def test_rows_are_the_setting_asked_one_by_one(shop: Shop, system: str, box: float | None) -> None:
    """Each row says what the setting says at its temperature; a "no" has the setting's reason and first way out."""
    for row in rows(shop, system, box_sand_kg=box):
        alone = shop.setting("m1", system, row["sand_temp_c"], box_sand_kg=box)
        assert row["serves"] is alone.possible
        assert row["verdict"] == alone.verdict
        if not alone.possible:
            assert (row["because"], row["instead"]) == (alone.because, alone.instead[0])
        if alone.verdict == "no":
            assert not {"catalyst_pct", "fast_share", "resin_pct"} & set(row)
            continue
        found = alone.values if alone.possible else alone.values["nearest"]
        for name in (
            "resin_pct", "catalyst_pct", "fast_share", "chance_to_strip", "fill_within_min", "flows_kg_min",
            "flows_ml_min",
        ):  # fmt: skip
            assert row.get(name) == found.get(name)
        for what, end in SPANS:
            span = alone.ranges[f"{what}_time_min"] if alone.possible else None
            assert row[f"{what}_{end}_min"] == (getattr(span, end) if span else found[f"{what}_time_min"][end])


def test_rows_have_what_a_device_sets(make_shop: Callable[[dict[str, Any]], Shop], content: dict[str, Any]) -> None:
    """At 20 °C: 1 % of 150 kg/min is 1.5 of resin, setting 50; 48 steps of acid are 0.02 + 0.576 (as in test_pumped).

    By volume at the set-up's 1.2 and 1.25 kg/l 1250 and 476.8 ml/min; 80 % of the sand is reclaimed, 120 kg/min. An
    issued table keeps all of it.
    """
    content["mixers"]["m1"]["setting_steps"] = {"resin": 1, "catalyst": 1}
    shop = lines(make_shop(content), {"resin": RESIN, "catalyst": ACID})
    (row,) = rows(shop, lowest_c=20, highest_c=20)
    assert row["flows_kg_min"] == pytest.approx(
        {"new_sand": 30, "reclaimed_sand": 120, "resin": 1.5, "catalyst": 0.596}
    )
    assert row["flows_ml_min"] == pytest.approx({"resin": 1250, "catalyst": 476.8})
    assert (row["pump_settings"], row["pumps_beyond"]) == ({"resin": 50, "catalyst": 48}, [])
    shop.issue_table("m1", "furan", by="ida", lowest_c=20, highest_c=20)
    (kept,) = shop.tables().values["tables"][0]["rows"]
    for name in ("flows_kg_min", "flows_ml_min", "pump_settings"):
        assert kept[name] == row[name]


def test_rows_say_which_pump_is_set_beyond_what_was_caught(shop: Shop) -> None:
    """Acid caught from 0.38 to 0.74 kg/min: the warm row takes less, so that its setting is a guess, and says so."""
    lines(shop, {"resin": RESIN, "catalyst": ACID}, between=(30, 60))
    found = {row["sand_temp_c"]: row for row in rows(shop, lowest_c=20, highest_c=35, step_c=15)}
    assert (found[20]["pumps_beyond"], found[35]["pumps_beyond"]) == ([], ["catalyst"])
    flow = found[35]["flows_kg_min"]["catalyst"]
    assert flow < 0.38
    assert found[35]["pump_settings"]["catalyst"] == pytest.approx((flow - 0.02) / 0.012)
    assert ["beyond_calibration" in found[temp]["look_at"] for temp in (20, 35)] == [False, True]


def test_a_flag_of_another_liquid_does_not_hide_a_row_s_own(shop: Shop) -> None:
    """Resin beyond its catches in every row is told of all; the acid's rows are marked all the same."""
    lines(shop, {"resin": RESIN}, between=(10, 20))
    lines(shop, {"catalyst": ACID}, between=(30, 60))
    found = {row["sand_temp_c"]: row for row in rows(shop, lowest_c=20, highest_c=35, step_c=15)}
    assert [found[temp]["pumps_beyond"] for temp in (20, 35)] == [["resin"], ["resin", "catalyst"]]
    assert ["beyond_calibration" in found[temp]["look_at"] for temp in (20, 35)] == [False, True]


def test_without_a_calibration_flows_are_left(shop: Shop) -> None:
    """No pump can be told on its own scale; kg/min and ml/min stay."""
    (row,) = rows(shop, lowest_c=20, highest_c=20)
    assert (row["pump_settings"], row["pumps_beyond"]) == ({}, [])
    assert row["flows_ml_min"]["resin"] == pytest.approx(1250)


def test_no_row_is_outside_the_window(shop: Shop) -> None:
    """From the coldest to the hottest sand no setting leaves the set-up's 20 to 50 % acid, and some rows are a "no"."""
    found = rows(shop, lowest_c=-20, highest_c=60, step_c=2)
    told = [row["catalyst_pct"] for row in found if row["serves"]]
    assert told
    assert all(20 <= pct <= 50 for pct in told)
    assert not all(row["serves"] for row in found)


def test_span_and_step_make_the_rows(shop: Shop) -> None:
    """Rows begin at the lowest and go up by the step; the highest is a row only where the step meets it (derived)."""
    assert [row["sand_temp_c"] for row in rows(shop, lowest_c=18, highest_c=23, step_c=2)] == [18, 20, 22]
    assert [row["sand_temp_c"] for row in rows(shop, lowest_c="68 °F", highest_c=20.3, step_c=0.1)] == [
        20, 20.1, 20.2, 20.3,
    ]  # fmt: skip


def test_a_table_expires_after_a_day(shop: Shop) -> None:
    """Made at eight on 3 March it may be used until eight the day after, and says that this is a default."""
    answer = shop.table("m1", "furan", **ASKED)
    assert answer.values["made_at"] == "2025-03-03T08:00:00+01:00"
    assert answer.values["expires_at"] == "2025-03-04T08:00:00+01:00"
    (valid,) = [one for one in answer.basis if one.what == "valid for"]
    assert (valid.tag, valid.source) == ("default", "limits.table_valid_h")
    assert answer.values["ask_again_moved_c"] == 3
    assert "moved by 3 °C" in answer.values["say"]


def test_the_set_up_says_how_long_a_table_holds(
    make_shop: Callable[[dict[str, Any]], Shop], content: dict[str, Any]
) -> None:
    """With table_valid_h = 10 it ends at six in the evening, by the set-up."""
    content["limits"] = {"table_valid_h": 10}
    answer = make_shop(content).table("m1", "furan", **ASKED)
    assert answer.values["expires_at"] == "2025-03-03T18:00:00+01:00"
    assert [one.tag for one in answer.basis if one.what == "valid for"] == ["set-up"]


def test_flags_are_told_once_with_their_temperatures(shop: Shop) -> None:
    """Cold and hot sand are flagged with the rows they are said of; a step wider than 3 °C is flagged too."""
    answer = shop.table("m1", "furan", **ASKED)
    codes = [flag.code for flag in answer.flags]
    assert len(codes) == len({(flag.code, flag.subject) for flag in answer.flags})
    assert "step_coarse" in codes
    assert "step_coarse" not in [
        flag.code for flag in shop.table("m1", "furan", lowest_c=5, highest_c=35, step_c=3).flags
    ]
    cold = {row["sand_temp_c"] for row in answer.values["rows"] if "sand_cold" in row["look_at"]}
    assert cold
    assert max(cold) <= 10


def test_todays_reading_says_nothing_against_other_rows(shop: Shop) -> None:
    """Sand read at 20 °C a moment ago refuses an actual 35 °C, but a table still tells what 10 and 35 °C would need."""
    shop.log("temperature", {"at": "2025-03-03 07:50", "what": "mixed_sand", "mixer": "m1", "value_c": 20}, sender="v")
    assert "is not acted on" in shop.setting("m1", "furan", 35).because
    assert "nearest" not in shop.setting("m1", "furan", 35).values
    assert [row["verdict"] for row in rows(shop)] == ["no", "no", "no", "yes", "yes", "test_piece", "test_piece"]


def test_what_no_temperature_changes_is_a_no_of_the_whole(shop: Shop) -> None:
    """A mixer that does not run the binder, or sand that is held, gives no table but the reason."""
    answer = shop.table("m2", "ester", **ASKED)
    assert not answer.possible
    assert "rows" not in answer.values
    assert answer.because == "Ester is not run on Small mixer"
    shop.log("hold", {"at": "2025-03-03 07:00", "place": "tank_acid", "reason": "smells"}, sender="lab")
    held = shop.table("m1", "furan", **ASKED)
    assert not held.possible
    assert "held" in [flag.code for flag in held.flags]
    assert "held" in [caution.code for caution in held.cautions]


def test_a_table_in_which_nothing_serves_is_a_no(shop: Shop) -> None:
    """Five minutes at 0 to 4 °C: every row is a "no", and so is the table, with the ways out."""
    answer = shop.table("m1", "furan", lowest_c=0, highest_c=4, step_c=2, strip_time_min=5)
    assert not answer.possible
    assert [row["serves"] for row in answer.values["rows"]] == [False] * 3
    assert answer.instead


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"step_c": 0}, "step_c: 0 is nothing"),
        ({"step_c": float("nan")}, "step_c"),
        ({"lowest_c": 40}, "highest_c: 35 is below lowest_c"),
        ({"step_c": 0.1}, "makes 301 rows"),
        ({"highest_c": 90}, "highest_c: 90 is out of range"),
        ({"lowest_c": "warm"}, "lowest_c"),
    ],
)
def test_spans_that_make_no_table(shop: Shop, asked: dict[str, Any], said: str) -> None:
    """What cannot be a span is refused with the field and what would do."""
    with pytest.raises(InputErrors) as refused:
        shop.table("m1", "furan", **{**ASKED, **asked})
    assert said in str(refused.value)


def test_names_must_be_known(shop: Shop) -> None:
    """A mixer that the set-up lacks is told as one."""
    with pytest.raises(UnknownName):
        shop.table("m9", "furan", **ASKED)


# -- given out ------------------------------------------------------------------------------------------------------


def states(shop: Shop) -> list[tuple[int, str]]:
    """Numbers and states of the tables given out, the latest first."""
    return [(one["number"], one["state"]) for one in shop.tables().values["tables"]]


def test_numbers_go_on_when_the_shop_is_opened_again(new_shop: Callable[[Path], Shop], tmp_path: Path) -> None:
    """1 and 2, and 3 after the file was closed and opened; a withdrawn table's number is not given again."""
    path = tmp_path / "again.sandtrack"
    with new_shop(path) as shop:
        numbers = [shop.issue_table("m1", name, by="ida", **ASKED).number for name in ("furan", "ester")]
    with Shop.open(path, clock=Clock("2025-03-03 09:00")) as shop:
        numbers.append(shop.issue_table("m2", "furan", by="ida", **ASKED).number)
        shop.undo("tables", "table-3", reason="wrong mixer", by="ida")
        numbers.append(shop.issue_table("m2", "furan", by="ida", **ASKED).number)
        assert numbers == [1, 2, 3, 4]
        assert states(shop) == [(4, "valid"), (2, "valid"), (1, "valid")]
        assert list(shop.verify()) == []


def test_a_table_is_superseded_and_expires(shop: Shop, clock: Clock) -> None:
    """A later one for the same takes its place; a day later that one is out of date; another mixer's is its own."""
    for _ in range(2):
        shop.issue_table("m1", "furan", by="ida", **ASKED)
    shop.issue_table("m2", "furan", by="ida", **ASKED)
    assert states(shop) == [(3, "valid"), (2, "valid"), (1, "superseded")]
    assert shop.tables().values["tables"][2]["superseded_by"] == 2
    clock.set("2025-03-04 07:59")
    assert states(shop)[1] == (2, "valid")
    clock.set("2025-03-04 08:00")
    assert states(shop) == [(3, "expired"), (2, "expired"), (1, "superseded")]


def test_of_two_tables_of_one_minute_the_later_number_counts(shop: Shop) -> None:
    """Whatever their ids are called: 2 takes the place of 1."""
    for name in ("b", "a"):
        shop.issue_table("m1", "furan", by="ida", id=name, **ASKED)
    assert states(shop) == [(2, "valid"), (1, "superseded")]


def test_an_issued_table_is_found_again_as_it_was(shop: Shop) -> None:
    """`records` finds it with its rows, basis and cautions, unchanged by checks that came after."""
    given = shop.issue_table("m1", "furan", by="ida", **ASKED)
    assert given.receipt is not None
    assert (given.receipt.kind, given.receipt.id, given.receipt.new) == ("table_issued", "table-1", True)
    before = shop.tables().values["tables"][0]
    check = {"at": "2025-03-03 07:59", "binder_system": "furan", "definition": "hand", "sand_temp_c": 20}
    for minutes in (80, 82, 84):
        shop.log(
            "strip_check", {**check, "catalyst_pct": 35, "earliest_min": minutes - 4, "latest_min": minutes}, sender="v"
        )
    (found,) = shop.records(kind="table_issued").values["records"]
    assert found["content"]["number"] == 1
    assert found["content"]["by"] == "ida"
    assert len(found["content"]["rows"]) == 7
    after = shop.tables().values["tables"][0]
    assert after["rows"] == before["rows"]
    for told, kept in zip(given.table.values["rows"], after["rows"], strict=True):
        assert {name: value for name, value in told.items() if value not in ([], {})} == {
            name: list(value) if isinstance(value, tuple) else value for name, value in kept.items()
        }
    assert after["cautions"] == [asdict(caution) for caution in given.table.cautions]
    assert after["look_at"] == [flag.text for flag in given.table.flags]
    now = rows(shop)
    assert [row.get("catalyst_pct") for row in now] != [row.get("catalyst_pct") for row in after["rows"]]


def test_a_no_is_not_given_out(shop: Shop) -> None:
    """Nothing is recorded where no table can be made."""
    given = shop.issue_table("m2", "ester", by="ida", **ASKED)
    assert (given.number, given.receipt, given.table.possible) == (None, None, False)
    assert states(shop) == []


def test_a_new_set_up_is_told(shop: Shop, content: dict[str, Any], clock: Clock) -> None:
    """A table on the wall from before the set-up changed is flagged, since its windows may be others."""
    shop.issue_table("m1", "furan", by="ida", **ASKED)
    content["shop"]["valid_from"] = "2025-03-04"
    content["binder_systems"]["furan"]["catalyst_window_pct"] = [25, 45]
    shop.log("plant", content, sender="office")
    assert [flag.code for flag in shop.tables().flags] == []
    clock.set("2025-03-04 07:00")
    assert [flag.code for flag in shop.tables().flags] == ["table_set_up_changed"]


def test_two_who_issue_at_once_get_two_numbers(new_shop: Callable[[Path], Shop], tmp_path: Path) -> None:
    """Four openings of one file give out ten tables each: forty numbers, none twice."""
    path = tmp_path / "busy.sandtrack"
    new_shop(path).close()
    found: list[int | None] = []

    def issue(name: str) -> None:
        with Shop.open(path, clock=Clock("2025-03-03 09:00")) as shop:
            for _ in range(10):
                found.append(shop.issue_table("m1", "furan", by=name, lowest_c=20, highest_c=22).number)

    threads = [threading.Thread(target=issue, args=(name,)) for name in ("ida", "per", "ali", "eva")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(number for number in found if number is not None) == list(range(1, 41))


def test_the_same_order_twice_is_one_table(shop: Shop, clock: Clock) -> None:
    """Under the same id of the same sender the table that was kept is told, though another would be made by now."""
    order = {"by": "ida", "sender": "office", "id": "o-1", **ASKED}
    first = shop.issue_table("m1", "furan", **order)
    clock.set("2025-03-03 11:00")
    again = shop.issue_table("m1", "furan", **order)
    assert first.receipt is not None
    assert again.receipt is not None
    assert (first.receipt.sender, first.receipt.id, first.receipt.new) == ("office", "o-1", True)
    assert (again.number, again.receipt.new, [flag.code for flag in again.receipt.flags]) == (1, False, ["known"])
    assert again.table.values["made_at"] == "2025-03-03T08:00:00+01:00"
    told = [row.get("catalyst_pct") for row in first.table.values["rows"]]
    assert [row.get("catalyst_pct") for row in again.table.values["rows"]] == told
    assert states(shop) == [(1, "valid")]
    assert shop.issue_table("m1", "furan", **{**order, "sender": "ida"}).number == 2


def test_another_order_under_an_id_is_a_conflict(shop: Shop) -> None:
    """Another span or mixer is not what was asked before, and a record of another kind is no table."""
    shop.issue_table("m1", "furan", by="ida", sender="office", id="o-1", **ASKED)
    with pytest.raises(Conflict, match="different: highest_c, mixer"):
        shop.issue_table("m2", "furan", by="ida", sender="office", id="o-1", **{**ASKED, "highest_c": 30})
    shop.log("hold", {"at": "2025-03-03 07:00", "place": "tank_acid", "reason": "smells"}, sender="office", id="h")
    with pytest.raises(Conflict, match="kind"):
        shop.issue_table("m1", "furan", by="ida", sender="office", id="h", **ASKED)
    assert states(shop) == [(1, "valid")]


def test_an_order_sent_twice_at_once_is_one_table(shop: Shop) -> None:
    """While the first is being worked out the second is kept: the first is answered with that one."""
    asked: dict[str, Any] = {"mixer": "m1", "binder_system": "furan", "lowest_c": 20, "highest_c": 22}
    kept: list[issued.Issued] = []

    def other() -> None:
        with Shop.open(shop.ledger.store.path, clock=Clock("2025-03-03 08:00")) as again:
            kept.append(again.issue_table(**asked, by="ida", sender="office", id="o-1"))

    def ask(seen: Any) -> Any:
        if not kept:
            thread = threading.Thread(target=other)
            thread.start()
            thread.join()
        return table.table(seen, **asked)

    told = issued.issue(shop.ledger, ask, "ida", asked=asked, sender="office", record_id="o-1")
    assert told.receipt is not None
    assert (kept[0].number, told.number, told.receipt.new) == (1, 1, False)
    assert states(shop) == [(1, "valid")]


def test_a_number_that_was_taken_as_an_id_is_passed_over(shop: Shop) -> None:
    """Somebody's own record under the id of the next table does not keep it from being given out."""
    shop.log("hold", {"at": "2025-03-03 07:00", "lot": "L", "reason": "wet"}, sender="tables", id="table-1")
    assert shop.issue_table("m1", "furan", by="ida", **ASKED).number == 2


def test_one_table_is_asked_for_by_its_number(shop: Shop) -> None:
    """Of two the second alone; one that there is not, or that was withdrawn, is a "no"."""
    for _ in range(2):
        shop.issue_table("m1", "furan", by="ida", **ASKED)
    (one,) = shop.tables(number=1).values["tables"]
    assert (one["number"], one["state"], one["superseded_by"]) == (1, "superseded", 2)
    assert shop.tables(number=3).because == "there is no table 3, or it was withdrawn"
    shop.undo("tables", "table-2", reason="wrong mixer", by="ida")
    assert not shop.tables(number=2).possible
