"""Levels as masses beside the book, and results of sand tests worked out from their readings."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sandtrack.shop import laboratory
from sandtrack.shop.picture import picture

from .circuit import Foundry, merged

TANK = {"shape": {"form": "cylinder", "diameter_m": 1, "height_m": 2}}
BAY = {"shape": {"form": "box", "length_m": 4, "width_m": 3, "height_m": 2}}
SHAPES = {"places": {"tank_resin": TANK, "heap": BAY}}


@pytest.fixture
def foundry(tmp_path: Path) -> Iterator[Foundry]:
    """A foundry whose places are counted at the end of 1 June."""
    made = Foundry(tmp_path, SHAPES)
    made.quiet_start()
    yield made
    made.shop.close()


def levels(foundry: Foundry, at: str = "2025-06-10") -> dict[str, dict[str, Any]]:
    """Levels of the stock answer, by place."""
    return {level["place"]: level for level in foundry.shop.stock(at).values["levels"]}


def texts(foundry: Foundry, code: str, at: str = "2025-06-10") -> list[str]:
    """Texts of the stock answer's flags of one code."""
    return [flag.text for flag in foundry.shop.stock(at).flags if flag.code == code]


def test_a_level_is_a_mass_with_a_range(foundry: Foundry) -> None:
    """Cone of 2 m × 1.5 m full, 1 m above it: π·1.5/3 + π·1 = 4.7124 m³ at 1,600 kg/m³, ± 8 %."""
    foundry.tell("level", "2025-06-02 15:00", place="silo_new", level_m=2.5)
    level = levels(foundry)["silo_new"]
    mass = (math.pi * 0.5 + math.pi) * 1600
    assert level["mass_kg"] == pytest.approx(mass)  # 7,540
    assert (level["low_kg"], level["high_kg"]) == (pytest.approx(0.92 * mass), pytest.approx(1.08 * mass))
    assert level["book_kg"] == 20000
    assert level["gap_pct"] == pytest.approx(100 * (mass - 20000) / 20000)


def test_a_level_far_from_the_book_is_raised(foundry: Foundry) -> None:
    """The level says 7.5 t, the book 20 t."""
    foundry.tell("level", "2025-06-02 15:00", place="silo_new", level_m=2.5)
    assert texts(foundry, "level_gap") == [
        "the level of New sand silo read on 2 Jun 2025 15:00 says 7.5 t (6.9 t to 8.1 t), the book 20.0 t: "
        "read it again, then count"
    ]


def test_a_level_near_the_book_is_not_raised(foundry: Foundry) -> None:
    """A free height of 0.6 m: 4.9 m of level, 0.5·π + 3.4·π = 12.25 m³, 19.6 t beside 20 t, 2 % apart."""
    foundry.tell("level", "2025-06-02 15:00", place="silo_new", ullage_m=0.6)
    level = levels(foundry)["silo_new"]
    assert level["level_m"] == pytest.approx(4.9)
    assert level["mass_kg"] == pytest.approx(3.9 * math.pi * 1600)
    assert texts(foundry, "level_gap") == []


def test_a_level_answered_by_a_count_is_not_raised(foundry: Foundry) -> None:
    """Once the place was counted after the reading, the gap is news of yesterday."""
    foundry.tell("level", "2025-06-02 15:00", place="silo_new", level_m=2.5)
    foundry.count("2025-06-03", silo_new=7600)
    assert levels(foundry)["silo_new"]["counted_since"] is True
    assert texts(foundry, "level_gap") == []


def test_the_book_is_that_of_the_readings_instant(foundry: Foundry) -> None:
    """A tanker after the reading does not make a gap."""
    foundry.tell("level", "2025-06-02 15:00", place="silo_new", ullage_m=0.6)
    foundry.tell("delivery", "2025-06-02 16:00", place="silo_new", mass_kg=25000)
    assert levels(foundry)["silo_new"]["book_kg"] == 20000


@pytest.mark.parametrize(
    ("reading", "words"),
    [({"level_m": 7.1}, "7.1 m of level in a height of 5.5 m"),
     ({"ullage_m": 6}, "6 m of free height in a height of 5.5 m")],
)  # fmt: skip
def test_a_level_outside_the_silo_is_raised(foundry: Foundry, reading: dict[str, float], words: str) -> None:
    """It cannot be, and gives no mass."""
    foundry.tell("level", "2025-06-02 15:00", place="silo_new", **reading)
    assert levels(foundry)["silo_new"]["mass_kg"] is None
    assert texts(foundry, "level_outside") == [
        f"the level of New sand silo read on 2 Jun 2025 15:00 cannot be: {words}; read it again"
    ]


def test_the_receipt_of_a_level_tells_at_once_what_cannot_be(foundry: Foundry) -> None:
    """Who read it wrongly still stands beside the silo."""
    content = {"at": "2025-06-02 15:00", "place": "silo_new", "level_m": 7.1}
    flags = {flag.code: flag.text for flag in foundry.shop.log("level", content, sender="ida").flags}
    assert flags["level_outside"] == (
        "the level of New sand silo read on 2 Jun 2025 15:00 cannot be: 7.1 m of level in a height of 5.5 m; "
        "read it again"
    )


def test_a_liquid_lies_at_its_own_density(foundry: Foundry) -> None:
    """1 m in a tank of 1 m: π/4 m³ at 1,180 kg/m³ = 927 kg, ± 2 %."""
    foundry.tell("level", "2025-06-02 15:00", place="tank_resin", level_m=1.0)
    level = levels(foundry)["tank_resin"]
    assert level["mass_kg"] == pytest.approx(math.pi / 4 * 1180)
    assert level["high_kg"] == pytest.approx(1.02 * math.pi / 4 * 1180)


def test_a_level_without_shape_or_density_gives_no_mass(foundry: Foundry) -> None:
    """The answer says what the set-up lacks, and raises nothing."""
    foundry.tell("level", "2025-06-02 15:00", place="silo_back", level_m=1.0)
    foundry.tell("level", "2025-06-02 15:00", place="heap", level_m=1.0)
    found = levels(foundry)
    assert found["silo_back"]["because"] == "the set-up has no shape of it"
    assert found["heap"]["because"] == "the set-up has no density of what it holds"
    assert {flag.code for flag in foundry.shop.stock("2025-06-10").flags} == set()


def test_only_the_latest_level_of_the_last_weeks_counts(foundry: Foundry) -> None:
    """Of two readings the later; a reading older than 35 days is not used."""
    foundry.tell("level", "2025-06-02 15:00", place="silo_new", level_m=2.5)
    foundry.tell("level", "2025-06-03 15:00", place="silo_new", level_m=3.5)
    assert levels(foundry)["silo_new"]["level_m"] == 3.5
    assert levels(foundry, "2025-07-07")["silo_new"]["level_m"] == 3.5
    assert levels(foundry, "2025-07-08") == {}


def results(foundry: Foundry) -> list[laboratory.Result]:
    """All results of the shop."""
    with picture(foundry.shop.ledger, "2025-06-30") as seen:
        return laboratory.results(seen, None, seen.at)


@pytest.mark.parametrize(
    ("test", "readings", "name", "value"),
    [
        ("loss_on_ignition", {"crucible_g": 20, "before_g": 30, "after_g": 29.8}, "loss_on_ignition_pct", 2.0),
        # (10·40 + 10·50)/20, clay left out; sieve 200 counts 145 with the later factors: (400 + 145·10)/20
        ("sieve", {"50": 10, "70": 10, "clay": 3}, "grain_fineness_number", 45.0),
        ("sieve", {"50": 10, "200": 10}, "grain_fineness_number", 92.5),
        ("moisture", {"before_g": 50, "after_g": 49.9}, "moisture_pct", 0.2),
        # (50·0.1/0.1 − 47·0.1/0.1)·50/50 = 3 ml
        ("acid_demand", {"sand_g": 50, "acid_ml": 50, "base_ml": 47}, "acid_demand_ml", 3.0),
    ],
)
def test_results_come_from_the_readings(
    foundry: Foundry, test: str, readings: dict[str, float], name: str, value: float
) -> None:
    """Each test's result by its own calculation; a result that came with the record is kept apart."""
    foundry.tell("sand_test", "2025-06-02 15:00", test=test, readings=readings, results={"said": 7})
    (result,) = results(foundry)
    assert result.computed == {name: pytest.approx(value)}
    assert result.given == {"said": 7.0}


def test_a_given_result_serves_where_there_are_no_readings(foundry: Foundry) -> None:
    """`loi_pct` is another name of the loss on ignition; readings go before it."""
    foundry.tell("sand_test", "2025-06-02 15:00", test="loss_on_ignition", results={"loi_pct": 2.4})
    (result,) = results(foundry)
    assert result.value("loss_on_ignition_pct") == 2.4


def test_readings_that_make_no_result_say_why(foundry: Foundry) -> None:
    """A missing and an impossible reading."""
    foundry.tell("sand_test", "2025-06-02 15:00", test="loss_on_ignition", readings={"crucible_g": 20, "before_g": 30})
    readings = {"crucible_g": 30, "before_g": 20, "after_g": 19}
    foundry.tell("sand_test", "2025-06-02 16:00", test="loss_on_ignition", readings=readings)
    first, second = results(foundry)
    assert first.problem == "reading after_g is missing"
    assert second.problem.startswith("before_g - crucible_g: -10.0 is out of range")


def test_the_latest_of_each_test_and_place(foundry: Foundry) -> None:
    """Two places, two dates: one result a place."""
    for at, place, pct in (("2025-06-02 15:00", "heap", 4), ("2025-06-03 15:00", "heap", 5),
                           ("2025-06-02 15:00", "silo_back", 1)):  # fmt: skip
        sample = {"place": place}
        foundry.tell("sand_test", at, test="loss_on_ignition", sample=sample, results={"loss_on_ignition_pct": pct})
    found = {result.place: result.value("loss_on_ignition_pct") for result in laboratory.latest(results(foundry))}
    assert found == {"heap": 5.0, "silo_back": 1.0}


def test_limits_have_a_low_and_a_high_end(tmp_path: Path) -> None:
    """Acid demand between −2 and 5: outside on either side, and only for the material with the limit."""
    limits = {"materials": {"new_sand": {"limits": {"acid_demand_ml": {"min": -2, "max": 5}}}}}
    foundry = Foundry(tmp_path, merged(limits))
    for place, demand in (("silo_new", -2.5), ("silo_new", 5.0), ("silo_new", 5.5), ("heap", 9.0)):
        sample = {"place": place}
        foundry.tell("sand_test", "2025-06-02 15:00", test="acid_demand", sample=sample,
                     results={"acid_demand_ml": demand})  # fmt: skip
    with picture(foundry.shop.ledger, "2025-06-30") as seen:
        found = [list(laboratory.outside(seen, result)) for result in laboratory.results(seen, None, seen.at)]
    assert found == [[("acid_demand_ml", -2.5, "-2 to 5")], [], [("acid_demand_ml", 5.5, "-2 to 5")], []]
