"""Where a catalyst cannot do it: another one that the mixer has a pump for, with figures by its own strip times."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from sandtrack import Shop

from .test_pumped import caught
from .test_setting import Z80, chance_by_hand, ester_by_hand, strip_by_hand

Make = Callable[[dict[str, Any]], Shop]


@pytest.fixture
def with_acid(make_shop: Make, content: dict[str, Any]) -> Callable[..., Shop]:
    """Make the small shop with a second acid on the large mixer, of which another time is known at 20 °C and 35 %."""

    def make(strip_time_min: float | None) -> Shop:
        content["materials"]["acid_2"] = {"name": "Other acid", "kind": "catalyst", "density_kg_m3": 1300}
        content["places"]["tank_acid_2"] = {"name": "Other acid tank", "kind": "tank", "material": "acid_2"}
        content["binder_systems"]["furan"]["sand_window_c"] = [0, 45]
        other = {**content["binder_systems"]["furan"], "name": "Furan, other acid", "catalyst": "acid_2"}
        del other["reference"]
        if strip_time_min is not None:
            known = {"strip_time_min": strip_time_min, "temp_c": 20, "catalyst_pct": 35, "definition": "hand"}
            other["reference"] = known
        content["binder_systems"]["furan_2"] = other
        mixer = content["mixers"]["m1"]
        mixer["binder_systems"].append("furan_2")
        mixer["draws"]["furan_2"] = {**mixer["draws"]["furan"], "catalyst": "tank_acid_2"}
        return make_shop(content)

    return make


def by_hand(at: float, temp_c: float, acid_pct: float) -> tuple[float, float]:
    """Middle and sd of furan with an acid that strips in so many minutes at 20 °C and 35 %."""
    distance = math.log(acid_pct / 35)
    return strip_by_hand(at=at, temp_c=temp_c, pull=1.45 * distance, distance=distance, slope_sd=0.45)


def smallest(at: float, temp_c: float, by_min: float) -> float:
    """Smallest tenth of a percent that strips with 80 % chance."""
    tenths = range(200, 501)
    return next(pct / 10 for pct in tenths if chance_by_hand(*by_hand(at, temp_c, pct / 10), by_min) >= 0.8)


def test_a_stronger_acid_of_the_mixer_with_its_figures(with_acid: Callable[..., Shop]) -> None:
    """60 min at 8 °C is too much for an acid of 45 min; one of 20 min does it, at the setting worked out by hand."""
    shop = with_acid(20)
    answer = shop.setting("m1", "furan", 8)
    assert not answer.possible
    acid_pct = smallest(20, 8, 60)
    chance = chance_by_hand(*by_hand(20, 8, acid_pct), 60)
    assert answer.instead[-1] == (
        f"Furan, other acid, by its own strip times: {acid_pct:g} % acid ({0.015 * acid_pct:.3g} kg/min of Other "
        f"acid), stripped by 60 min with {math.floor(100 * chance)} % chance; only with a test piece in this sand"
    )
    assert shop.setting("m1", "furan_2", 8).values["nearest"]["catalyst_pct"] == acid_pct


def test_the_other_pump_on_its_own_scale(with_acid: Callable[..., Shop]) -> None:
    """Where the other acid's pump was caught, at 0.01 kg/min a unit, its setting is told too."""
    shop = with_acid(20)
    for setting in (10, 80):
        caught(shop, "furan_2_catalyst", setting, (0.01 * setting,) * 2)
    acid_pct = smallest(20, 8, 60)
    told = f"({0.015 * acid_pct:.3g} kg/min of Other acid, setting {1.5 * acid_pct:.4g})"
    assert told in shop.setting("m1", "furan", 8).instead[-1]


def test_a_weaker_acid_where_the_sand_is_too_quick(with_acid: Callable[..., Shop]) -> None:
    """1500 kg of 40 °C sand take 10 min: the least of the own acid is too quick, the other of 240 min has the time."""
    shop = with_acid(240)
    answer = shop.setting("m1", "furan", 40, box_sand_kg=1500, strip_time_min=120)
    assert answer.because.startswith("the fill takes 10 min, and at 20 % acid")
    acid_pct = smallest(240, 40, 120)
    middle, sd = by_hand(240, 40, acid_pct)
    longest = 0.75 * 0.5 * middle * math.exp(-Z80 * sd)
    assert longest > 10
    assert answer.instead[-1].startswith(f"Furan, other acid, by its own strip times: {acid_pct:g} % acid")
    assert f"filled in 10 min where it may take {math.floor(longest)} min" in answer.instead[-1]


def test_between_two_acids_no_split_is_made_up(with_acid: Callable[..., Shop]) -> None:
    """One acid too slow at its most, the other too quick at its least: the two ends, test pieces, nobody by hand."""
    shop = with_acid(3)
    answer = shop.setting("m1", "furan", 8, box_sand_kg=1200)
    assert answer.because.startswith("with sand at 8.0 °C no setting inside the window")
    alone, both = [way for way in answer.instead if "acid alone" in way or "other acid" in way]
    assert alone.startswith("Furan, other acid does not serve by itself either: 20 % acid (0.3 kg/min of Other acid)")
    assert both == (
        "both acids at once by the mixer's own two pumps, between 0.75 kg/min of Acid alone and 0.3 kg/min of Other "
        "acid alone: no strip time of such a blend is known, so no split is told; test pieces first, checked as a "
        "binder system of its own; nobody mixes concentrated acids by hand"
    )


def test_two_acids_that_are_both_too_slow(with_acid: Callable[..., Shop]) -> None:
    """The other's most is told with its chance, and nothing lies between."""
    answer = with_acid(40).setting("m1", "furan", 2, strip_time_min=30)
    chance = chance_by_hand(*by_hand(40, 2, 50), 30)
    assert answer.instead[-1] == (
        "Furan, other acid does not serve by itself either: 50 % acid (0.75 kg/min of Other acid), stripped by 30 min "
        f"with {math.floor(100 * chance)} % chance"
    )


def test_an_acid_that_may_not_be_used_is_not_offered(with_acid: Callable[..., Shop]) -> None:
    """Its tank held: said instead of a setting."""
    shop = with_acid(20)
    hold = {"at": "2025-03-03 07:00", "place": "tank_acid_2", "reason": "smells odd"}
    shop.log("hold", hold, sender="ida", id="h1")
    assert shop.setting("m1", "furan", 8).instead[-1] == (
        "Furan, other acid: not now, Other acid tank is blocked since 3 Mar 2025 07:00: held: smells odd (hold h1)"
    )


def test_an_acid_of_which_nothing_is_known(with_acid: Callable[..., Shop]) -> None:
    """No reference: no figures, but what to add."""
    assert with_acid(None).setting("m1", "furan", 8).instead[-1] == (
        "Furan, other acid: no strip time of it is known, so add its reference to [binder_systems.furan_2] of the "
        "set-up"
    )


def test_another_pair_of_grades(make_shop: Make, content: dict[str, Any]) -> None:
    """An ester system of the same resin with quicker grades is told with its share and both its flows."""
    content["binder_systems"]["ester"]["sand_window_c"] = [0, 45]
    content["materials"] |= {"ester_3": {"kind": "hardener", "name": "Third ester", "density_kg_m3": 1120}}
    quick = {
        **content["binder_systems"]["ester"],
        "name": "Quick ester",
        "grades": {"slow": "ester_q", "fast": "ester_3"},
    }
    quick["reference"] = {**quick["reference"], "strip_time_min": 20}
    content["binder_systems"]["quick"] = quick
    content["mixers"]["m1"]["binder_systems"].append("quick")
    answer = make_shop(content).setting("m1", "ester", 5, strip_time_min=60)
    assert not answer.possible

    def chance(share: float) -> float:
        middle, sd = ester_by_hand(5, share)
        return chance_by_hand(middle * 20 / 50, sd, 60)

    share = next(step * 0.05 for step in range(21) if chance(step * 0.05) >= 0.8)
    ester = 2.4 * 0.25  # kg/min
    fast = f"{100 * share:.0f} %"
    assert answer.instead[-1] == (
        f"Quick ester, by its own strip times: {fast} of the fast grade ({ester * (1 - share):.3g} kg/min of Fast "
        f"ester and {ester * share:.3g} kg/min of Third ester), stripped by 60 min with "
        f"{math.floor(100 * chance(share))} % chance; only with a test piece in this sand"
    )
