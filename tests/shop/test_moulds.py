"""Moulds standing: what they hold, since when, and when their sand strips, by hand arithmetic."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from sandtrack import Shop
from sandtrack.ledger import Ledger
from sandtrack.shop import Answer
from sandtrack.trade.learning import Belief
from sandtrack.trade.maturity import time_constant_min

Make = Callable[[dict[str, Any]], Shop]
Z80 = NormalDist().inv_cdf(0.9)
FURAN = {"silo_new": 60, "silo_f": 240, "tank_resin_f": 3, "tank_acid": 1.05}  # 1 % resin, 35 % acid: the reference
ESTER = {"silo_new": 50, "silo_e": 50, "tank_resin_e": 1.6, "tank_slow": 0.2, "tank_fast": 0.2}  # half fast


def mix(
    shop: Shop,
    at: str,
    moulds: str,
    drawn: dict[str, float],
    *,
    system: str = "furan",
    mixer: str = "m1",
    id: str | None = None,
    sand_temp_c: float | None = 20.0,
    **said: Any,
) -> None:
    """Record a mix into moulds."""
    content = {"at": at, "mixer": mixer, "binder_system": system, "moulds": moulds.split(";"), **said}
    content["streams"] = [{"place": place, "mass_kg": mass} for place, mass in drawn.items()]
    if sand_temp_c is not None:
        content["sand_temp_c"] = sand_temp_c
    shop.log("mix", content, sender=mixer, id=id)


def knock_out(shop: Shop, at: str, moulds: str) -> None:
    """Record a knock-out onto the furan heap."""
    shop.log("knock_out", {"at": at, "moulds": moulds.split(";"), "to": "heap_f"}, sender="ida")


def standing(answer: Answer) -> dict[str, dict[str, Any]]:
    """The moulds of an answer."""
    found: dict[str, dict[str, Any]] = answer.values["moulds"]
    return found


def flags(answer: Answer) -> dict[str, str]:
    """Texts of the flags by code."""
    return {flag.code: flag.text for flag in answer.flags}


def clock(start: str, minutes: float) -> str:
    """A local time so many minutes later, to the minute begun (as estimates are shown)."""
    return (datetime.fromisoformat(start) + timedelta(minutes=minutes)).isoformat(timespec="minutes") + ":00+01:00"


def test_nothing_stands(shop: Shop) -> None:
    """An empty floor is an answer too."""
    answer = shop.moulds()
    assert standing(answer) == {}
    assert answer.possible


def test_what_a_mould_holds_and_since_when(shop: Shop) -> None:
    """Two mixes into one mould: from the first's end to the last's, contents added up, each thing told once."""
    mix(shop, "2025-03-03 07:00", "101", FURAN, id="a", purpose="facing", patterns=["p1"])
    mix(shop, "2025-03-03 07:10", "101", FURAN, id="b", purpose="backing", mixer="m2", patterns=["p1"])
    entry = standing(shop.moulds())["101"]
    assert entry["standing_since"] == "2025-03-03T07:00:00+01:00"
    assert entry["last_sand_at"] == "2025-03-03T07:10:00+01:00"
    assert entry["contents_kg"] == {"acid": 2.1, "new_sand": 120, "reclaimed_f": 480, "resin_f": 6}
    assert entry["mixers"] == ["m1", "m2"]
    assert entry["binder_systems"] == ["furan"]
    assert entry["purposes"] == ["facing", "backing"]
    assert entry["patterns"] == ["p1"]
    assert entry["mixes"] == ["a", "b"]
    assert (entry["poured"], entry["poured_at"], entry["held"]) == (False, None, False)


def test_strip_range_from_the_catalyst_really_drawn(shop: Shop) -> None:
    """1.05 kg acid on 3 kg resin is 35 %: at 20 °C 45 min, 80 % of it 45·exp(∓1.2816·0.5565), from the last sand."""
    mix(shop, "2025-03-03 07:00", "101", FURAN)
    sd = math.sqrt(0.54**2 + 0.115**2 + 0.07**2)
    low, high = 45 * math.exp(-Z80 * sd), 45 * math.exp(Z80 * sd)
    answer = shop.moulds()
    entry, span = standing(answer)["101"], answer.ranges["strip_time_min.101"]
    assert [span.low, span.mid, span.high] == pytest.approx([low, 45, high])
    assert span.coverage == 0.8
    assert entry["strip_from"] == clock("2025-03-03T07:00", low)
    assert entry["strip_by"] == clock("2025-03-03T07:00", high)
    assert entry["chance_stripped"] == pytest.approx(NormalDist().cdf(math.log(60 / 45) / sd))  # an hour has passed


def test_more_acid_than_set_strips_sooner(shop: Shop) -> None:
    """1.5 kg acid on 3 kg resin is 50 %: middle 45·(35/50)^1.45 = 26.8 min."""
    mix(shop, "2025-03-03 07:00", "101", FURAN | {"tank_acid": 1.5})
    assert shop.moulds().ranges["strip_time_min.101"].mid == pytest.approx(45 * 0.7**1.45)


def test_grade_from_the_two_esters(shop: Shop) -> None:
    """0.1 kg slow and 0.3 kg fast are three quarters fast: middle 50·exp(-1.4·0.25) = 35.2 min."""
    mix(shop, "2025-03-03 07:00", "101", ESTER | {"tank_slow": 0.1, "tank_fast": 0.3}, system="ester")
    mix(shop, "2025-03-03 07:00", "102", ESTER | {"tank_slow": 0.4, "tank_fast": 0.0}, system="ester")
    ranges = shop.moulds().ranges
    assert ranges["strip_time_min.101"].mid == pytest.approx(50 * math.exp(-0.35))
    assert ranges["strip_time_min.102"].mid == pytest.approx(50 * math.exp(0.7))


def air(shop: Shop, at: str, value_c: float) -> None:
    """Record a temperature of the air."""
    shop.log("temperature", {"at": at, "what": "air", "value_c": value_c}, sender="vera")


def test_cold_air_measured_since_makes_it_later(shop: Shop) -> None:
    """In air of 2 °C 304 kg at 20 °C cool with the time constant of their cube: each end is where SciPy puts it."""
    mix(shop, "2025-03-03 07:00", "101", FURAN)
    before = shop.moulds().ranges["strip_time_min.101"]
    chance = standing(shop.moulds())["101"]["chance_stripped"]
    air(shop, "2025-03-03 07:10", 2)
    air(shop, "2025-03-03 07:50", 2)
    tau = float(time_constant_min(modulus_cm=100 * (304.05 / 1605) ** (1 / 3) / 6))

    def speed(minute: float) -> float:
        now_k = 275.15 + 18 * math.exp(-minute / tau)
        return math.exp(50.5e3 / 8.314462618 * (1 / 293.15 - 1 / now_k))

    answer = shop.moulds()
    later = answer.ranges["strip_time_min.101"]
    for kept, told in ((before.low, later.low), (before.mid, later.mid), (before.high, later.high)):
        assert quad(speed, 0, told)[0] == pytest.approx(kept, rel=1e-4)
    sd = math.sqrt(0.54**2 + 0.115**2 + 0.07**2)
    by_hand = NormalDist().cdf(math.log(quad(speed, 0, 60)[0] / 45) / sd)  # an hour has passed
    assert standing(answer)["101"]["chance_stripped"] == pytest.approx(by_hand, abs=1e-4)
    assert by_hand < chance


def test_other_air_changes_nothing(shop: Shop) -> None:
    """Warm air brings no strip forward; air of before the fill, or of long after it, says nothing of its cure."""
    mix(shop, "2025-03-03 05:00", "101", FURAN)
    before = shop.moulds()
    air(shop, "2025-03-03 04:50", 2)
    air(shop, "2025-03-03 05:20", 30)
    air(shop, "2025-03-03 07:00", 2)
    after = shop.moulds()
    assert (after.values, after.ranges) == (before.values, before.ranges)


def test_no_state_promises_that_a_mould_is_ready(shop: Shop) -> None:
    """Low end 22, middle 45, high end 91.8 min: before, past the middle, past; each says test, then draw."""
    mix(shop, "2025-03-03 07:00", "101", FURAN)
    before, middle, late = "before_strip_estimate", "past_middle_of_estimate", "could take until 08:31: test, then draw"
    expected = {
        "07:20": (before, "not yet likely; it could be from 07:22, and may take until 08:31: test, then draw"),
        "07:40": (before, "not yet likely; it could be by now, and may take until 08:31: test, then draw"),
        "07:45": (middle, f"more likely than not, but it {late}"),
        "08:31": (middle, f"more likely than not, but it {late}"),
        "08:32": ("past_strip_estimate", "past its strip estimate (08:31): test, then draw"),
    }
    for at, (state, words) in expected.items():
        entry = standing(shop.moulds(at=f"2025-03-03 {at}"))["101"]
        assert (entry["state"], entry["state_words"]) == (state, words), at


def test_slowest_mix_counts(shop: Shop) -> None:
    """A cold facing strips after the warm backing that was filled ten minutes later: the mould waits for it."""
    mix(shop, "2025-03-03 07:00", "101", FURAN, sand_temp_c=5)
    mix(shop, "2025-03-03 07:10", "101", FURAN, sand_temp_c=25)
    warmth = (1 / 278.15 - 1 / 293.15) * 1000 / 8.314462618
    alone = 45 * math.exp(50.5 * warmth)
    assert shop.moulds().ranges["strip_time_min.101"].mid == pytest.approx(alone - 10)


def test_poured_and_knocked_out(shop: Shop) -> None:
    """Poured is told with its time and needs no stripping; knocked out it is gone, and before that it stood."""
    mix(shop, "2025-03-03 07:00", "101;102", FURAN)
    shop.log("pour", {"at": "2025-03-03 07:50", "moulds": ["101"], "metal": "iron"}, sender="lars")
    entry = standing(shop.moulds())["101"]
    assert (entry["poured"], entry["poured_at"], entry["state"]) == (True, "2025-03-03T07:50:00+01:00", "poured")
    assert entry["state_words"] == "poured at 2025-03-03T07:50+01:00"
    assert not standing(shop.moulds(at="2025-03-03 07:49"))["101"]["poured"]
    knock_out(shop, "2025-03-03 07:55", "101")
    assert set(standing(shop.moulds())) == {"102"}
    assert set(standing(shop.moulds(at="2025-03-03 07:54"))) == {"101", "102"}


def test_new_life_begins_after_the_knock_out(shop: Shop) -> None:
    """A number used again holds only what came since, and an old pour does not count; soon after, it is asked about."""
    mix(shop, "2025-03-01 07:00", "101", FURAN, id="old")
    shop.log("pour", {"at": "2025-03-01 09:00", "moulds": ["101"], "metal": "iron"}, sender="lars")
    knock_out(shop, "2025-03-02 07:00", "101")
    mix(shop, "2025-03-03 07:30", "101", FURAN, id="new")
    answer = shop.moulds()
    entry = standing(answer)["101"]
    assert entry["mixes"] == ["new"]
    assert entry["standing_since"] == "2025-03-03T07:30:00+01:00"
    assert not entry["poured"]
    assert flags(answer) == {
        "number_used_again": "mould 101: filled 24.5 h after it was ended at 2025-03-02T07:00+01:00: is the number "
        "used again, or a clock wrong?"
    }


def test_number_used_again_long_after_is_in_order(shop: Shop) -> None:
    """48 h after the knock-out nothing is asked; a withdrawn knock-out ends no life."""
    mix(shop, "2025-02-28 07:00", "101", FURAN)
    knock_out(shop, "2025-03-01 07:00", "101")
    mix(shop, "2025-03-03 07:00", "101", FURAN)
    assert flags(shop.moulds()) == {}
    mix(shop, "2025-03-03 07:00", "102", FURAN, id="first")
    shop.log("knock_out", {"at": "2025-03-03 07:10", "moulds": ["102"], "to": "heap_f"}, sender="ida", id="slip")
    mix(shop, "2025-03-03 07:20", "102", FURAN, id="second")
    assert "number_used_again" in flags(shop.moulds())
    shop.undo("ida", "slip", reason="wrong number", by="ida")
    assert flags(shop.moulds()) == {}
    assert standing(shop.moulds())["102"]["mixes"] == ["first", "second"]


def test_withdrawn_mix_fills_nothing(shop: Shop) -> None:
    """A reversed mix is not among a mould's mixes."""
    mix(shop, "2025-03-03 07:00", "101", FURAN, id="right")
    mix(shop, "2025-03-03 07:10", "101", FURAN, id="twice")
    shop.undo("m1", "twice", reason="sent twice", by="vera")
    entry = standing(shop.moulds())["101"]
    assert entry["mixes"] == ["right"]
    assert entry["last_sand_at"] == "2025-03-03T07:00:00+01:00"


def test_as_known_on_an_earlier_day(shop: Shop, clock: Any) -> None:
    """A mix recorded late is not known on the day before, and is today."""
    mix(shop, "2025-03-03 07:00", "101", FURAN)
    clock.set("2025-03-04 08:00")
    mix(shop, "2025-03-03 07:30", "102", FURAN, id="late")
    assert set(standing(shop.moulds(at="2025-03-03 12:00"))) == {"101", "102"}
    assert set(standing(shop.moulds(at="2025-03-03 12:00", known_on="2025-03-03"))) == {"101"}


def test_standing_too_long(shop: Shop) -> None:
    """Past 72 h a mould is raised, poured or not."""
    mix(shop, "2025-02-28 07:59", "101;102", FURAN)
    shop.log("pour", {"at": "2025-02-28 12:00", "moulds": ["102"], "metal": "iron"}, sender="lars")
    answer = shop.moulds()
    assert [flag.text for flag in answer.flags if flag.code == "standing_too_long"] == [
        "mould 101: stands since 2025-02-28T07:59+01:00, 72 h, not poured (limit 72 h): was its knock-out recorded?",
        "mould 102: stands since 2025-02-28T07:59+01:00, 72 h, poured (limit 72 h): was its knock-out recorded?",
    ]
    assert flags(shop.moulds(at="2025-03-03 07:59")) == {}


def test_two_binder_families_in_one_mould(shop: Shop) -> None:
    """Furan facing under an ester backing: one upsets the other."""
    mix(shop, "2025-03-03 07:00", "101", FURAN)
    mix(shop, "2025-03-03 07:10", "101", ESTER, system="ester")
    assert flags(shop.moulds())["two_families"] == (
        "mould 101: holds sand of alkaline phenolic ester and furan acid: one upsets the cure of the other"
    )


def test_held_mould(shop: Shop) -> None:
    """A hold is told with its reason, its caution and in the words for the moulder."""
    mix(shop, "2025-03-03 07:00", "101", FURAN)
    shop.log("hold", {"at": "2025-03-03 07:30", "mould": "101", "reason": "soft corner"}, sender="vera", id="h1")
    answer = shop.moulds()
    assert standing(answer)["101"]["held"]
    assert flags(answer)["held"] == ("mould 101 is blocked since 3 Mar 2025 07:30: held: soft corner (hold h1)")
    assert standing(answer)["101"]["state_words"].startswith("held: not to be used until it is released; ")
    assert [standing(shop.moulds(at=f"2025-03-03 {at}"))["101"]["state"] for at in ("07:40", "12:00")] == ["held"] * 2
    assert "held" in {caution.code for caution in answer.cautions}


def test_mix_without_a_sand_temperature_takes_the_last_read(shop: Shop) -> None:
    """The last reading of its mixer before it, flagged; none at all: no strip time."""
    mix(shop, "2025-03-03 07:00", "101", FURAN, sand_temp_c=None, id="x1")
    answer = shop.moulds()
    assert flags(answer) == {
        "sand_temp_unknown": "mould 101: mix x1 gives no sand temperature, and none was read before it"
    }
    entry = standing(answer)["101"]
    assert (entry["strip_from"], entry["state"]) == (None, "not_known")
    assert entry["state_words"] == "its strip time is not known: test, then draw"
    reading = {"at": "2025-03-03 06:50", "what": "mixed_sand", "mixer": "m1", "value_c": 20}
    shop.log("temperature", reading, sender="vera", id="t1")
    answer = shop.moulds()
    assert answer.ranges["strip_time_min.101"].mid == pytest.approx(45)
    assert flags(answer) == {
        "sand_temp_recorded": "mould 101: mix x1 gives no sand temperature: 20.0 °C of temperature t1 is used"
    }


def test_mix_with_an_impossible_temperature_states_no_strip_time(shop: Shop) -> None:
    """61 °C is a broken gauge, not sand."""
    mix(shop, "2025-03-03 07:00", "101", FURAN, sand_temp_c=61, id="x1")
    answer = shop.moulds()
    assert flags(answer)["sand_temp_implausible"] == "mould 101: mix x1 says 61.0 °C, which mixed sand is not"
    assert answer.ranges == {}


def test_mix_without_its_drier(make_shop: Make, content: dict[str, Any]) -> None:
    """An alkyd urethane cures without drier, only slower: the usual 4 % is taken and flagged; the mix is sound."""
    for key in ("alkyd", "isocyanate", "drier"):
        content["materials"][key] = {"name": key, "kind": "resin", "density_kg_m3": 1000}
        content["places"][f"tank_{key}"] = {"kind": "tank", "material": key}
    content["binder_systems"]["oil"] = {
        "name": "Oil", "family": "alkyd_urethane", "part_1": "alkyd", "part_2": "isocyanate", "drier": "drier",
        "part_1_share": 0.84, "resin_pct": 1.9, "catalyst_pct": 4,
        "reference": {"strip_time_min": 45, "temp_c": 20, "catalyst_pct": 4, "definition": "hand"},
    }  # fmt: skip
    content["mixers"]["m1"]["binder_systems"].append("oil")
    shop = make_shop(content)
    drawn = {"silo_new": 100, "tank_alkyd": 1.6, "tank_isocyanate": 0.3}
    mix(shop, "2025-03-03 07:00", "101", drawn, id="x1", system="oil")
    answer = shop.moulds()
    assert answer.ranges["strip_time_min.101"].mid == pytest.approx(45)
    assert flags(answer) == {
        "setting_unknown": "mould 101: mix x1 does not tell its drier: the usual 4 % drier is taken"
    }


def test_catalyst_outside_its_window(shop: Shop) -> None:
    """1.8 kg acid on 3 kg resin is 60 %, outside 20 to 50 %: flagged, the time is still worked out."""
    mix(shop, "2025-03-03 07:00", "101", FURAN | {"tank_acid": 1.8}, id="x1")
    answer = shop.moulds()
    assert flags(answer)["outside_window"].startswith("mould 101: mix x1 had 60 % acid, outside the window of 20 to 50")
    assert answer.ranges["strip_time_min.101"].mid == pytest.approx(45 * (35 / 60) ** 1.45)


def test_system_without_reference_states_no_strip_time(make_shop: Make, content: dict[str, Any]) -> None:
    """No reference in the set-up, no strip time: said once for both its mixes, and the mould is still listed."""
    del content["binder_systems"]["furan"]["reference"]
    shop = make_shop(content)
    mix(shop, "2025-03-03 07:00", "101", FURAN)
    mix(shop, "2025-03-03 07:05", "101", FURAN)
    answer = shop.moulds()
    assert [flag.code for flag in answer.flags] == ["no_reference"]
    assert flags(answer)["no_reference"] == (
        "mould 101: no strip time of Furan is known: the set-up gives no reference"
    )
    assert standing(answer)["101"]["state"] == "not_known"


def test_mould_filled_by_hand_alone(shop: Shop) -> None:
    """Sand moved into a mould without a mix is listed, with no strip time."""
    shop.log("transfer", {"at": "2025-03-03 07:00", "source": "silo_new", "mould": "101", "mass_kg": 40}, sender="vera")
    entry = standing(shop.moulds())["101"]
    assert (entry["mixes"], entry["contents_kg"], entry["strip_by"]) == ([], {"new_sand": 40}, None)


def test_each_law_is_asked_once_for_all_moulds(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Five moulds of furan and two of ester: two questions, each answered as for its mould alone."""
    for number, temp_c in enumerate((8, 14, 20, 26, 32)):
        mix(shop, "2025-03-03 07:00", f"f{number}", FURAN, sand_temp_c=temp_c)
    for number, at in enumerate(("07:00", "08:00")):  # of the second no time has passed
        mix(shop, f"2025-03-03 {at}", f"e{number}", ESTER, system="ester")
    asked: list[int] = []
    alone = Belief.strip_range_min

    def counted(self: Belief, temp_c: Any, lever: Any, **more: Any) -> Any:
        asked.append(np.size(temp_c))
        return alone(self, temp_c, lever, **more)

    monkeypatch.setattr(Belief, "strip_range_min", counted)
    answer = shop.moulds()
    assert sorted(asked) == [2, 5]
    for number, temp_c in enumerate((8, 14, 20, 26, 32)):
        warmth = (1 / (temp_c + 273.15) - 1 / 293.15) * 1000 / 8.314462618
        sd = math.sqrt(0.54**2 + (8 * warmth) ** 2 + 0.115**2 + 0.07**2)
        middle = 45 * math.exp(50.5 * warmth)
        span = answer.ranges[f"strip_time_min.f{number}"]
        assert [span.low, span.mid, span.high] == pytest.approx(
            [middle * math.exp(-Z80 * sd), middle, middle * math.exp(Z80 * sd)], rel=1e-6
        )
        chance = NormalDist().cdf(math.log(60 / middle) / sd)
        assert standing(answer)[f"f{number}"]["chance_stripped"] == pytest.approx(chance)
    assert standing(answer)["e1"]["chance_stripped"] == 0


def test_a_mould_goes_by_the_set_up_of_its_mix(shop: Shop, content: dict[str, Any]) -> None:
    """From 3 March another strip time is known: what was mixed the day before keeps the 45 min of its own day."""
    content["shop"]["valid_from"] = "2025-03-03"
    content["binder_systems"]["furan"]["reference"]["strip_time_min"] = 90
    shop.log("plant", content, sender="set-up", id="march")
    mix(shop, "2025-03-03 07:00", "new", FURAN)
    mix(shop, "2025-03-02 07:00", "old", FURAN)
    ranges = shop.moulds().ranges
    assert [ranges[f"strip_time_min.{number}"].mid for number in ("old", "new")] == pytest.approx([45, 90])


def test_only_records_of_open_moulds_are_read(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three hundred moulds come and gone cost nothing: records read are those of the two that stand."""
    ledger: Ledger = shop.ledger
    entries = []
    for number in range(300):
        at = (datetime(2025, 1, 7, 7) + timedelta(hours=number)).isoformat(timespec="minutes")
        drawn = [{"place": place, "mass_kg": mass} for place, mass in FURAN.items()]
        filled = {"at": at, "mixer": "m1", "binder_system": "furan", "moulds": [f"{number}"], "streams": drawn}
        entries.append(ledger.entry("mix", filled, sender="m1", record_id=f"x{number}"))
        poured = {"at": at, "moulds": [f"{number}"], "metal": "iron"}
        entries.append(ledger.entry("pour", poured, sender="lars", record_id=f"p{number}"))
        ended = {"at": at, "moulds": [f"{number}"], "to": "heap_f"}
        entries.append(ledger.entry("knock_out", ended, sender="ida", record_id=f"k{number}"))
    ledger.append_all(entries)
    mix(shop, "2025-03-03 07:00", "left", FURAN)
    mix(shop, "2025-01-07 06:00", "oldest", FURAN)
    read: list[str] = []
    check = ledger.forms.require

    def counted(kind: str, content: Any) -> Any:
        read.append(kind)
        return check(kind, content)

    monkeypatch.setattr(ledger.forms, "require", counted)
    assert set(standing(shop.moulds())) == {"left", "oldest"}
    assert read.count("mix") == 2
    assert "pour" not in read
