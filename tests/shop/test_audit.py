"""What mixes really held against what they should have: the planted drift, clean years, tanks, and by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sandtrack import Shop
from sandtrack.shop.mixers import charts
from sandtrack.shop.mixers.demands import Reading, Series

MakeShop = Callable[[dict[str, Any]], Shop]

# Planted (demo_data/README.md): from 12 to 23 May the acid of m2 slides evenly from what is set to 12 % less.
DRIFT_STARTS, DRIFT_ENDS = "2025-05-12", "2025-05-23"
MOST_MIXES_TO_FIND = 60


def of_series(name: str, drifts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Drifts of one series."""
    return [drift for drift in drifts if drift["series"] == name]


@pytest.mark.parametrize("period", [("2025-05-01", "2025-05-31"), ("2025-01-01", "2025-12-31")])
def test_the_planted_drift_is_found_and_dated(demo_shop: Path, period: tuple[str, str]) -> None:
    """The acid of m2 is found low within 60 mixes of its true start, dated within three days, and seen to end."""
    with Shop.open(demo_shop) as shop:
        answer = shop.audit("m2", *period)
        stretch = shop.records(kind="mix", sender="m2", since=DRIFT_STARTS, until="2025-05-31", limit=1000)
    (drift,) = answer.values["drifts"]
    assert drift["series"] == "m2.furan.catalyst_pct"
    passed = [one for one in stretch.values["records"] if one["at"] <= drift["found_at"]]
    assert len(passed) <= drift["mixes_until_found"] <= MOST_MIXES_TO_FIND
    assert drift["not_before"][:10] <= DRIFT_STARTS <= drift["first"][:10] <= drift["not_after"][:10] <= "2025-05-14"
    assert drift["back_after"][:10] == DRIFT_ENDS
    assert drift["largest_off"] == pytest.approx(-11, abs=1.5)
    (flag,) = [flag for flag in answer.flags if flag.code == "dose_drift"]
    assert "was as it should be and went slowly to 7.4 % below what it should be" in flag.text
    assert "It began about 14 May 2025 (after 8 May 2025, by 14 May 2025) and was back after 23 May 2025" in flag.text


def test_the_drift_is_found_on_the_day_itself(demo_shop: Path) -> None:
    """Asked on the evening of 14 May, without what came later, the drift stands and goes on."""
    with Shop.open(demo_shop) as shop:
        (drift,) = shop.audit("m2", "2025-04-15", "2025-05-14").values["drifts"]
        assert shop.audit("m2", "2025-04-15", "2025-05-13").values["drifts"] == []
    assert drift["back_after"] is None


def test_what_is_steady_is_not_alarmed_more_than_stated(demo_shop: Path) -> None:
    """Over the year m1, and all of m2 but its acid, alarm no more often than the answer itself allows."""
    with Shop.open(demo_shop) as shop:
        values = shop.audit(None, "2025-01-01", "2025-12-31").values
    allowed = sum(one["false_alarms_at_most"] for key, one in values["series"].items() if key.startswith("m1."))
    false = [drift for drift in values["drifts"] if drift["series"] != "m2.furan.catalyst_pct"]
    assert len(values["series"]) == 10
    assert len(false) <= allowed
    assert not of_series("m1.furan.catalyst_pct", values["drifts"])


def simulated(offs: Any, learned: int) -> Series:
    """A series of readings of one mix each, with a scale of 1."""
    group = SimpleNamespace(mixes=[None], start=0, end=0)
    readings = tuple(Reading(group, 0.0, 1.0, float(off), 1.0) for off in offs)  # type: ignore[arg-type]
    return Series("m", "s", "catalyst_pct", "%", "", "record", readings, learned, learned, len(readings))


def alarms(offs: Any, learned: int) -> int:
    """Alarms of a simulated series; none where it is not judged."""
    chart = charts.chart(simulated(offs, learned), None)
    return len(chart.drifts) if isinstance(chart, charts.Chart) else 0


def test_a_period_within_the_drift_tells_the_same(demo_shop: Path) -> None:
    """Asked from the midst of the drift or from after it, limits have not learned from it, nor is it dated later."""
    with Shop.open(demo_shop) as shop:
        (whole,) = shop.audit("m2", "2025-05-01", "2025-05-31").values["drifts"]
        (part,) = shop.audit("m2", "2025-05-20", "2025-06-15").values["drifts"]
        after = shop.audit("m2", "2025-06-02", "2025-06-30").values
    for name in ("first", "not_before", "not_after", "found_at", "mixes_until_found", "back_after"):
        assert part[name] == whole[name]
    assert after["drifts"] == []
    acid = after["series"]["m2.furan.catalyst_pct"]
    # The half days on which a check told the setting, from 14 to 23 May.
    assert acid["left_out"] == 8
    assert abs(acid["usual_off"]) < 0.2


def test_the_drift_is_found_before_it_matters(demo_shop: Path) -> None:
    """Evenly to 12 % in eleven days passes the tolerance of 4 % after 3.67 days, late on 15 May; it is found before."""
    with Shop.open(demo_shop) as shop:
        (drift,) = shop.audit("m2", "2025-05-01", "2025-05-31").values["drifts"]
    assert drift["tolerance"] == 4
    assert drift["found_at"][:10] <= "2025-05-15"


@pytest.mark.parametrize("learned", [25, 60])
def test_clean_years_alarm_about_as_often_as_stated(learned: int) -> None:
    """Simulated years of 200 steady readings alarm at most as often as stated, and not by far more seldom."""
    chance, years, readings = np.random.default_rng(11), 300, 200
    false = sum(alarms(chance.normal(size=learned + readings), learned) for _ in range(years))
    stated = charts.false_alarms_a_reading(learned) * years * readings
    assert 0.3 * stated < false < 1.1 * stated


@pytest.mark.parametrize("shift", [1.0, 2.0, 4.0])
def test_a_shift_is_found_as_soon_as_stated(shift: float) -> None:
    """With limits known well, a lasting shift takes no more readings than stated, by simulation."""
    chance, lengths = np.random.default_rng(5), []
    for _ in range(200):
        offs = np.concatenate([chance.normal(size=400), chance.normal(size=60) + shift])
        chart = charts.chart(simulated(offs, 400), None)
        assert isinstance(chart, charts.Chart)
        lengths.append(chart.drifts[0].found - 399 if chart.drifts else 60)
    stated = charts.readings_to_find(shift)
    assert np.mean(lengths) < stated + 3 * np.std(lengths) / math.sqrt(len(lengths))


def test_a_lasting_shift_is_one_drift() -> None:
    """Sixty readings off by 2 sd are told as one drift, not as several, in seven of ten series or more."""
    chance = np.random.default_rng(3)
    told = []
    for _ in range(100):
        offs = chance.normal(size=160)
        offs[60:120] += 2
        told.append(alarms(offs, 60))
    assert min(told) >= 1
    assert told.count(1) >= 70


def test_a_drift_does_not_hide_in_its_own_limits() -> None:
    """With 15 of the 60 readings learned from 5 sd low, centre and spread are those of the others, and it is told."""
    offs = np.random.default_rng(8).normal(size=70)
    steady = np.delete(offs, np.s_[45:60])
    offs[45:60] -= 5
    series = simulated(offs, 60)
    chart = charts.chart(series, None)
    assert isinstance(chart, charts.Chart)
    assert chart.left_out == frozenset(range(45, 60))
    assert chart.centre == pytest.approx(np.mean(steady[:45]), abs=1e-9)
    assert [(drift.first, drift.last) for drift in chart.all_drifts] == [(45, 59)]


def test_nothing_is_learned_from_what_drifts_itself() -> None:
    """Half of the readings to learn from being off, nobody knows which half was right: it is not judged, and said."""
    offs = np.random.default_rng(2).normal(size=60)
    offs[12:25] += 6
    assert "drift themselves" in str(charts.chart(simulated(offs, 25), None))


# -- by hand ----------------------------------------------------------------------------------------------------


def recorded(shop: Shop, told: list[tuple[str, str, str, dict[str, Any]]]) -> None:
    """Record many things at once: kind, sender, id, content."""
    entry = shop.ledger.entry
    _, refused = shop.ledger.append_all(entry(kind, what, sender=who, record_id=id) for kind, who, id, what in told)
    assert refused == []


def worked(
    shop: Shop,
    days: int,
    acid_kg: Callable[[int], float],
    set_pct: float = 35.0,
    mix_kg: Callable[[int, int], float | None] = lambda day, mix: None,
) -> None:
    """Four mixes a morning of m2, each of 100 kg with 1 kg of resin, and a strip check that tells what was set.

    Acid by day, each mix a few grams off; or of one mix, exactly.
    """
    start = datetime(2025, 1, 6, 8)
    told: list[tuple[str, str, str, dict[str, Any]]] = []
    for number in range(days):
        day = start + timedelta(days=number)
        for mix in range(4):
            at = f"{day + timedelta(minutes=30 * mix):%Y-%m-%d %H:%M}"
            wobble = 0.001 * ((7 * number + 3 * mix) % 5 - 2)
            alone = mix_kg(number, mix)
            acid = acid_kg(number) + wobble if alone is None else alone
            streams = [
                {"place": "silo_new", "mass_kg": "20"},
                {"place": "silo_f", "mass_kg": "80"},
                {"place": "tank_resin_f", "mass_kg": "1"},
                {"place": "tank_acid", "mass_kg": f"{max(acid, 0):.3f}"},
            ]
            content = {"mixer": "m2", "binder_system": "furan", "moulds": [f"{number}-{mix}"], "streams": streams}
            told.append(("mix", "m2", f"{number}-{mix}", content | {"at": at, "sand_temp_c": 15}))
        check = {
            "mix": f"{number}-0",
            "definition": "hand",
            "latest_min": 60,
            "catalyst_pct": set_pct,
            "sand_temp_c": 15,
        }
        told.append(("strip_check", "lab", f"s{number}", check | {"at": f"{day:%Y-%m-%d} 11:00"}))
    recorded(shop, told)


@pytest.fixture
def hand(make_shop: MakeShop, content: dict[str, Any], clock: Any) -> Shop:
    """The small shop with tolerances."""
    clock.set("2025-03-30 08:00")
    content["mixers"]["m2"] |= {"catalyst_tolerance_pct": 4, "resin_tolerance_pct": 3, "sand_tolerance_pct": 4}
    return make_shop(content)


def test_a_step_by_hand(hand: Shop) -> None:
    """Acid at 0.315 for 0.35 kg from day 30 on is 10 % low; found that day, after its four mixes."""
    worked(hand, 40, lambda number: 0.35 if number < 30 else 0.315)
    answer = hand.audit("m2", "2025-01-06", "2025-02-14")
    (drift,) = of_series("m2.furan.catalyst_pct", answer.values["drifts"])
    # Day 30 after Monday 6 January is 5 February.
    assert drift["first"] == "2025-02-05T08:00:00+01:00"
    assert drift["found_at"] == "2025-02-05T11:00:00+01:00"
    assert drift["mixes_until_found"] == 4
    assert drift["off"] == pytest.approx(-10.0, abs=0.2)
    assert drift["back_after"] is None
    assert "strip checks tell it" in answer.values["series"]["m2.furan.catalyst_pct"]["demand"]


@pytest.fixture
def of_purposes(make_shop: MakeShop, content: dict[str, Any], clock: Any) -> Callable[[dict[str, Any]], Shop]:
    """Forty days of two whole moulds, a facing of 40 % more resin and a core of more acid, in a set-up with those."""

    def make(own: dict[str, Any]) -> Shop:
        clock.set("2025-03-30 08:00")
        content["binder_systems"]["furan"] |= {"resin_window_pct": [0.8, 1.6], **own}
        shop = make_shop(content)
        mixes = [("whole", 80, 1.0, 0.35), ("whole", 80, 1.0, 0.35), ("facing", 60, 1.4, 0.49), ("core", 60, 1.0, 0.5)]
        told: list[tuple[str, str, str, dict[str, Any]]] = []
        for count in range(40):
            day, wobble = datetime(2025, 1, 6, 8) + timedelta(days=count), 1 + 0.002 * (count % 5 - 2)
            for number, (purpose, back, resin, acid) in enumerate(mixes):
                name = f"{day:%m-%d}-{number}"
                drawn = {"silo_new": 100 - back * wobble, "silo_f": back * wobble, "tank_resin_f": resin * wobble}
                drawn["tank_acid"] = acid * wobble**2
                mix = {"mixer": "m2", "binder_system": "furan", "moulds": [name], "purpose": purpose, "sand_temp_c": 15}
                mix["streams"] = [{"place": place, "mass_kg": f"{mass:.4f}"} for place, mass in drawn.items()]
                told.append(("mix", "m2", name, mix | {"at": f"{day + timedelta(minutes=30 * number):%Y-%m-%d %H:%M}"}))
            check = {"mix": f"{day:%m-%d}-0", "definition": "hand", "latest_min": 60, "sand_temp_c": 15}
            at = {"at": f"{day:%Y-%m-%d} 11:00", "catalyst_pct": 35}
            told.append(("strip_check", "lab", f"{day:%m-%d}", check | at))
        recorded(shop, told)
        return shop

    return make


def test_each_mix_is_judged_by_the_settings_of_its_purpose(of_purposes: Callable[[dict[str, Any]], Shop]) -> None:
    """4.4 kg of resin on 400 kg are the 1.1 % that two wholes, a facing and a core ask for; 70 % reclaimed likewise.

    (1 + 1 + 1.4 + 1) / 4 and (0.8 + 0.8 + 0.6 + 0.6) / 4. What a check on a whole mould tells is not the acid of cores.
    """
    own = {
        "facing": {"resin_pct": 1.4, "reclaimed_share": 0.6},
        "core": {"usual_strip_min": 40, "reclaimed_share": 0.6},
    }
    values = of_purposes(own).audit("m2", "2025-01-06", "2025-02-14").values
    resin, acid, back = (
        values["series"][f"m2.furan.{name}"] for name in ("resin_pct", "catalyst_pct", "reclaimed_share")
    )
    assert resin["points"][0]["wanted"] == pytest.approx(1.1)
    assert back["points"][0]["wanted"] == pytest.approx(0.7)
    assert (resin["off"], acid["off"], back["off"]) == pytest.approx((0, 0, 0), abs=0.01)
    assert resin["demand"] == "1 whole and core; 1.4 facing % of sand"
    assert back["demand"].startswith("by the set-up 0.6 facing and core; else the mixer's own share for each purpose")
    assert (acid["mixes"], acid["mixes_made"]) == (3 * 40, 4 * 40)
    assert values["far_off"] == values["drifts"] == []


def test_without_settings_of_their_own_such_mixes_stand_out(of_purposes: Callable[[dict[str, Any]], Shop]) -> None:
    """The same mixes against the system's alone: 10 % more resin, each facing 40 % and each core 43 % off its day."""
    values = of_purposes({}).audit("m2", "2025-01-06", "2025-02-14").values
    assert values["series"]["m2.furan.resin_pct"]["off"] == pytest.approx(10, abs=0.01)
    assert values["series"]["m2.furan.catalyst_pct"]["mixes"] == 4 * 40
    assert {(one["what"], round(one["off_pct"])) for one in values["far_off"]} == {
        ("resin_pct", 40),
        ("catalyst_pct", 43),
    }


def test_a_steady_error_is_told(hand: Shop) -> None:
    """A mixer always 8 % above what is set has no drift, and is said to be off beyond its tolerance."""
    worked(hand, 40, lambda number: 0.378)
    answer = hand.audit("m2", "2025-01-06", "2025-02-14")
    assert answer.values["drifts"] == []
    assert answer.values["series"]["m2.furan.catalyst_pct"]["off"] == pytest.approx(8.0, abs=0.1)
    assert [flag.code for flag in answer.flags] == ["dose_off"]
    assert "steadily 8.0 % above" in answer.flags[0].text


def test_without_settings_told_the_mixers_habit_is_the_measure(hand: Shop) -> None:
    """Where strip checks tell nothing, the answer says so and charts against the mixer's own habit."""
    worked(hand, 40, lambda number: 0.35 if number < 30 else 0.315)
    for number in range(40):
        hand.undo("lab", f"s{number}", reason="lost", by="lab")
    answer = hand.audit("m2", "2025-01-06", "2025-02-14")
    assert "own habit" in answer.values["series"]["m2.furan.catalyst_pct"]["demand"]
    (drift,) = of_series("m2.furan.catalyst_pct", answer.values["drifts"])
    assert drift["first"][:10] == "2025-02-05"


def test_too_little_is_not_judged(hand: Shop) -> None:
    """Ten days are too few to learn limits from: nothing is judged, and it is said."""
    worked(hand, 10, lambda number: 0.35)
    answer = hand.audit("m2", "2025-01-06", "2025-01-20")
    assert not answer.possible
    assert "where 25 are needed" in answer.values["not_judged"]["m2.furan.catalyst_pct"]


def test_a_tank_against_its_doses(hand: Shop) -> None:
    """160 mixes book 56 kg of acid; counts exact to 1 % (100.0 and 39.0 kg) say 61.0 kg: 5.0 kg more, beyond them."""
    for at, mass in (("2025-01-05", "100"), ("2025-02-15", "39")):
        count = {"place": "tank_acid", "mass_kg": mass, "error_pct": 1, "at": at}
        hand.log("count", count, sender="lab", id=at)
    worked(hand, 40, lambda number: 0.35)
    answer = hand.audit("m2", "2025-01-06", "2025-02-16")
    (tank,) = [one for one in answer.values["tanks"] if one["place"] == "tank_acid"]
    assert tank["doses_kg"] == pytest.approx(56.0, abs=0.05)
    assert tank["measured_kg"] == pytest.approx(61.0, abs=1e-6)
    # √(1.0² + 0.39²) = 1.0734
    span = answer.ranges["drawn_kg.0"]
    assert span.high - span.mid == pytest.approx(1.0734, abs=1e-3)
    assert [flag.code for flag in answer.flags] == ["tank_off"]


def test_an_unknown_mixer_is_refused(hand: Shop) -> None:
    """A mixer that the set-up lacks is no question, and the known ones are named."""
    with pytest.raises(Exception, match="m1, m2"):
        hand.audit("m9")


def test_an_error_put_right_is_told_as_such(hand: Shop) -> None:
    """A mixer 8 % above what is set that comes down to it on day 30 is said to be nearer, not to have gone wrong."""
    worked(hand, 40, lambda number: 0.378 if number < 30 else 0.35)
    answer = hand.audit("m2", "2025-01-06", "2025-02-14")
    (drift,) = of_series("m2.furan.catalyst_pct", answer.values["drifts"])
    assert (drift["usual_off"], drift["off"]) == pytest.approx((8.0, 0.0), abs=0.1)
    (flag,) = answer.flags
    assert "was 8.0 % above and went to 0.0 % " in flag.text
    assert flag.text.endswith("That is nearer to what it should be: note what put it right")


def test_a_dead_pump_is_a_drift(hand: Shop) -> None:
    """Days on which no acid was drawn at all are 100 % low, not days without a reading."""
    worked(hand, 34, lambda number: 0.35 if number < 32 else 0.0, mix_kg=lambda day, mix: 0.0 if day >= 32 else None)
    answer = hand.audit("m2", "2025-01-06", "2025-02-14")
    (drift,) = of_series("m2.furan.catalyst_pct", answer.values["drifts"])
    assert drift["off"] == pytest.approx(-100.0)
    assert drift["first"] == "2025-02-07T08:00:00+01:00"


def test_one_mix_without_acid_is_named(hand: Shop) -> None:
    """Of a mix without acid and one 20 % high, in days of four, the first is named with its mould, the second not."""
    alone = {(33, 1): 0.0, (35, 2): 0.42}
    worked(hand, 38, lambda number: 0.35, mix_kg=lambda day, mix: alone.get((day, mix)))
    answer = hand.audit("m2", "2025-01-06", "2025-02-14")
    (mix,) = answer.values["far_off"]
    assert (mix["mix"], mix["what"], mix["moulds"], mix["off_pct"]) == ("33-1", "catalyst_pct", ["33-1"], -100.0)
    assert mix["others_pct"] == pytest.approx(35.0, abs=0.2)
    (flag,) = [flag for flag in answer.flags if flag.code == "mix_far_off"]
    assert "mould 33-1: catalyst 0 %, the others of its day 3" in flag.text


def test_mixes_between_two_settings_are_not_judged(hand: Shop) -> None:
    """One morning 35 and then 40 % are told, nobody knows since when: the mix between the checks is not judged."""
    worked(hand, 30, lambda number: 0.35)
    changed = {"mix": "29-3", "definition": "hand", "latest_min": 50, "catalyst_pct": 40, "sand_temp_c": 15}
    hand.log("strip_check", changed | {"at": "2025-02-04 11:30"}, sender="lab", id="later")
    one = hand.audit("m2", "2025-01-06", "2025-02-14").values["series"]["m2.furan.catalyst_pct"]
    # Day 29 is one reading of the first mix alone, and one of the last alone: fewer than three mixes, so none.
    assert (one["mixes"], one["mixes_made"]) == (29 * 4, 30 * 4)


def test_one_grade_alone_has_no_share_to_learn_from(hand: Shop) -> None:
    """Winter on the fast grade alone says nothing of the share's spread: only days of both grades are judged."""
    start = datetime(2025, 1, 6, 8)
    told: list[tuple[str, str, str, dict[str, Any]]] = []
    for number in range(40):
        fast = 1.0 if number < 10 else 0.8
        for mix in range(3):
            at = f"{start + timedelta(days=number, minutes=30 * mix):%Y-%m-%d %H:%M}"
            off = 0.001 * ((7 * number + 3 * mix) % 5 - 2)
            streams = [
                {"place": "silo_new", "mass_kg": "50"},
                {"place": "silo_e", "mass_kg": "50"},
                {"place": "tank_resin_e", "mass_kg": "1.6"},
                {"place": "tank_fast", "mass_kg": f"{0.4 * fast + off:.3f}"},
            ]
            streams += [{"place": "tank_slow", "mass_kg": f"{0.4 * (1 - fast):.3f}"}] if fast < 1 else []
            content = {"mixer": "m1", "binder_system": "ester", "moulds": [f"{number}-{mix}"], "streams": streams}
            told.append(("mix", "m1", f"{number}-{mix}", content | {"at": at}))
        check = {"mix": f"{number}-0", "definition": "hand", "latest_min": 60, "fast_share": fast, "sand_temp_c": 15}
        told.append(("strip_check", "lab", f"s{number}", check | {"at": f"{at[:10]} 11:00"}))
    recorded(hand, told)
    one = hand.audit("m1", "2025-01-06", "2025-02-14").values["series"]["m1.ester.fast_share"]
    assert (one["readings"], one["learned"]) == (30, 30)
    assert {point["wanted"] for point in one["points"]} == {0.8}


def test_both_parts_of_a_urethane_are_audited(make_shop: MakeShop, content: dict[str, Any], clock: Any) -> None:
    """Part 2 at 0.45 kg on 0.60 kg of part 1, where 55:45 asks for 81.8 %, is 8.3 % low; the binder is 3.0 % low."""
    clock.set("2025-03-30 08:00")
    for name, kind in (("pu_1", "resin"), ("pu_2", "resin"), ("amine", "catalyst")):
        content["materials"][name] = {"name": name, "kind": kind, "density_kg_m3": 1100}
        content["places"][f"tank_{name}"] = {"name": name, "kind": "tank", "material": name}
    content["binder_systems"]["pu"] = {
        "family": "phenolic_urethane",
        "part_1": "pu_1",
        "part_2": "pu_2",
        "catalyst": "amine",
        "part_1_share": 0.55,
        "resin_pct": 1.0825,
        "catalyst_pct": 2,
    }
    mixer = content["mixers"]["m2"]
    mixer["binder_systems"] = ["furan", "pu"]
    mixer |= {"catalyst_tolerance_pct": 4, "resin_tolerance_pct": 3}
    shop, told = make_shop(content), []
    for number in range(26):
        for mix in range(3):
            at = f"{datetime(2025, 1, 6, 8 + mix) + timedelta(days=number):%Y-%m-%d %H:%M}"
            off = 0.001 * ((7 * number + 3 * mix) % 5 - 2)
            streams = [
                {"place": place, "mass_kg": f"{mass:.3f}"}
                for place, mass in (
                    ("silo_new", 100),
                    ("tank_pu_1", 0.6),
                    ("tank_pu_2", 0.45 + off),
                    ("tank_amine", 0.012),
                )
            ]
            what = {"mixer": "m2", "binder_system": "pu", "moulds": [f"{number}-{mix}"], "streams": streams, "at": at}
            told.append(("mix", "m2", f"{number}-{mix}", what))
    recorded(shop, told)
    answer = shop.audit("m2", "2025-01-06", "2025-02-14")
    series = answer.values["series"]
    # 0.75 ÷ 0.8182 − 1, and 1.05 ÷ 1.0825 − 1
    assert series["m2.pu.part_2_pct"]["off"] == pytest.approx(-8.33, abs=0.02)
    assert series["m2.pu.resin_pct"]["off"] == pytest.approx(-3.0, abs=0.02)
    (flag,) = answer.flags
    assert "part 2 on part 1 of pu on Small mixer was steadily 8.3 % below" in flag.text


# -- tanks ------------------------------------------------------------------------------------------------------


def counted(shop: Shop, counts: dict[str, str], error_pct: float | None = 1) -> None:
    """Log counts of the acid tank."""
    error = {} if error_pct is None else {"error_pct": error_pct}
    for at, mass in counts.items():
        shop.log("count", {"place": "tank_acid", "mass_kg": mass, "at": at} | error, sender="lab", id=at)


def of_acid(answer: Any) -> list[tuple[Any, float]]:
    """What is told of the acid tank, and the error that goes with it."""
    told = enumerate(answer.values["tanks"])
    return [
        (one, answer.ranges[f"drawn_kg.{number}"].high - one["measured_kg"])
        for number, one in told
        if one["place"] == "tank_acid"
    ]


def test_a_slow_loss_shows_over_all_counts(hand: Shop) -> None:
    """Two stretches 1.1 kg off each hide in their counts' errors; together 2.2 kg do not: the inner count cancels."""
    worked(hand, 40, lambda number: 0.35)
    # 20 days of four mixes draw 28 kg: 100 − 28 − 1.1 = 70.9, then 70.9 − 28 − 1.1 = 41.8.
    counted(hand, {"2025-01-05": "100", "2025-01-25": "70.9", "2025-02-15": "41.8"})
    answer = hand.audit("m2", "2025-01-06", "2025-02-16")
    (whole, error), (first, first_error), (second, _) = of_acid(answer)
    assert [one["whole"] for one in (whole, first, second)] == [True, False, False]
    assert [one["off_kg"] for one in (whole, first, second)] == pytest.approx([2.2, 1.1, 1.1], abs=0.03)
    # √(1.0² + 0.418²) and √(1.0² + 0.709²); beyond 1.5 times the error is surely off
    assert (error, first_error) == pytest.approx((1.0838, 1.2258), abs=1e-3)
    assert [one["surely_off"] for one in (whole, first, second)] == [True, False, False]
    assert [flag.code for flag in answer.flags] == ["tank_off"]
    assert "between 5 Jan 2025 and 15 Feb 2025" in answer.flags[0].text


def test_a_count_without_an_error_is_not_taken_as_exact(hand: Shop) -> None:
    """Counts that state no error are taken to 2 %: 1 kg in 56 is no alarm."""
    worked(hand, 40, lambda number: 0.35)
    counted(hand, {"2025-01-05": "100", "2025-02-15": "43"}, error_pct=None)
    answer = hand.audit("m2", "2025-01-06", "2025-02-16")
    ((tank, error),) = of_acid(answer)
    assert tank["off_kg"] == pytest.approx(1.0, abs=0.03)
    # √(2.0² + 0.86²)
    assert error == pytest.approx(2.1771, abs=1e-3)
    assert answer.flags == ()


def test_levels_with_a_delivery_between_by_hand(make_shop: MakeShop, content: dict[str, Any], clock: Any) -> None:
    """Levels of 0.20 and 0.25 m with 120 kg delivered between; a last level above the tank's top is passed over."""
    clock.set("2025-03-30 08:00")
    content["places"]["tank_acid"]["shape"] = {"form": "cylinder", "diameter_m": 1.0, "height_m": 1.0}
    shop = make_shop(content)
    for at, level in (("2025-01-05 12:00", 0.2), ("2025-02-15 12:00", 0.25), ("2025-02-16 12:00", 2.5)):
        shop.log("level", {"place": "tank_acid", "level_m": level, "at": at}, sender="lab", id=at)
    drum = {"place": "tank_acid", "material": "acid", "mass_kg": "120", "at": "2025-01-20 12:00"}
    shop.log("delivery", drum, sender="lab", id="drum")
    worked(shop, 40, lambda number: 0.35)
    ((tank, error),) = of_acid(shop.audit("m2", "2025-01-01", "2025-02-20"))
    # 1250 kg/m³ · π/4 m² is 981.75 kg/m: 0.05 m up is 49.087 kg, so 120 − 49.087 = 70.913 kg went; 56 kg were dosed.
    assert (tank["by"], tank["until"][:10]) == ("level", "2025-02-15")
    assert tank["measured_kg"] == pytest.approx(70.913, abs=1e-3)
    assert tank["doses_kg"] == pytest.approx(56.0, abs=0.05)
    # Twice 5 mm at either end: 2 · 4.909 kg each; 2 % of 49.087 kg for the density. √(2 · 9.8175² + 0.9817²)
    assert error == pytest.approx(13.919, abs=2e-3)
