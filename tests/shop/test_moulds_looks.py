"""A strip check counts for its own mould, and a mix that may never cure has no estimate."""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.shop import Answer

from .test_moulds import ESTER, FURAN, flags, mix, standing

Make = Callable[[dict[str, Any]], Shop]
# The starting belief of the reference setting: ln(time) is normal round ln(45) with this sd.
SD = math.sqrt(0.54**2 + 0.115**2 + 0.07**2)
BELIEF = NormalDist(math.log(45), SD)
DAY = "2025-03-03"


def look(shop: Shop, at: str, *, soft: float | None = None, firm: float | None = None, **more: Any) -> None:
    """Record a strip check of mould 101, judged by the gauge: the estimate's is by hand, so the estimate stays."""
    content = {"at": at if "-" in at else f"{DAY} {at}", "mould": "101", "definition": "hardness", "sand_temp_c": 20}
    content |= {"earliest_min": soft, "latest_min": firm, **more}
    shop.log("strip_check", {name: value for name, value in content.items() if value is not None}, sender="emil")


def entry(shop: Shop, at: str, mould: str = "101") -> dict[str, Any]:
    """What is said of a mould at a time of the day."""
    return standing(shop.moulds(at=f"{DAY} {at}"))[mould]


def span(answer: Answer) -> tuple[float, float, float]:
    """Range of the strip time of mould 101."""
    found = answer.ranges["strip_time_min.101"]
    return found.low, found.mid, found.high


def test_still_soft_keeps_a_mould_back_until_a_later_check_finds_it_firm(shop: Shop) -> None:
    """Its estimate ends at 08:31; soft at 110 min, it is soft at noon too, and firm once a check finds it so."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    assert entry(shop, "12:00")["state"] == "past_strip_estimate"
    look(shop, "08:51", soft=110)
    assert entry(shop, "12:00")["state"] == "still_soft"
    assert entry(shop, "12:00")["state_words"] == (
        "still soft at 110 min (08:50), judged by a hardness gauge: leave it, and check it again before it is drawn"
    )
    assert "soft_past_estimate" in flags(shop.moulds(at=f"{DAY} 09:00"))
    look(shop, "09:31", firm=150)
    assert entry(shop, "12:00")["state"] == "found_firm"
    assert "found firm at 150 min (09:30)" in entry(shop, "12:00")["state_words"]
    assert entry(shop, "09:00")["state"] == "still_soft", "as asked of a moment before it was found firm"


@pytest.mark.parametrize("backwards", [False, True])
def test_the_later_look_counts_whichever_record_came_first(shop: Shop, backwards: bool) -> None:
    """Soft at 40 and firm at 60 min: firm. Firm at 40 and soft at 110: soft, and the two contradict each other."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    looks = [("07:41", {"soft": 40.0}), ("08:01", {"firm": 60.0})]
    for at, said in looks[:: -1 if backwards else 1]:
        look(shop, at, **said)
    answer = shop.moulds(at=f"{DAY} 12:00")
    assert standing(answer)["101"]["state"] == "found_firm"
    assert "looks_contradict" not in flags(answer)
    look(shop, "08:51", soft=110)
    answer = shop.moulds(at=f"{DAY} 12:00")
    assert standing(answer)["101"]["state"] == "still_soft"
    assert "withdraw what was a slip" in flags(answer)["looks_contradict"]


def test_an_interval_ends_firm_and_an_exact_time_was_never_soft(shop: Shop) -> None:
    """Not yet at 40 and firm at 45 min in one check: firm; 50 min for both is the time itself: firm, never soft."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    look(shop, "07:46", soft=40, firm=45)
    assert entry(shop, "07:50")["state"] == "found_firm"
    look(shop, "07:51", soft=50, firm=50)
    answer = shop.moulds(at=f"{DAY} 07:52")
    assert standing(answer)["101"]["state"] == "found_firm"
    assert "looks_contradict" not in flags(answer)


def test_range_and_chance_are_what_a_look_leaves_of_the_estimate(shop: Shop) -> None:
    """Soft at 30, then firm at 60 min by hand: quantiles of the starting belief between these two, by hand.

    A check by hand teaches the law too, so the estimate is asked of the law as it then is.
    """
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    mix(shop, f"{DAY} 07:00", "102", FURAN)
    look(shop, "07:31", soft=30, definition="hand")
    answer = shop.moulds(at=f"{DAY} 08:00")
    low, mid, high = span(answer)
    alone = answer.ranges["strip_time_min.102"]
    assert low > 30
    assert mid > alone.mid
    # What is known of 102 is F. Of 101 it is (F(t) - F(30)) / (1 - F(30)), which 8 in 10 lie within 0.1 and 0.9 of.
    known = shop.setting("m1", "furan", 20, catalyst_pct=35, at=f"{DAY} 08:00")
    assert known.ranges["strip_time_min"].mid == pytest.approx(alone.mid)

    def chance(minutes: float) -> float:
        asked = shop.setting("m1", "furan", 20, catalyst_pct=35, strip_time_min=minutes, at=f"{DAY} 08:00")
        found: float = asked.values["chance_to_strip"]
        return found

    at_30 = chance(30)
    for minutes, share in ((low, 0.1), (mid, 0.5), (high, 0.9)):
        assert (chance(minutes) - at_30) / (1 - at_30) == pytest.approx(share, abs=1e-6)
    assert standing(answer)["101"]["chance_stripped"] == pytest.approx((chance(60) - at_30) / (1 - at_30), abs=1e-6)
    look(shop, "08:01", firm=60, definition="hand")
    assert 30 < span(shop.moulds(at=f"{DAY} 08:02"))[0] < span(shop.moulds(at=f"{DAY} 08:02"))[2] < 60


def test_a_look_by_another_definition_leaves_the_estimate_as_it_is(shop: Shop) -> None:
    """Soft by the gauge: the state says so, the range by hand stays that of the belief."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    before = span(shop.moulds(at=f"{DAY} 07:50"))
    look(shop, "07:41", soft=40)
    assert span(shop.moulds(at=f"{DAY} 07:50")) == before
    assert entry(shop, "07:50")["state"] == "still_soft"


def test_a_look_that_leaves_nothing_of_the_estimate(shop: Shop) -> None:
    """Soft after ten hours in a shop whose checks all say 42 min: no range is made up, and the state stands."""
    for day in range(1, 29):
        at = f"2025-02-{day:02} 12:00"
        content = {"at": at, "binder_system": "furan", "definition": "hand", "catalyst_pct": 35, "sand_temp_c": 20}
        shop.log("strip_check", content | {"earliest_min": 41, "latest_min": 43}, sender="emil")
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    look(shop, "07:59", soft=6000, definition="hand")
    answer = shop.moulds(at=f"{DAY} 23:00")
    assert standing(answer)["101"]["state"] == "still_soft"
    assert (standing(answer)["101"]["strip_by"], answer.ranges) == (None, {})


def test_sand_that_came_after_a_look_was_not_seen(shop: Shop) -> None:
    """Firm at 40 min, then more sand: its own clock runs; soft before it stays soft."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    look(shop, "07:41", firm=40)
    mix(shop, f"{DAY} 07:45", "101", FURAN)
    assert entry(shop, "07:50")["state"] == "before_strip_estimate"
    mix(shop, f"{DAY} 07:00", "102", FURAN)
    look(shop, "07:41", soft=40, mould="102")
    mix(shop, f"{DAY} 07:45", "102", FURAN)
    assert entry(shop, "12:00", "102")["state"] == "still_soft"


def test_a_check_of_a_mix_that_filled_two_moulds_makes_neither_firm(shop: Shop) -> None:
    """It saw one of the two: soft counts for both, firm for none; of a mix of one mould it counts."""
    mix(shop, f"{DAY} 07:00", "101;102", FURAN, id="two")
    mix(shop, f"{DAY} 07:00", "103", FURAN, id="one")
    look(shop, "07:41", firm=40, mould=None, mix="two")
    look(shop, "07:41", firm=40, mould=None, mix="one")
    assert [entry(shop, "07:44", mould)["state"] for mould in ("101", "102", "103")] == [
        "before_strip_estimate", "before_strip_estimate", "found_firm",
    ]  # fmt: skip
    look(shop, "08:51", soft=110, mould=None, mix="two")
    assert [entry(shop, "12:00", mould)["state"] for mould in ("101", "102")] == ["still_soft"] * 2


def test_a_check_that_names_another_mixer_makes_no_mould_firm(shop: Shop) -> None:
    """Number 101 by mixer m2, which never filled it: perhaps another mould was looked at; soft counts all the same."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    look(shop, "07:41", firm=40, mixer="m2")
    assert entry(shop, "07:44")["state"] == "before_strip_estimate"
    look(shop, "08:51", soft=110, mixer="m2")
    assert entry(shop, "12:00")["state"] == "still_soft"


def test_an_earlier_life_of_the_number_counts_for_nothing(shop: Shop) -> None:
    """Soft on Friday, knocked out, filled again on Monday: the new sand has its own estimate."""
    mix(shop, "2025-02-28 07:00", "101", FURAN)
    look(shop, "2025-02-28 08:51", soft=110)
    shop.log("knock_out", {"at": "2025-02-28 15:00", "moulds": ["101"], "to": "heap_f"}, sender="ida")
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    assert entry(shop, "12:00")["state"] == "past_strip_estimate"


def test_a_held_mould_is_held_whatever_was_seen_of_it(shop: Shop) -> None:
    """Found firm and past its estimate, it is still held."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    look(shop, "07:41", firm=40)
    shop.log("hold", {"at": f"{DAY} 07:45", "mould": "101", "reason": "soft corner"}, sender="vera", id="h1")
    assert entry(shop, "12:00")["state"] == "held"


def test_cores_placed_do_not_move_the_last_sand(shop: Shop) -> None:
    """A core of 40 kg placed at 07:30: the last sand came at 07:00, and strip times count from there."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    before = entry(shop, "07:50")
    shop.log("transfer", {"at": f"{DAY} 07:30", "source": "silo_new", "mould": "101", "mass_kg": 40}, sender="vera")
    after = entry(shop, "07:50")
    assert after["last_sand_at"] == before["last_sand_at"] == "2025-03-03T07:00:00+01:00"
    assert after["contents_kg"]["new_sand"] == 100
    assert after["strip_by"] == before["strip_by"]
    shop.log("transfer", {"at": f"{DAY} 07:30", "source": "silo_new", "mould": "102", "mass_kg": 40}, sender="vera")
    assert entry(shop, "07:50", "102")["last_sand_at"] is None


@pytest.mark.parametrize(
    ("drawn", "code"),
    [
        ({"tank_acid": 0}, "mix_without_catalyst"),
        # by hand: 3.3 kg of acid on 3 kg of resin are 110 %, 0.2 kg are 7 %, where 20 to 50 % is the window
        ({"tank_acid": 3.3}, "mix_far_off_ratio"),
        ({"tank_acid": 0.2}, "mix_far_off_ratio"),
        ({"tank_resin_f": 0}, "mix_without_catalyst"),
        ({"tank_resin_f": 1.05, "tank_acid": 3}, "streams_swapped"),
    ],
)
def test_a_mix_that_may_never_cure_is_never_past_an_estimate(shop: Shop, drawn: dict[str, float], code: str) -> None:
    """No strip time is stated, and no time makes it other than in doubt."""
    mix(shop, f"{DAY} 07:00", "101", FURAN | drawn, id="x1")
    answer = shop.moulds(at=f"{DAY} 23:00")
    assert standing(answer)["101"]["state"] == "in_doubt"
    assert "do not pour until a competent person has checked it" in standing(answer)["101"]["state_words"]
    assert standing(answer)["101"]["strip_by"] is None
    assert code in flags(answer)
    assert answer.ranges == {}


def test_ester_that_is_missing_is_seen_too(shop: Shop) -> None:
    """Neither grade drawn: no ester; one of the two alone is a setting."""
    mix(shop, f"{DAY} 07:00", "101", ESTER | {"tank_slow": 0, "tank_fast": 0}, system="ester")
    mix(shop, f"{DAY} 07:00", "102", ESTER | {"tank_slow": 0, "tank_fast": 0.4}, system="ester")
    answer = shop.moulds(at=f"{DAY} 23:00")
    assert [standing(answer)[mould]["state"] for mould in ("101", "102")] == ["in_doubt", "past_strip_estimate"]


def test_sand_of_two_families_in_one_mould_is_in_doubt(shop: Shop) -> None:
    """One upsets the cure of the other: no estimate holds."""
    mix(shop, f"{DAY} 07:00", "101", FURAN)
    mix(shop, f"{DAY} 07:10", "101", ESTER, system="ester")
    answer = shop.moulds(at=f"{DAY} 23:00")
    assert standing(answer)["101"]["state"] == "in_doubt"
    assert answer.ranges == {}


def test_no_chance_is_certain(shop: Shop) -> None:
    """A week later, and after it was found firm, the chance ends below one: an estimate is never sure."""
    mix(shop, "2025-02-24 07:00", "101", FURAN)
    assert entry(shop, "07:00")["chance_stripped"] == 0.999
    look(shop, "2025-02-24 07:40", firm=40, definition="hand")
    assert entry(shop, "07:00")["chance_stripped"] == 0.999
