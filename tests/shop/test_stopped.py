"""A fill that stopped: carry on, test or dump by the work time's range, worked out by hand from the starting belief."""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.shop import Answer

from .reading import codes

Z80 = NormalDist().inv_cdf(0.9)
# Starting belief at its own reference, 45 min at 20 °C and 35 % acid: sd of ln t from 0.54, 0.115 and 0.07; the shop's
# own work share of 0.5 has no range of its own.
SD = math.sqrt(0.54**2 + 0.115**2 + 0.07**2)
MIDDLE = 0.5 * 45
LOW, HIGH = MIDDLE * math.exp(-Z80 * SD), MIDDLE * math.exp(Z80 * SD)  # 11.0 and 45.9 min


def stopped(shop: Shop, minutes_ago: float, **asked: Any) -> Answer:
    """The furan fill of the large mixer at 20 °C."""
    return shop.stopped("m1", "furan", 20, minutes_ago, **asked)


def test_work_time_is_that_of_the_usual_setting(shop: Shop) -> None:
    """Nothing said and nothing mixed: 35 % acid, its work time half of the strip time's range."""
    answer = stopped(shop, 5)
    span = answer.ranges["work_time_min"]
    assert [span.low, span.mid, span.high] == pytest.approx([LOW, MIDDLE, HIGH])
    assert answer.values["catalyst_pct"] == 35


@pytest.mark.parametrize(
    ("minutes_ago", "surface", "advice", "possible"),
    [
        (0, "live", "carry_on", True),
        (LOW - 5.01, "live", "carry_on", True),
        (LOW - 4.99, "live", "test", False),
        (LOW - 0.01, "live", "test", False),
        (LOW + 0.01, "in_doubt", "test", False),
        (MIDDLE - 0.01, "in_doubt", "test", False),
        (MIDDLE + 0.01, "dead", "dump", False),
        (500, "dead", "dump", False),
    ],
)
def test_carry_on_test_or_dump(shop: Shop, minutes_ago: float, surface: str, advice: str, possible: bool) -> None:
    """Live to the low end of the work time, dead from its middle on; under five minutes before that it is tested."""
    answer = stopped(shop, minutes_ago)
    assert (answer.values["surface"], answer.values["advice"], answer.possible) == (surface, advice, possible)
    assert answer.values["live_for_min"] == pytest.approx(max(LOW - minutes_ago, 0))
    if minutes_ago:
        by_hand = 1 - NormalDist().cdf(math.log(minutes_ago / MIDDLE) / SD)
        assert answer.values["chance_live"] == pytest.approx(by_hand, abs=1e-6)
    assert answer.verdict == {"carry_on": "yes", "test": "test_piece", "dump": "no"}[advice]
    assert answer.values["say"].startswith("carry on") is possible
    if not possible:
        assert "isolate and lock the mixer before a hand goes in" in answer.instead[1]
    assert "screw" in {caution.code for caution in answer.cautions}


def test_first_sand_has_its_own_clock(shop: Shop) -> None:
    """Five minutes of stop after ten of filling: the surface is live, the first sand (15 min) past the low end.

    So the box is not carried on with; nor after twenty of filling, when that sand is past the middle (22.5 min).
    """
    answer = stopped(shop, 5, filled_for_min=10)
    assert (answer.values["surface"], answer.values["first_sand"]) == ("live", "in_doubt")
    assert "first_sand_old" in codes(answer)
    assert (answer.values["advice"], answer.verdict, answer.values["live_for_min"]) == ("test", "test_piece", 0)
    assert "carry on" not in answer.values["say"]
    assert "first_sand_old" not in codes(stopped(shop, 5, filled_for_min=5))
    dead = stopped(shop, 5, filled_for_min=20)
    assert (dead.values["surface"], dead.values["advice"], dead.verdict) == ("live", "dump", "no")
    assert dead.because == "the first sand in the box is 25 min old, and sand of this setting works for 22 min"  # 22.5


def test_the_strictest_clock_says_how_long_is_left(shop: Shop) -> None:
    """One minute of stop after three of filling: 11.0 - 4 = 7.0 min are left, by the first sand."""
    answer = stopped(shop, 1, filled_for_min=3)
    assert answer.values["advice"] == "carry_on"
    assert answer.values["live_for_min"] == pytest.approx(LOW - 4)
    by_hand = 1 - NormalDist().cdf(math.log(4 / MIDDLE) / SD)
    assert answer.values["chance_live"] == pytest.approx(by_hand, abs=1e-6)
    assert stopped(shop, 1, filled_for_min=6).values["advice"] == "test", "4.0 min are too few"


def test_a_first_sand_of_unknown_age_is_no_plain_carry_on(shop: Shop) -> None:
    """Where the time of filling is not given it is said, with the age that the first sand may have (11.0 - 5)."""
    answer = stopped(shop, 1)
    assert "first_sand_not_known" in codes(answer)
    assert answer.values["say"].startswith("carry on only if the first sand in the box is under 6 min old")
    assert "first_sand_not_known" not in codes(stopped(shop, 1, filled_for_min=1))


@pytest.mark.parametrize(
    ("temp_c", "advice", "code"),
    [
        (60, "dump", "sand_hot"),
        (41, "dump", "sand_hot"),
        (30, "test", "sand_above_window"),
        (12, "test", "sand_cool"),
        (2, "test", "sand_cold"),
    ],
)
@pytest.mark.parametrize("system", ["furan", "ester"])
def test_sand_outside_its_window_is_never_carried_on(
    shop: Shop, system: str, temp_c: float, advice: str, code: str
) -> None:
    """At 60 °C it is dumped at once; outside 15 to 25 °C it is looked at, however long the work time may be."""
    answer = shop.stopped("m1", system, temp_c, 0, filled_for_min=0)
    assert (answer.values["advice"], answer.possible) == (advice, False)
    assert code in codes(answer)
    assert "carry on" not in answer.values["say"]


def test_nothing_is_carried_on_from_a_held_place(shop: Shop) -> None:
    """The acid tank was held meanwhile: no fresh sand from this mixer."""
    shop.log("hold", {"at": "2025-03-03 07:59", "place": "tank_acid", "reason": "smells odd"}, sender="ida")
    answer = stopped(shop, 0, filled_for_min=0)
    assert (answer.possible, answer.values["advice"]) == (False, "dump")
    assert {"held"} <= codes(answer)


def test_last_mix_tells_what_was_set(shop: Shop) -> None:
    """The last mix drew 0.5 kg acid on 1 kg resin: 50 %, quicker than the usual; what is said goes first."""
    mix = {
        "at": "2025-03-03 07:50",
        "mixer": "m1",
        "binder_system": "furan",
        "moulds": ["1"],
        "sand_temp_c": 20,
        "streams": [
            {"place": "silo_new", "mass_kg": 100},
            {"place": "tank_resin_f", "mass_kg": 1},
            {"place": "tank_acid", "mass_kg": 0.5},
        ],
    }
    shop.log("mix", mix, sender="m1", id="x1")
    answer = shop.stopped("m1", "furan", minutes_ago=5)
    assert answer.values["catalyst_pct"] == pytest.approx(50)
    assert answer.values["sand_temp_c"] == 20
    assert answer.ranges["work_time_min"].mid == pytest.approx(MIDDLE * (50 / 35) ** -1.45)
    said = stopped(shop, 5, catalyst_pct=30)
    assert said.values["catalyst_pct"] == 30
    told = [[(one.tag, one.source) for one in each.basis if one.what == "setting"] for each in (answer, said)]
    assert told == [[("record", "as mix x1 drew it")], [("record", "as asked")]]


@pytest.mark.parametrize(("definition", "told"), [("hardness", "overstates"), ("strength", "may overstate")])
def test_work_time_read_off_the_sand_is_flagged(
    make_shop: Callable[[dict[str, Any]], Shop], content: dict[str, Any], definition: str, told: str
) -> None:
    """Where strip, and so work, is judged by gauge or strength, the surface may be live for less; by hand it is not."""
    assert "work_time_overstated" not in codes(stopped(make_shop(content), 5))
    content["binder_systems"]["furan"]["reference"]["definition"] = definition
    (text,) = [flag.text for flag in stopped(make_shop(content), 5).flags if flag.code == "work_time_overstated"]
    assert f"{told} the time to fill" in text
    content["binder_systems"]["furan"]["work_definition"] = "late_moulding_loss"
    assert "work_time_overstated" not in codes(stopped(make_shop(content), 5)), "its own definition goes first"


def test_against_a_warm_pattern_sand_is_dead_sooner(shop: Shop) -> None:
    """Nothing drifts in a mould of 1e9 min: at a face of (20·565 + 40·380)/945 °C all times are by hand shorter."""
    face_k = (20 * 565 + 40 * 380) / 945 + 273.15
    share = math.exp(50.5e3 / 8.314462618 * (1 / face_k - 1 / 293.15))
    answer = stopped(shop, 9, pattern_temp_c=40, time_constant_min=1e9)
    span = answer.ranges["work_time_min"]
    assert [span.low, span.mid, span.high] == pytest.approx([LOW * share, MIDDLE * share, HIGH * share])
    assert answer.values["surface"] == "in_doubt"
    assert stopped(shop, 9).values["surface"] == "live"
    (basis,) = [entry for entry in answer.basis if entry.what == "slowest and quickest point"]
    assert "pattern 40.0 °C" in basis.value


def test_what_is_not_known_is_a_no(make_shop: Callable[[dict[str, Any]], Shop], content: dict[str, Any]) -> None:
    """No temperature or no reference: no work time is stated, and the surface is to be looked at."""
    shop = make_shop(content)
    assert "temperature of the mixed sand is not given" in shop.stopped("m1", "furan", minutes_ago=5).because
    del content["binder_systems"]["furan"]["reference"]
    answer = stopped(make_shop(content), 5)
    assert answer.because.startswith("no strip time of Furan is known")
    assert "say" not in answer.values


def test_a_time_to_come_is_a_wrong_question(shop: Shop) -> None:
    """It cannot have stopped minus one minute ago."""
    with pytest.raises(InputErrors, match="minutes_ago"):
        stopped(shop, -1)


@pytest.mark.parametrize(
    ("system", "said"),
    [
        ("furan", {"catalyst_pct": 0}),
        ("furan", {"fast_share": 0.5}),
        ("ester", {"fast_share": 60}),
        ("ester", {"catalyst_pct": 25}),
    ],
)
def test_a_setting_that_no_mix_can_have_had(shop: Shop, system: str, said: dict[str, float]) -> None:
    """Nothing of the acid, 60 parts of one, or what does not set the speed: a wrong question, not left unread."""
    with pytest.raises(InputErrors, match=next(iter(said))):
        shop.stopped("m1", system, 20, 5, **said)
