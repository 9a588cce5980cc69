"""A US shop from nothing, with what the help and the README say: no number that is typed is taken for another."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from .desks import Desk

PLANT = """
[shop]
name = "Cedar Fork castings"
time_zone = "America/Chicago"
valid_from = 2025-01-01
units = "us"
date_order = "month_first"

[materials]
new_sand = { kind = "sand", name = "New sand", role = "new", bulk_density_lb_ft3 = 100 }
used_sand = { kind = "sand", role = "used" }
resin = { kind = "resin", name = "Furan resin", density_kg_m3 = 1180 }
acid = { kind = "catalyst", density_kg_m3 = 1200 }

[places]
silo_1 = { kind = "silo", name = "Silo 1", material = "new_sand", safe_fill_lb = 60000, lead_time_days = 5 }
tank_resin = { kind = "tank", name = "Resin tank", material = "resin" }
tank_acid = { kind = "tank", name = "Acid tank", material = "acid" }
heap = { kind = "heap", name = "Heap", material = "used_sand" }

[binder_systems.furan]
name = "Furan"
family = "furan_acid"
resin = "resin"
catalyst = "acid"
resin_pct = 1.0
usual_strip_min = 60
reference = { strip_time_min = 45, temp_f = 68, catalyst_pct = 35, definition = "hand" }

[mixers.m1]
name = "Big mixer"
sand_lb_min = 300
binder_systems = ["furan"]
draws = { furan = { new_sand = "silo_1", resin = "tank_resin", catalyst = "tank_acid" } }
"""
LB = 0.45359237  # kilograms: NIST SP 811 (2008), appendix B.8


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A shop made from its set-up, by what `init --help` says."""
    made = Desk(tmp_path, PLANT)
    assert "sandtrack log count" in made.made.output
    assert "--mass-lb" in made.made.output
    return made


def test_the_first_brief_asks_for_counts_and_knows_no_stock(desk: Desk) -> None:
    """Not "0 lb, order now"."""
    done = desk.type("brief")
    assert "not counted" in done.output
    assert "0 lb" not in done.output
    assert "order now" not in done.output
    assert "count these 4 places first" in " ".join(done.output.split())


def test_a_bare_mass_is_pounds_and_comes_back_in_pounds(desk: Desk) -> None:
    """--mass 49000 at a truck scale is 49,000 lb: 22,226 kg, 24.5 short tons; never 49 t."""
    done = desk.type("log", "count", "--place", "Silo 1", "--mass", "5000", "--at", "01/30/2025 07:00")
    assert done.exit_code == 0, done.output
    done = desk.type("log", "delivery", "--place", "silo 1", "--mass", "49000", "--at", "01/31/2025 09:00")
    assert done.exit_code == 0, done.output
    assert "24.5 short tons" in done.output
    assert "2025-01-31 09:00" in done.output
    assert desk.last() == {"at": "2025-01-31 09:00", "mass_lb": 49000, "place": "silo_1"}
    stock = desk.ask("stock", "--at", "01/31/2025")["stock_kg"]["silo_1"]["new_sand"]
    assert stock == pytest.approx(54000 * LB)
    assert "27 short tons" in desk.type("stock", "--at", "01/31/2025").output


def test_names_with_a_unit_are_what_they_say(desk: Desk) -> None:
    """--mass-kg and --mass-t are metric in a US shop too."""
    for option, number, mass_kg in (("--mass-kg", "900", 900), ("--mass-t", "2", 2000), ("--mass", "300 kg", 300)):
        assert desk.type("log", "count", "--place", "silo_1", option, number).exit_code == 0
        assert desk.ask("stock")["stock_kg"]["silo_1"]["new_sand"] == pytest.approx(mass_kg)


def test_a_mix_a_temperature_and_a_level_in_us_units(desk: Desk) -> None:
    """Streams in lb, sand in °F, a level in ft: as they are read, so they come back."""
    streams = ("--stream1-place", "Silo 1", "--stream1-mass", "600", "--stream2-place", "Resin tank")
    more = ("--stream2-mass", "6", "--stream3-place", "Acid tank", "--stream3-mass", "2.1", "--sand-temp", "45")
    done = desk.type("log", "mix", "--mixer", "big mixer", "--binder-system", "Furan", "--moulds", "7", *streams, *more)
    assert done.exit_code == 0, done.output
    assert "600 lb New sand" in done.output
    assert "sand temperature 45 °F" in done.output
    content = desk.last()
    assert content["sand_temp_f"] == 45
    assert [stream["mass_lb"] for stream in content["streams"]] == [600, 6, 2.1]
    assert desk.type("log", "temperature", "--what", "mixed sand", "--mixer", "m1", "--value", "45").exit_code == 0
    assert desk.last()["value_f"] == 45
    assert desk.type("log", "level", "--place", "Silo 1", "--level", "10").exit_code == 0
    assert desk.last()["level_ft"] == 10


def test_questions_are_asked_and_answered_in_us_units(desk: Desk) -> None:
    """45 is 45 °F and 300 is 300 lb, said on the error output; the answer is in °F and lb."""
    done = desk.type("dose", "Big mixer", "Furan", "--sand-temp", "70", "--box", "300", "--strip", "90")
    assert "read as --sand-temp 70 °F, --box 300 lb" in done.stderr
    assert "70 °F" in done.stdout
    values = desk.ask("dose", "m1", "furan", "--sand-temp", "70", "--box", "300", "--strip", "90")
    assert values["sand_temp_c"] == pytest.approx((70 - 32) / 1.8)
    assert values["fill_time_min"] == pytest.approx(1.0)  # 300 lb at 300 lb/min
    table = desk.ask("table", "m1", "furan", "--from", "60", "--to", "80", "--step", "10", "--box", "300")
    assert [row["sand_temp_c"] for row in table["rows"]] == pytest.approx([(f - 32) / 1.8 for f in (60, 70, 80)])
    assert "70 °F" in desk.type("table", "m1", "furan", "--from", "60", "--to", "80", "--step", "10").stdout
    stopped = desk.ask("stopped", "m1", "furan", "4", "--sand-temp", "70")
    assert stopped["sand_temp_c"] == pytest.approx((70 - 32) / 1.8)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("log", "delivery", "--place", "Silo 2", "--mass", "9"), "did you mean silo_1 (Silo 1)?"),
        (("log", "delivery", "--place", "silo_1", "--mass", "24 tons"), "three meanings"),
        (("log", "delivery", "--place", "silo_1", "--mass", "49,000"), "decimal mark here is '.'"),
        (("log", "delivery", "--place", "silo_1", "--mass", "9", "--at", "31/01/2025 09:00"), "month, day, year"),
        (("log", "temperature", "--what", "mixt sand", "--value", "45"), "did you mean mixed_sand?"),
        (("dose", "m1", "furann", "--sand-temp", "45"), "did you mean furan"),
        (("stock", "--at", "13/01/2025"), "month, day, year"),
    ],
)
def test_what_has_two_meanings_or_none_is_refused(desk: Desk, words: tuple[str, ...], says: str) -> None:
    """Refused with what to write, and nothing is recorded."""
    done = desk.type(*words)
    assert done.exit_code == 2, done.output
    assert says in done.stderr
    assert len(desk.ask("records")["records"]) == 1


def test_a_file_whose_column_has_no_unit_is_refused(desk: Desk) -> None:
    """`mass` alone may be pounds or kilograms: the file is refused with the names to choose from; mass_lb is read."""
    bad = desk.file("delivery.csv", "at,place,mass,by", "01/31/2025 09:00,Silo 1,49000,ida")
    done = desk.type("load", bad)
    assert done.exit_code == 2
    assert "mass_lb" in done.stderr
    good = desk.file("delivery_2.csv", "at,place,mass_lb,by", "01/31/2025 09:00,Silo 1,49000,ida")
    done = desk.type("load", good)
    assert done.exit_code == 0, done.output
    assert "24.5 short tons" in done.output
    assert "first day 2025-01-31, last day 2025-01-31" in done.output
    assert math.isclose(desk.ask("stock")["stock_kg"]["silo_1"]["new_sand"], 49000 * LB)
    assert "known already" in desk.type("load", good).output


def test_lines_in_the_future_are_named(desk: Desk) -> None:
    """A year that was typed wrong shows at the end of the load."""
    late = desk.file("delivery.csv", "at,place,mass_lb,by", "01/31/2199 09:00,Silo 1,49000,ida")
    assert "1 line lies in the future" in desk.type("load", late).output
