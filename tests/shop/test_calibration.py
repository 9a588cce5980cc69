"""What calibrations of a mixer say, by hand: rate, range, setting, drift, what it does to the mix, and when due."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.shop import Answer
from sandtrack.shop.mixers.pumps import sessions
from sandtrack.shop.picture import picture

MakeShop = Callable[[dict[str, Any]], Shop]
EVERY_WEEK = {
    "calibrate_every_days": 7,
    "sand_tolerance_pct": 4,
    "resin_tolerance_pct": 3,
    "catalyst_tolerance_pct": 4,
}


@pytest.fixture
def shop(make_shop: MakeShop, content: dict[str, Any]) -> Shop:
    """The small shop with tolerances; mixer m2 puts through 60 kg/min of furan sand, 80 % of it reclaimed."""
    content["mixers"]["m2"] |= EVERY_WEEK
    return make_shop(content)


def caught(shop: Shop, at: str, stream: str, setting: float, grams: tuple[float, ...], seconds: float = 60) -> None:
    """Log a calibration of m2: so many grams in so many seconds each."""
    catches = [{"seconds": seconds, "mass_kg": str(mass / 1000)} for mass in grams]
    content = {"mixer": "m2", "stream": stream, "setting": setting, "catches": catches, "at": at}
    shop.log("calibration", content, sender="lab", id=f"{at}{stream}{setting}")


def mixed(shop: Shop, at: str, temp_c: float, lot: str, resin: str = "tank_resin_f") -> None:
    """Log a mix of m2."""
    streams = [
        {"place": "silo_new", "mass_kg": "20"},
        {"place": "silo_f", "mass_kg": "80"},
        {"place": resin, "mass_kg": "1", "lot": lot},
        {"place": "tank_acid", "mass_kg": "0.35"},
    ]
    content = {"mixer": "m2", "binder_system": "furan", "moulds": [at], "sand_temp_c": temp_c, "streams": streams}
    shop.log("mix", content | {"at": at}, sender="m2", id=at)


def codes(answer: Answer) -> list[str]:
    """Codes of the flags, in order."""
    return [flag.code for flag in answer.flags]


def test_one_setting_by_hand(shop: Shop) -> None:
    """Mean, range by Student's t and the setting in proportion, with the range of a ratio (derived, by hand)."""
    # 0.59, 0.60, 0.61 kg/min: mean 0.60, sd 0.01, t(0.975; 2) 4.3027, reach 4.3027·0.01/√3 = 0.024842
    caught(shop, "2025-03-03 07:00", "resin", 50, (590, 600, 610))
    answer = shop.calibration("m2", "2025-03-03 08:00")
    one = answer.values["streams"]["resin"]
    assert one["rate_kg_min"] == pytest.approx(0.60)
    assert one["largest_pct"] == pytest.approx(1.6667, abs=1e-3)
    assert one["steady"] is True
    span = answer.ranges["rate_kg_min.resin"]
    assert (span.low, span.high) == pytest.approx((0.575158, 0.624842), abs=1e-5)
    # 1.0 % of 60 kg/min is 0.60 kg/min: the setting is 50, from 50·0.6/0.624842 to 50·0.6/0.575158
    assert one["wanted"]["furan"]["kg_min"] == pytest.approx(0.60)
    span = answer.ranges["setting.resin.furan"]
    assert (span.low, span.mid, span.high) == pytest.approx((48.0121, 50.0, 52.1596), abs=1e-3)
    assert any(basis.tag == "default" and "proportional" in basis.value for basis in answer.basis)


def test_a_line_through_several_settings(shop: Shop) -> None:
    """Rate and setting are read off the line through the day's catches, its Fieller range stated (derived)."""
    for setting, grams in ((20, (1000, 1100)), (40, (2100, 2000)), (60, (3000, 3100))):
        caught(shop, f"2025-03-03 07:{setting - 10}", "resin", setting, grams)
    answer = shop.calibration("m2", "2025-03-03 08:00")
    one = answer.values["streams"]["resin"]
    # Means 1.05, 2.05, 3.05 at 20, 40, 60: slope 0.05, intercept 0.05
    assert one["line"] == pytest.approx({"intercept_kg_min": 0.05, "slope_kg_min": 0.05})
    assert one["settings"] == [20, 40, 60]
    assert one["rate_kg_min"] == pytest.approx(3.05)
    with picture(shop.ledger, "2025-03-03 08:00") as seen:
        found = sessions(seen, "m2")["resin"][-1].setting_for(2.5)
    # The module's own example of the trade: 49.0 (47.5 to 50.7)
    assert found is not None
    assert (found.value, found.low, found.high) == pytest.approx((49.0, 47.5, 50.7), abs=0.05)
    assert found.inside


def test_a_mixer_never_caught_is_a_no(shop: Shop) -> None:
    """Where no calibration is recorded the question is answered no."""
    answer = shop.calibration("m2")
    assert not answer.possible
    assert "no calibration of Small mixer" in answer.because


def test_drift_and_what_it_does_to_the_mix(shop: Shop) -> None:
    """Resin 3 % up and sand 5 % down make 8.42 % more resin on sand: 1.03 / 0.95 (derived)."""
    for at, resin, new, back in (("2025-03-03 07:00", 600, 12000, 48000), ("2025-03-10 07:00", 618, 11400, 45600)):
        caught(shop, at, "resin", 50, (resin,) * 3)
        caught(shop, at, "new_sand", 40, (new,) * 3)
        caught(shop, at, "reclaimed_sand", 60, (back,) * 3)
    answer = shop.calibration("m2", "2025-03-10 08:00")
    streams = answer.values["streams"]
    assert [streams[name]["drift_pct"] for name in ("resin", "new_sand")] == pytest.approx([3.0, -5.0])
    assert answer.values["ratio_error_pct"]["furan"]["resin_on_sand"] == pytest.approx(8.4211, abs=1e-3)
    assert answer.values["ratio_error_pct"]["furan"]["catalyst_on_resin"] is None
    # On the tolerance is within: resin 3 % at 3 % is no flag, sand 5 % at 4 % is.
    assert codes(answer) == ["calibration_drift", "calibration_drift"]
    assert {flag.subject for flag in answer.flags} == {"new_sand", "reclaimed_sand"}


def test_catches_that_lie_apart(shop: Shop) -> None:
    """A catch 5 % from the mean, at a tolerance of 3 %, is raised."""
    caught(shop, "2025-03-03 07:00", "resin", 50, (570, 600, 630))
    assert codes(shop.calibration("m2", "2025-03-03 08:00")) == ["catches_apart"]


def test_what_the_set_up_or_the_catches_do_not_tell(make_shop: MakeShop, content: dict[str, Any]) -> None:
    """No tolerance, and 10 % more setting for the same rate: both told, each with what to do."""
    shop = make_shop(content)
    caught(shop, "2025-03-03 07:00", "resin", 50, (600, 610))
    caught(shop, "2025-03-03 07:10", "resin", 55, (600, 610))
    assert [(flag.code, flag.text.split(": ")[1]) for flag in shop.calibration("m2").flags] == [
        ("tolerance_missing", "add resin_tolerance_pct to [mixers.m2]"),
        ("no_range", "catch again, at settings further apart"),
    ]


def test_due_every_seven_days(shop: Shop) -> None:
    """Due on the seventh day, and overdue from the day after on."""
    caught(shop, "2025-03-03 07:00", "resin", 50, (600, 600, 600))
    on_time, late = shop.calibration("m2", "2025-03-10 20:00"), shop.calibration("m2", "2025-03-11 08:00")
    assert (on_time.values["due_on"], on_time.values["overdue"]) == ("2025-03-10", False)
    assert (late.values["overdue"], codes(late)) == (True, ["calibration_overdue"])


def test_another_lot_and_another_season(shop: Shop) -> None:
    """A new lot of resin, and sand 11 °C warmer than at the calibration, are reasons to catch again; 9 °C is not."""
    mixed(shop, "2025-03-03 06:30", 8.0, "L1")
    caught(shop, "2025-03-03 07:00", "resin", 50, (600, 600, 600))
    mixed(shop, "2025-03-04 09:00", 17.0, "L1")
    assert shop.calibration("m2", "2025-03-04 12:00").values["recalibrate"] == []
    mixed(shop, "2025-03-05 09:00", 19.0, "L2")
    answer = shop.calibration("m2", "2025-03-05 12:00")
    assert answer.values["recalibrate"] == [
        "resin draws lot L2 since 5 Mar 2025, L1 before it was caught",
        "all streams: caught with sand of 8 °C, now 19 °C (5 Mar 2025)",
    ]
    assert codes(answer) == ["recalibrate"]


def test_cold_resin(shop: Shop) -> None:
    """Resin read at 9 °C since the calibration is a reason; warm again, it is none."""
    caught(shop, "2025-03-03 07:00", "resin", 50, (600, 600, 600))
    for hour, value in ((9, 9), (12, 18)):
        reading = {"what": "resin", "value_c": value, "at": f"2025-03-03 {hour:02}:00"}
        shop.log("temperature", reading, sender="lab", id=f"t{hour}")
    assert shop.calibration("m2", "2025-03-03 10:00").values["recalibrate"] == [
        "resin was at 9 °C on 3 Mar 2025: thick, so that pumps deliver less"
    ]
    assert shop.calibration("m2", "2025-03-03 13:00").values["recalibrate"] == []


def test_resin_caught_cold_is_no_reason_until_it_moves(shop: Shop) -> None:
    """Caught at 9 °C, resin at 8 °C is none; at 20 °C it is, 11 °C warmer."""
    for at, value in (("2025-03-03 06:50", 9), ("2025-03-04 07:00", 8), ("2025-03-05 07:00", 20)):
        shop.log("temperature", {"what": "resin", "value_c": value, "at": at}, sender="lab", id=at)
    caught(shop, "2025-03-03 07:00", "resin", 50, (600, 600, 600))
    assert shop.calibration("m2", "2025-03-04 12:00").values["recalibrate"] == []
    assert shop.calibration("m2", "2025-03-05 12:00").values["recalibrate"] == [
        "resin was at 20 °C on 5 Mar 2025, 9 °C when it was caught: pumps deliver otherwise"
    ]


def test_another_grade_from_another_tank(shop: Shop, content: dict[str, Any]) -> None:
    """A set-up that lets the mixer draw another resin from another tank is a reason once that is drawn."""
    mixed(shop, "2025-03-03 06:30", 8.0, "L1")
    caught(shop, "2025-03-03 07:00", "resin", 50, (600, 600, 600))
    content["shop"]["valid_from"] = "2025-03-04"
    content["materials"]["resin_g"] = {"name": "Furan resin, cold", "kind": "resin", "density_kg_m3": 1190}
    content["places"]["tank_resin_g"] = {"name": "Cold resin tank", "kind": "tank", "material": "resin_g"}
    content["mixers"]["m2"]["draws"]["furan"]["resin"] = "tank_resin_g"
    shop.log("plant", content, sender="lab", id="colder")
    assert shop.calibration("m2", "2025-03-04 08:00").values["recalibrate"] == []
    mixed(shop, "2025-03-05 06:30", 8.0, "K1", resin="tank_resin_g")
    assert shop.calibration("m2", "2025-03-05 12:00").values["recalibrate"] == [
        "resin draws Furan resin, cold since 5 Mar 2025"
    ]


def test_the_season_of_each_stream(shop: Shop) -> None:
    """A stream caught in the cold is named, those caught since are not."""
    mixed(shop, "2025-01-13 06:30", 8.0, "L1")
    caught(shop, "2025-01-13 07:00", "new_sand", 40, (12000,) * 3)
    mixed(shop, "2025-02-24 06:30", 20.0, "L1")
    caught(shop, "2025-02-24 07:00", "resin", 50, (600,) * 3)
    assert shop.calibration("m2", "2025-02-24 12:00").values["recalibrate"] == [
        "new sand: caught with sand of 8 °C, now 20 °C (24 Feb 2025)"
    ]


def test_every_setting_is_judged_and_the_line_for_straightness(shop: Shop) -> None:
    """At 20 two catches lie 5 % from their mean, and that mean 7.1 % above the line through all settings (derived)."""
    for setting, grams in ((20, (950, 1050)), (40, (1800, 1800)), (60, (3000, 3000))):
        caught(shop, f"2025-03-03 07:{setting - 10}", "resin", setting, grams)
    answer = shop.calibration("m2", "2025-03-03 08:00")
    one = answer.values["streams"]["resin"]
    assert (one["steady"], one["largest_pct"]) == (False, pytest.approx(5.0))
    # Means 1.0, 1.8, 3.0 kg/min: 1.9333 at 40 by symmetry, slope 0.05, so 0.9333 at 20; 1.0/0.9333 − 1 = 7.1 %
    apart, bent = answer.flags
    assert (apart.code, "setting 20" in apart.text) == ("catches_apart", True)
    assert (bent.code, "setting 20" in bent.text, "7.1 % above" in bent.text) == ("not_straight", True, True)


def test_a_ratio_needs_all_its_streams_caught_together(shop: Shop) -> None:
    """Where reclaimed sand was not caught with the others, nobody knows what resin on sand is off by."""
    for at, resin, new, back in (("2025-03-03 07:00", 600, 12000, 48000), ("2025-03-10 07:00", 618, 11400, 45600)):
        caught(shop, at, "resin", 50, (resin,) * 3)
        caught(shop, at, "new_sand", 40, (new,) * 3)
        if at < "2025-03-10":
            caught(shop, at, "reclaimed_sand", 60, (back,) * 3)
    assert shop.calibration("m2", "2025-03-10 08:00").values["ratio_error_pct"]["furan"]["resin_on_sand"] is None


def test_the_invented_years_drift_is_seen_at_its_calibration(demo_shop: Path) -> None:
    """On 19 May the acid of m2 is some 8 % low (planted: 12 % × 7/11 of the way), in range, and of no other stream."""
    with Shop.open(demo_shop) as shop:
        answer = shop.calibration("m2", "2025-05-19")
        mended = shop.calibration("m2", "2025-05-26")
    span = answer.ranges["drift_pct.catalyst"]
    assert span.low < -12 * 7 / 11 < span.high
    assert [(flag.code, flag.subject) for flag in answer.flags] == [("calibration_drift", "catalyst")]
    wrong = answer.values["streams"]["catalyst"]["rate_kg_min"]
    assert mended.values["streams"]["catalyst"]["rate_kg_min"] > 1.07 * wrong
