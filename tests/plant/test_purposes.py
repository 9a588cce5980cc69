"""What mixes of one purpose have of their own in a set-up: read as the binder system's fields are, the rest its."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sandtrack_api import describing

from sandtrack import Shop
from sandtrack.cli import main
from sandtrack.errors import InputErrors
from sandtrack.plant import Plant
from sandtrack.report import text

TOML = """
[shop]
name = "Test"
time_zone = "Europe/Stockholm"
valid_from = 2025-01-01

[materials]
resin = { kind = "resin" }
acid = { kind = "catalyst" }
slow = { kind = "hardener" }
fast = { kind = "hardener" }

[binder_systems.furan]
family = "furan_acid"
resin = "resin"
catalyst = "acid"
resin_pct = 1.0
resin_window_pct = [0.8, 1.2]
reclaimed_share = 0.8
usual_strip_min = 60

[binder_systems.furan.facing]
resin_pct = 1.1
reclaimed_share = 0.6

[binder_systems.furan.core]
resin_pct = 1.4
resin_window_pct = [1.2, 1.6]
usual_strip = "1.5 h"

[binder_systems.ester]
family = "alkaline_phenolic_ester"
resin = "resin"
grades = { slow = "slow", fast = "fast" }
resin_pct = 1.6
facing = { fast_share = 0.2 }
"""


@pytest.fixture
def content() -> dict[str, Any]:
    """The set-up as TOML has it."""
    return tomllib.loads(TOML, parse_float=Decimal)


def test_own_fields_stand_in_place_of_the_systems(content: dict[str, Any]):
    """What is stated for a purpose holds for it alone, in any spelling of the field; the rest is the system's."""
    furan = Plant.read(content).binder_systems["furan"]
    facing, core = furan.of("facing"), furan.of("core")
    assert (facing.resin_pct, facing.reclaimed_share, facing.usual_strip_min) == (1.1, 0.6, 60)
    assert facing.resin_window_pct == (0.8, 1.2)
    assert (core.resin_pct, core.resin_window_pct, core.usual_strip_min) == (1.4, (1.2, 1.6), 90)
    assert core.reclaimed_share == 0.8
    assert dict(furan.own("facing")) == {"resin_pct": 1.1, "reclaimed_share": 0.6}


@pytest.mark.parametrize("purpose", [None, "whole", "backing"])
def test_the_rest_goes_by_the_system(content: dict[str, Any], purpose: str | None):
    """Whole moulds, a purpose that is not told, and one without a table have nothing of their own."""
    furan = Plant.read(content).binder_systems["furan"]
    assert furan.of(purpose) == furan
    assert not furan.own(purpose)


def test_amounts_are_held_against_the_windows_of_their_purpose(content: dict[str, Any]):
    """Where one of the two is stated for a purpose; a fault of the system's own is told once, where it stands."""
    bad = deepcopy(content)
    del bad["binder_systems"]["furan"]["core"]["resin_window_pct"]  # 1.4 against the system's 0.8 to 1.2
    bad["binder_systems"]["furan"]["backing"] = {"catalyst_window_pct": [20, 30]}
    bad["binder_systems"]["furan"]["catalyst_pct"] = 35
    bad["binder_systems"]["ester"] |= {"resin_window_pct": [1, 1.5]}
    with pytest.raises(InputErrors) as caught:
        Plant.read(bad)
    assert [(problem.field, problem.value) for problem in caught.value.problems] == [
        ("binder_systems.furan.backing.catalyst_pct", 35),
        ("binder_systems.furan.core.resin_pct", 1.4),
        ("binder_systems.ester.resin_pct", 1.6),
    ]


def test_they_are_described_as_the_systems_fields_are():
    """The schema of a set-up has the same fields for a purpose as for the system, and none is required."""
    systems = describing.set_up()["properties"]["binder_systems"]["additionalProperties"]["properties"]
    for purpose in ("facing", "backing", "core"):
        own = systems[purpose]
        assert own["additionalProperties"] is False
        assert "required" not in own
        assert {"resin_pct", "catalyst_window_pct", "fast_share", "usual_strip", "usual_strip_h"} <= set(
            own["properties"]
        )
        assert all(field == systems[name] for name, field in own["properties"].items())
    assert systems["facing"]["description"].startswith("what facing mixes have of their own")


def test_they_are_kept_shown_and_written_out(tmp_path: Path, content: dict[str, Any]):
    """A shop made from such a set-up keeps them; `plant show` has a row for each, `plant export` the same tables."""
    toml, file = tmp_path / "plant.toml", tmp_path / "shop.sandtrack"
    toml.write_text(TOML)
    assert CliRunner().invoke(main, ["init", "--shop", str(file), str(toml)]).exit_code == 0
    out = CliRunner().invoke(main, ["plant", "export", "--shop", str(file)])
    assert out.exit_code == 0
    written = tomllib.loads(out.output, parse_float=Decimal)["binder_systems"]
    assert written == content["binder_systems"]
    with Shop.open(file) as shop:
        shown = text.plant(shop.plant()).splitlines()
    assert [line.split() for line in shown if "furan (furan)" in line] == [
        ["furan", "(furan)", "furan_acid", "1", "%", "80", "%", "amount", "of", "catalyst"],
        ["furan", "(furan),", "facing", "furan_acid", "1.1", "%", "60", "%", "amount", "of", "catalyst"],
        ["furan", "(furan),", "core", "furan_acid", "1.4", "%", "80", "%", "amount", "of", "catalyst"],
    ]
