"""As many streams of a mix as a mixer has can be typed: two sands, two parts, two catalysts, and more."""

from __future__ import annotations

from pathlib import Path

import pytest

from sandtrack.records import flat

from .desks import Desk

SANDS = ("new", "reclaimed", "chromite")
LIQUIDS = ("part_1", "part_2", "amine_s", "amine_f")
PLANT = """
[shop]
name = "Test"
time_zone = "Europe/Stockholm"
valid_from = 2025-01-01

[binder_systems.pu]
family = "phenolic_urethane"
part_1 = "part_1"
part_2 = "part_2"
catalysts = { slow = "amine_s", fast = "amine_f" }
fast_share = 0.5
resin_pct = 1.2

[mixers.m1]
sand_kg_min = 60
binder_systems = ["pu"]

[materials]
""" + "\n".join(
    [
        *(f'{name} = {{ kind = "sand" }}' for name in SANDS),
        *(f'{name} = {{ kind = "resin" }}' for name in LIQUIDS),
        "[places]",
        *(f'{name} = {{ kind = "silo", material = "{name}" }}' for name in SANDS),
        *(f'{name} = {{ kind = "tank", material = "{name}" }}' for name in LIQUIDS),
    ]
)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A urethane of two parts and two amines on three sands: seven streams."""
    return Desk(tmp_path, PLANT)


def test_seven_streams_as_options_and_in_a_file(desk: Desk) -> None:
    """All seven are booked, in the order typed."""
    streams = [(name, 10 + number) for number, name in enumerate((*SANDS, *LIQUIDS))]
    options = []
    for number, (place, mass) in enumerate(streams, 1):
        options += [f"--stream{number}-place", place, f"--stream{number}-mass-kg", str(mass)]
    done = desk.type("log", "mix", "--mixer", "m1", "--binder-system", "pu", "--moulds", "1", *options)
    assert done.exit_code == 0, done.output
    assert [(one["place"], one["mass_kg"]) for one in desk.last()["streams"]] == streams
    names = [f"stream{number}_{part}" for number in range(1, 8) for part in ("place", "mass_kg")]
    cells = [str(part) for stream in streams for part in stream]
    path = desk.file("mix.csv", ",".join(["at", "by", "mixer", "binder_system", "moulds", *names]),
                     ",".join(["2025-03-03 08:00", "ida", "m1", "pu", "2", *cells]))  # fmt: skip
    assert desk.type("load", path).exit_code == 0
    assert desk.ask("stock", "--at", "2025-03-04")["stock_kg"]["amine_f"] == {"amine_f": -16}


def test_a_template_has_room_for_a_urethane_on_two_sands() -> None:
    """New, reclaimed, two parts, two catalysts: six streams stand in the empty file; the help names as many."""
    assert "stream6_mass_kg" in flat.template("mix")
    assert "catch3_mass_kg" in flat.template("calibration")
