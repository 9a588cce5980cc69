"""What surrounds a setting: cold patterns, both clocks, sand temperature from the silos, acid that the sand takes."""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import pytest
from scipy.integrate import quad

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.shop.dosing.words import moulders_words
from sandtrack.trade.cure import CureLaw
from sandtrack.trade.maturity import strip_points_min, time_constant_min

from .reading import codes, text_of

Make = Callable[[dict[str, Any]], Shop]
NOTHING = {"calibration_missing"}  # the small shop's pumps were never caught


# -- pattern and room -----------------------------------------------------------------------------------------------


def test_face_against_a_cold_pattern_strips_last(shop: Shop) -> None:
    """25 °C sand on wood of 5 °C starts at 17 °C (565 and 380: (25·565 + 5·380)/945) and is the one to wait for."""
    plain = shop.setting("m1", "furan", 25, catalyst_pct=35, box_sand_kg=300)
    answer = shop.setting("m1", "furan", 25, catalyst_pct=35, box_sand_kg=300, pattern_temp_c=5, surroundings_c=10)
    point = answer.values["slowest_point"]
    assert point["face_temp_c"] == pytest.approx((25 * 565 + 5 * 380) / 945)
    assert point["slowest"] == "face"
    assert point["face_min"] > point["core_min"] > plain.values["strip_time_min"]
    assert answer.values["strip_time_min"] == pytest.approx(point["face_min"])
    assert answer.values["chance_to_strip"] < plain.values["chance_to_strip"]
    assert answer.ranges["work_time_min"] == plain.ranges["work_time_min"], "the middle is as warm as in the mixer"
    assert answer.values["quickest_point"]["quickest"] == "core"
    # a cube of 300 kg at 1605 kg/m³ has sides of 57.2 cm, a modulus of 9.53 cm
    law = CureLaw(strip_time_min=45, at_temp_c=20, at_lever=35, activation_energy_kj_mol=50.5, exponent=1.45)
    own = strip_points_min(
        law,
        35,
        sand_temp_c=25,
        pattern_temp_c=5,
        surroundings_c=10,
        time_constant_min=time_constant_min(modulus_cm=57.175 / 6),
    )
    assert point["face_min"] == pytest.approx(own.face_min, rel=1e-3)


def test_a_cold_pattern_asks_for_more_acid(shop: Shop) -> None:
    """The smallest setting that strips the slowest point in time is larger; one step less does not serve."""
    warm = shop.setting("m1", "furan", 22, strip_time_min=75)
    cold = shop.setting("m1", "furan", 22, strip_time_min=75, pattern_temp_c=12)
    assert cold.possible
    needed = cold.values["catalyst_pct"]
    assert needed > warm.values["catalyst_pct"]
    less = shop.setting("m1", "furan", 22, strip_time_min=75, pattern_temp_c=12, catalyst_pct=round(needed - 0.1, 1))
    assert "chance_below" in codes(less)
    assert cold.values["slowest_point"]["surroundings_c"] == 12, "the room is taken as warm as the pattern"


WARMTH = 50.5e3 / 8.314462618  # E/R of the starting belief, K
Z80 = NormalDist().inv_cdf(0.9)


def kept_by_hand(temp_c: float) -> tuple[float, float]:
    """Middle strip time at 35 % acid, 45 min at 20 °C, and sd of its logarithm: reference, energy, mould and lot."""
    cold = 1 / (temp_c + 273.15) - 1 / 293.15
    return 45 * math.exp(WARMTH * cold), math.sqrt(0.54**2 + (8e3 / 8.314462618 * cold) ** 2 + 0.115**2 + 0.07**2)


def test_face_against_a_warm_pattern_ends_the_work_time(shop: Shop) -> None:
    """15 °C sand on wood of 40 °C starts at 25.05 °C, and in a room as warm as that stays there.

    By hand: exp(E/R (1/298.20 - 1/288.15)) = 0.491 of the time, so work of 32.2 min is over after 15.8; 0.75 of its
    low end is the longest fill. It strips by the core, which warms a little.
    """
    face_c = (15 * 565 + 40 * 380) / 945
    share = math.exp(WARMTH * (1 / (face_c + 273.15) - 1 / 288.15))
    assert share == pytest.approx(0.491, abs=5e-4)
    middle, sd = kept_by_hand(15)
    plain = shop.setting("m1", "furan", 15, catalyst_pct=35)
    warm = shop.setting("m1", "furan", 15, catalyst_pct=35, pattern_temp_c=40, surroundings_c=face_c)
    work = warm.ranges["work_time_min"]
    by_hand = [0.5 * share * middle * math.exp(side * Z80 * sd) for side in (-1, 0, 1)]
    assert [work.low, work.mid, work.high] == pytest.approx(by_hand)
    assert plain.ranges["work_time_min"].mid == pytest.approx(by_hand[1] / share)
    assert warm.values["fill_within_min"] == pytest.approx(0.75 * by_hand[0])
    points = warm.values["quickest_point"], warm.values["slowest_point"]
    assert points[0]["quickest"] == "face"
    assert points[0]["face_min"] == pytest.approx(by_hand[1])
    assert points[1]["slowest"] == "core"
    assert warm.values["strip_time_min"] == pytest.approx(points[1]["core_min"])
    assert warm.values["strip_time_min"] < plain.values["strip_time_min"]


@pytest.mark.parametrize(("pattern_c", "room_c", "start_c"), [(40, 12, (15 * 565 + 40 * 380) / 945), (15, 38, 15)])
def test_work_time_by_its_own_integral(shop: Shop, pattern_c: float, room_c: float, start_c: float) -> None:
    """At a face that cools, or in a core that warms, each end of the work time is where SciPy's quadrature puts it."""
    tau = float(time_constant_min(modulus_cm=100 * (300 / 1605) ** (1 / 3) / 6))
    middle, sd = kept_by_hand(15)

    def speed(minute: float) -> float:
        now_c = room_c + (start_c - room_c) * math.exp(-minute / tau)
        return math.exp(WARMTH * (1 / 288.15 - 1 / (now_c + 273.15)))

    asked = {"box_sand_kg": 300, "pattern_temp_c": pattern_c, "surroundings_c": room_c}
    work = shop.setting("m1", "furan", 15, catalyst_pct=35, **asked).ranges["work_time_min"]
    for end, side in ((work.low, -1), (work.mid, 0), (work.high, 1)):
        assert quad(speed, 0, end)[0] == pytest.approx(0.5 * middle * math.exp(side * Z80 * sd), rel=1e-9)


def test_a_warm_pattern_leaves_less_time_to_fill(shop: Shop) -> None:
    """A box that fits on a pattern as warm as the sand does not on one of 45 °C; what is offered instead fits there."""
    asked: dict[str, Any] = {"strip_time_min": 90, "box_sand_kg": 900, "surroundings_c": 18}
    assert shop.setting("m1", "furan", 18, pattern_temp_c=18, **asked).possible
    warm = shop.setting("m1", "furan", 18, pattern_temp_c=45, **asked)
    assert not warm.possible
    assert "at the face, against a pattern of 45.0 °C" in warm.because
    assert any(way.startswith("pattern and room brought to the temperature of the sand") for way in warm.instead)
    allowed = float(warm.instead[0].split()[1])
    again = shop.setting("m1", "furan", 18, pattern_temp_c=45, **{**asked, "strip_time_min": allowed})
    assert again.possible
    assert again.values["work_time_used_share"] <= 0.75
    assert again.values["work_time_used_share"] == pytest.approx(6 / again.ranges["work_time_min"].low)


def test_time_constant_of_the_mould_can_be_given(shop: Shop) -> None:
    """Of 1e9 min nothing drifts and the core strips as in the mixer; of 0.001 all is at once as warm as the room."""
    asked: dict[str, Any] = {"catalyst_pct": 35, "pattern_temp_c": 20, "surroundings_c": 8}
    still = shop.setting("m1", "furan", 20, time_constant_min=1e9, **asked)
    assert still.values["strip_time_min"] == pytest.approx(45)
    thin = shop.setting("m1", "furan", 20, time_constant_min="0.001 min", **asked)
    in_the_room = math.exp(WARMTH * (1 / 281.15 - 1 / 293.15))
    assert thin.values["strip_time_min"] == pytest.approx(45 * in_the_room, rel=1e-4)
    assert thin.values["work_time_min"] == pytest.approx(22.5), "filling never counts on sand that cools"
    (basis,) = [entry for entry in still.basis if entry.what == "slowest and quickest point"]
    assert (basis.tag, "as asked" in basis.value) == ("record", True)
    assert shop.setting("m1", "furan", 20, box_sand_kg=300, **asked).values["slowest_point"]["time_constant_min"] == (
        pytest.approx(time_constant_min(modulus_cm=57.175 / 6), rel=1e-3)
    )


def test_time_constant_alone_is_a_wrong_question(shop: Shop) -> None:
    """How fast a mould drifts says nothing without what it drifts to; nor is there one of no time."""
    for asked in ({"time_constant_min": 400}, {"time_constant_min": 0, "pattern_temp_c": 5}):
        with pytest.raises(InputErrors, match="time_constant_min"):
            shop.setting("m1", "furan", 20, **asked)  # type: ignore[arg-type]


def test_pattern_as_warm_as_the_sand_changes_nothing(shop: Shop) -> None:
    """Sand, pattern and room of one temperature: core and face strip alike, as without them."""
    plain = shop.setting("m1", "furan", 20, catalyst_pct=35)
    same = shop.setting("m1", "furan", 20, catalyst_pct=35, pattern_temp_c=20, surroundings_c=20)
    assert same.values["strip_time_min"] == pytest.approx(plain.values["strip_time_min"], rel=1e-6)
    assert same.values["slowest_point"]["core_min"] == pytest.approx(same.values["slowest_point"]["face_min"])


def test_pattern_that_cannot_be_is_a_wrong_question(shop: Shop) -> None:
    """A pattern of 90 °C is a slip of the pen."""
    with pytest.raises(InputErrors, match="pattern_temp_c"):
        shop.setting("m1", "furan", 20, pattern_temp_c=90)


# -- two clocks -----------------------------------------------------------------------------------------------------


def test_both_clocks_are_told(shop: Shop) -> None:
    """600 kg at 150 kg/min fill in 4 min: strip by 4 + its time on the clock of the first sand."""
    answer = shop.setting("m1", "furan", 20, box_sand_kg=600)
    assert answer.values["strip_after_first_sand_min"] == pytest.approx(4 + answer.values["strip_time_min"])
    # 37.4 min: 35 to the nearest five; with the fill 41.4, told as 45
    assert answer.values["say"] == (
        "35 minutes from the last sand, could be 15 to 80; filled in 4, so 45 from the first; test, then draw"
    )
    assert "strip_after_first_sand_min" not in shop.setting("m1", "furan", 20).values


def test_long_times_are_told_in_hours() -> None:
    """Beyond three hours both clocks are hours and minutes."""
    assert moulders_words((190, 200, 260), 20) == (
        "3 h 20 min from the last sand, could be 3 h 10 min to 4 h 20 min; filled in 20 min, so 3 h 40 min from the "
        "first; test, then draw"
    )


# -- sand temperature from the silos --------------------------------------------------------------------------------


def silo(shop: Shop, place: str, value_c: float, at: str = "2025-03-03 07:30") -> None:
    """Record the temperature of a silo's sand."""
    shop.log("temperature", {"at": at, "what": "place", "place": place, "value_c": value_c}, sender="vera")


def test_sand_temperature_is_estimated_from_the_silos(shop: Shop) -> None:
    """80 % at 20 °C and 20 % at 5 °C: nearly 17 °C, a little above as warm quartz holds more; flagged as estimated."""
    silo(shop, "silo_f", 20)
    assert not shop.setting("m1", "furan").possible, "one of two silos is not enough"
    silo(shop, "silo_new", 5)
    answer = shop.setting("m1", "furan")
    assert answer.values["sand_temp_c"] == pytest.approx(17.0, abs=0.1)
    assert "80 % from Furan silo at 20.0 °C" in text_of(answer, "sand_temp_estimated")
    (basis,) = [entry for entry in answer.basis if entry.what == "sand temperature"]
    assert basis.tag == "derived"


def test_a_reading_of_mixed_sand_goes_before_an_estimate(shop: Shop) -> None:
    """Read at the mixer, the silos are not asked; and a silo read yesterday morning counts no more."""
    silo(shop, "silo_f", 20)
    silo(shop, "silo_new", 5)
    read = {"at": "2025-03-03 07:00", "what": "mixed_sand", "mixer": "m1", "value_c": 14}
    shop.log("temperature", read, sender="vera")
    answer = shop.setting("m1", "furan")
    assert answer.values["sand_temp_c"] == 14
    assert "sand_temp_estimated" not in codes(answer)
    assert not shop.setting("m1", "furan", at="2025-03-04 07:31").possible


def test_no_estimate_where_the_sand_drawn_is_not_told(make_shop: Make, content: dict[str, Any]) -> None:
    """Of two silos without their shares, or of no silo at all: neither a temperature nor an acid demand is made up."""
    del content["binder_systems"]["furan"]["reclaimed_share"]
    content["binder_systems"]["ester"]["reclaimed_share"] = 0
    content["mixers"]["m1"]["draws"]["ester"] = {}
    shop = make_shop(content)
    silo(shop, "silo_f", 20)
    silo(shop, "silo_new", 5)
    acid_test(shop, "silo_new", 40)
    for system in ("furan", "ester"):
        assert "temperature of the mixed sand is not given" in shop.setting("m1", system).because
    assert "acid_demand" not in codes(shop.setting("m1", "furan", 20))


# -- acid demand ----------------------------------------------------------------------------------------------------


def acid_test(shop: Shop, place: str, demand_ml: float, at: str = "2025-03-01 09:00") -> None:
    """Record an acid demand by the laboratory."""
    content = {"at": at, "test": "acid_demand", "sample": {"place": place}, "results": {"acid_demand_ml": demand_ml}}
    shop.log("sand_test", content, sender="sonja")


def test_sand_that_takes_acid_is_flagged(shop: Shop) -> None:
    """0.2·10 + 0.8·2 = 3.6 ml at 1 % resin: up to 3.6·2e-3·172.2/0.65/10·100 = 19 % of resin, above 15 % of 35."""
    acid_test(shop, "silo_new", 10)
    assert "acid_demand" not in codes(shop.setting("m1", "furan", 20)), "the other sand's is not known"
    acid_test(shop, "silo_f", 2)
    text = text_of(shop.setting("m1", "furan", 20), "acid_demand")
    assert text.startswith("the sand's acid demand, 3.6 ml (")
    assert "could take up to 19 % of resin in acid, of the usual 35 %" in text
    assert codes(shop.setting("m1", "ester", 20)) == NOTHING, "an ester cure takes no acid"


def test_sand_that_brings_acid_is_flagged(shop: Shop) -> None:
    """0.2·3 - 0.8·4 = -2.6 ml is legal: -13.8 % of resin, more than 15 % of 35 (5.25 %)."""
    acid_test(shop, "silo_new", 3)
    acid_test(shop, "silo_f", -4)
    answer = shop.setting("m1", "furan", 20)
    assert answer.possible
    assert "brings acid along, a demand of -2.6 ml" in text_of(answer, "acid_in_sand")
    assert "up to 14 % of resin" in text_of(answer, "acid_in_sand")


def test_little_or_old_acid_demand_says_nothing(shop: Shop) -> None:
    """0.2·3 - 0.8·0.5 = 0.2 ml is nothing; the newest test of a silo counts, and none older than 60 days."""
    acid_test(shop, "silo_new", 40, at="2025-01-01 09:00")
    acid_test(shop, "silo_f", 40, at="2025-01-01 09:00")
    assert codes(shop.setting("m1", "furan", 20)) == NOTHING
    acid_test(shop, "silo_new", 3)
    acid_test(shop, "silo_f", -0.5)
    assert codes(shop.setting("m1", "furan", 20)) == NOTHING


def test_acid_demand_outside_the_shops_limit(make_shop: Make, content: dict[str, Any]) -> None:
    """New sand of 6 ml where 5 is the most: flagged by itself, with the test."""
    content["materials"]["new_sand"]["limits"] = {"acid_demand_ml": {"max": 5.0}}
    shop = make_shop(content)
    acid_test(shop, "silo_new", 6)
    assert "acid demand of New sand silo is 6.0 ml, outside at most 5" in text_of(
        shop.setting("m1", "furan", 20), "acid_demand_outside"
    )
