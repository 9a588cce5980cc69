"""Set-points on the pumps' own scale: by the mixer's calibration, on its steps, and agreeing with all else told."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.report.answers import text
from sandtrack.report.text import Names

from .conftest import PLANT, Clock
from .reading import codes, text_of
from .test_setting import chance_by_hand, furan_by_hand

Make = Callable[[dict[str, Any]], Shop]
Lines = dict[str, tuple[float, float]]
# kg/min at setting 0, and more for each unit of the setting
RESIN, ACID = (0.0, 0.03), (0.02, 0.012)


def caught(
    shop: Shop, stream: str, setting: float, kg: tuple[float, ...], at: str = "2025-03-03 07:00", mixer: str = "m1"
) -> None:
    """Log a calibration: so many kilograms in a minute each."""
    catches = [{"seconds": 60, "mass_kg": str(round(mass, 9))} for mass in kg]
    content = {"mixer": mixer, "stream": stream, "setting": setting, "catches": catches, "at": at}
    shop.log("calibration", content, sender="lab", id=f"{at}{mixer}{stream}{setting}")


def lines(shop: Shop, found: Lines, between: tuple[float, float] = (10, 100)) -> Shop:
    """Pumps caught at two settings, twice each, exactly on these lines."""
    for stream, (first, rise) in found.items():
        for setting in between:
            caught(shop, stream, setting, (first + rise * setting,) * 2)
    return shop


@pytest.fixture
def stepped(make_shop: Make, content: dict[str, Any]) -> Callable[..., Shop]:
    """Make the small shop with steps of the large mixer's pumps, caught exactly on lines."""

    def make(steps: dict[str, float], resin: tuple[float, float] = RESIN, acid: tuple[float, float] = ACID) -> Shop:
        content["mixers"]["m1"]["setting_steps"] = steps
        return lines(make_shop(content), {"resin": resin, "catalyst": acid})

    return make


def test_setting_of_a_pump_and_its_range_by_hand(shop: Shop) -> None:
    """1.5 kg/min off a line through six catches, its range by Fieller's theorem written out with SciPy's t."""
    points = [(40, 1.21), (40, 1.25), (60, 1.76), (60, 1.80), (80, 2.41), (80, 2.43)]
    for setting in (40, 60, 80):
        caught(shop, "resin", setting, tuple(kg for at, kg in points if at == setting))
    answer = shop.setting("m1", "furan", 20)
    fit = stats.linregress(*zip(*points, strict=True))
    off = (1.5 - fit.slope * 60 - fit.intercept) / fit.slope  # from the mean setting of 60
    sd = math.sqrt(sum((kg - fit.intercept - fit.slope * at) ** 2 for at, kg in points) / 4)
    t, squares = stats.t.ppf(0.975, 4), sum((at - 60) ** 2 for at, _ in points)
    g = (t * sd / fit.slope) ** 2 / squares
    half = t * sd / fit.slope * math.sqrt((1 - g) / 6 + off**2 / squares) / (1 - g)
    span, pump = answer.ranges["pump_setting.resin"], answer.values["pumps"]["resin"]
    assert pump["setting"] == span.mid == pytest.approx(60 + off)
    assert (span.low, span.high) == pytest.approx((60 + off / (1 - g) - half, 60 + off / (1 - g) + half))
    assert span.coverage == 0.95
    assert (pump["stream"], pump["step"], pump["inside"]) == ("resin", None, True)
    assert pump["calibrated_at"] == "2025-03-03T07:00:00+01:00"
    assert answer.values["flows_ml_min"]["resin"] == pytest.approx(1250)  # 1.5 kg/min at 1.2 kg/l
    # the other pump was never caught: kg/min stays, and what to do is said
    assert set(answer.values["pumps"]) == {"resin"}
    assert text_of(answer, "calibration_missing") == (
        "no calibration of catalyst on Large mixer is recorded: set by kg/min, and weigh three timed catches of each "
        "stream, two settings or more"
    )
    bare = shop.setting("m1", "furan", 20, at="2025-03-03 06:59")
    assert answer.values["flows_kg_min"] == bare.values["flows_kg_min"], "without steps nothing else changes"


def test_everything_is_worked_out_again_after_rounding(stepped: Callable[..., Shop]) -> None:
    """Acid of 0.02 + 0.012 a step: 48 steps are 0.596 kg/min, 39.73 % of 1.5, which just reaches 80 %; 47 do not."""
    answer = stepped({"resin": 1, "catalyst": 1}).setting("m1", "furan", 20, box_sand_kg=600)
    acid_pct = 100 * 0.596 / 1.5
    assert chance_by_hand(*furan_by_hand(20, 100 * 0.584 / 1.5), 60) < 0.8
    chance = chance_by_hand(*furan_by_hand(20, acid_pct), 60)
    assert chance >= 0.8
    values = answer.values
    assert {liquid: pump["setting"] for liquid, pump in values["pumps"].items()} == {"resin": 50, "catalyst": 48}
    assert values["catalyst_pct"] == pytest.approx(acid_pct)
    assert values["chance_to_strip"] == pytest.approx(chance, abs=1e-6)
    assert values["flows_kg_min"]["catalyst"] == pytest.approx(0.596)
    assert values["flows_ml_min"]["catalyst"] == pytest.approx(0.596 / 1.25 * 1000)
    assert values["masses_kg"]["catalyst"] == pytest.approx(0.596 * 600 / 150)
    middle, _ = furan_by_hand(20, acid_pct)
    assert values["strip_time_min"] == pytest.approx(middle)
    assert values["work_time_used_share"] == pytest.approx(4 / answer.ranges["work_time_min"].low)
    assert not codes(answer)


def test_acid_goes_with_the_resin_that_is_really_pumped(stepped: Callable[..., Shop]) -> None:
    """In steps of 7 the resin is set to 49, 1.47 kg/min or 0.98 %; 35 % acid of that is 0.5145, the step 41.2."""
    answer = stepped({"resin": 7, "catalyst": 0.1}).setting("m1", "furan", 20, catalyst_pct=35)
    assert answer.values["resin_pct"] == pytest.approx(0.98)
    assert answer.values["pumps"]["resin"]["setting"] == 49
    assert answer.values["pumps"]["catalyst"]["setting"] == 41.2  # (0.5145 - 0.02) / 0.012 = 41.21
    assert answer.values["catalyst_pct"] == pytest.approx(100 * (0.02 + 0.012 * 41.2) / 1.47)


def test_resin_is_rounded_into_its_window(make_shop: Make, content: dict[str, Any]) -> None:
    """1.2 % of 150 is 1.8 kg/min, setting 60: in steps of 7 the nearer 63 is 1.26 %, outside 0.8 to 1.2; 56 is 1.12."""
    content["binder_systems"]["furan"]["resin_pct"] = 1.2
    content["mixers"]["m1"]["setting_steps"] = {"resin": 7}
    answer = lines(make_shop(content), {"resin": RESIN, "catalyst": ACID}).setting("m1", "furan", 20)
    assert answer.values["pumps"]["resin"]["setting"] == 56
    assert answer.values["resin_pct"] == pytest.approx(1.12)
    assert "outside_window" not in codes(answer)


def test_two_grades_by_two_pumps(make_shop: Make, content: dict[str, Any]) -> None:
    """0.01 kg/min a unit, in steps of 5: 0.33 slow and 0.27 fast become 35 and 25, 0.6 in all, 41.7 % of it fast."""
    content["mixers"]["m1"]["setting_steps"] = {"slow": 5, "fast": 5}
    shop = lines(make_shop(content), {"ester_resin": RESIN, "slow": (0.0, 0.01), "fast": (0.0, 0.01)})
    answer = shop.setting("m1", "ester", 20, fast_share=0.44)
    assert {liquid: pump["setting"] for liquid, pump in answer.values["pumps"].items()} == {
        "resin": pytest.approx(80), "slow": 35, "fast": 25,
    }  # fmt: skip
    assert answer.values["fast_share"] == pytest.approx(0.25 / 0.6)
    assert answer.values["catalyst_pct"] == pytest.approx(100 * 0.6 / 2.4)


def test_an_amount_stated_outside_its_window_is_no_fault_of_the_steps(make_shop: Make, content: dict[str, Any]) -> None:
    """35 % of ester, of 18 to 30: told as outside, and still set in steps; these are not called too coarse."""
    content["binder_systems"]["ester"]["catalyst_pct"] = 35
    content["mixers"]["m1"]["setting_steps"] = {"slow": 5, "fast": 5}
    shop = lines(make_shop(content), {"slow": (0.0, 0.01), "fast": (0.0, 0.01)})
    answer = shop.setting("m1", "ester", 20, fast_share=0.5)  # 0.42 kg/min of each
    assert {liquid: pump["setting"] for liquid, pump in answer.values["pumps"].items()} == {"slow": 40, "fast": 40}
    assert "outside_window" in codes(answer)
    assert "pump_too_coarse" not in codes(answer)


def test_parts_of_urethanes_by_their_pumps(make_shop: Make, content: dict[str, Any]) -> None:
    """60 kg/min, 1.2 % 55:45: parts of 0.396 and 0.324 in steps of 0.05 are 0.40 and 0.30; 2 % amine is 0.008."""
    content["materials"] |= {key: {"kind": "resin", "density_kg_m3": 1000} for key in ("pu_1", "pu_2", "amine")}
    content["places"] |= {f"tank_{key}": {"kind": "tank", "material": key} for key in ("pu_1", "pu_2", "amine")}
    content["binder_systems"]["pu"] = {
        "family": "phenolic_urethane", "part_1": "pu_1", "part_2": "pu_2", "catalyst": "amine", "part_1_share": 0.55,
        "resin_pct": 1.2, "sand_window_c": [15, 35],
        "reference": {"strip_time_min": 20, "temp_c": 20, "catalyst_pct": 2, "definition": "hand"},
    }  # fmt: skip
    mixer = content["mixers"]["m2"]
    mixer["binder_systems"].append("pu")
    mixer["draws"]["pu"] = {"part_1": "tank_pu_1", "part_2": "tank_pu_2", "amine": "tank_amine"}
    mixer["setting_steps"] = {"part_1": 5, "pu_part_2": 5}
    shop = make_shop(content)
    for stream, rise in (("part_1", 0.01), ("pu_part_2", 0.01), ("amine", 0.0001)):
        for setting in (10, 100):
            caught(shop, stream, setting, (rise * setting,) * 2, mixer="m2")
    values = shop.setting("m2", "pu", 20, catalyst_pct=2).values
    assert {liquid: pump["setting"] for liquid, pump in values["pumps"].items()} == {
        "part_1": 40, "part_2": 30, "catalyst": pytest.approx(80),
    }  # fmt: skip
    flows = {liquid: values["flows_kg_min"][liquid] for liquid in values["pumps"]}
    assert flows == pytest.approx({"part_1": 0.40, "part_2": 0.30, "catalyst": 0.008})
    assert values["resin_pct"] == pytest.approx(100 * 0.7 / 60)


def test_alkyd_isocyanate_and_drier_by_their_pumps(make_shop: Make, content: dict[str, Any]) -> None:
    """100 kg/min: alkyd 1.5, isocyanate 0.3 in steps of 0.02 kg/min is 0.3, alkyd in 0.04 is 1.52; drier 4 % of it."""
    content["materials"] |= {key: {"kind": "resin", "density_kg_m3": 1000} for key in ("alkyd", "iso", "drier")}
    content["binder_systems"]["alkyd"] = {
        "family": "alkyd_urethane", "part_1": "alkyd", "part_2": "iso", "drier": "drier", "part_2_share": 1 / 6,
        "resin_pct": 1.8,
        "reference": {"strip_time_min": 60, "temp_c": 20, "catalyst_pct": 4, "definition": "hand"},
    }  # fmt: skip
    content["places"] |= {f"tank_{key}": {"kind": "tank", "material": key} for key in ("alkyd", "iso", "drier")}
    content["mixers"]["m2"] |= {"binder_systems": ["furan", "alkyd"], "sand_kg_min": 100}
    content["mixers"]["m2"]["draws"]["alkyd"] = {key: f"tank_{key}" for key in ("alkyd", "iso", "drier")}
    content["mixers"]["m2"]["setting_steps"] = {"alkyd": 4, "iso": 2}
    shop = make_shop(content)
    for stream in ("alkyd", "iso", "drier"):
        for setting in (10, 200):
            caught(shop, stream, setting, (0.01 * setting,) * 2, mixer="m2")
    answer = shop.setting("m2", "alkyd", 20, catalyst_pct=4)
    values = answer.values
    assert {liquid: values["flows_kg_min"][liquid] for liquid in ("resin", "co_reactant", "drier")} == pytest.approx(
        {"resin": 1.52, "co_reactant": 0.3, "drier": 0.0608}
    )
    assert values["resin_pct"] == pytest.approx(1.82)
    assert values["pumps"]["resin"]["setting"] == 152
    told = text(answer, Names(shop.plant()))
    assert "drier 4 % of alkyd part" in told
    assert "isocyanate 0.3 kg/min" in told


def test_beyond_what_was_caught_is_flagged(stepped: Callable[..., Shop], shop: Shop) -> None:
    """39.8 % acid needs setting 48.1: caught between 10 and 40 it is told, and called a guess."""
    lines(shop, {"resin": RESIN, "catalyst": ACID}, between=(10, 40))
    answer = shop.setting("m1", "furan", 20, catalyst_pct=39.8)
    assert [flag.text for flag in answer.flags if flag.code == "beyond_calibration"] == [
        "resin of Large mixer at setting 50 lies beyond the 10 to 40 that were caught: a guess, so catch it there "
        "before it is used",
        "catalyst of Large mixer at setting 48.08 lies beyond the 10 to 40 that were caught: a guess, so catch it "
        "there before it is used",
    ]
    assert answer.values["pumps"]["catalyst"]["inside"] is False
    assert not codes(stepped({}).setting("m1", "furan", 20)), "caught from 10 to 100 it is not"


def test_one_setting_caught_is_a_proportion_and_flagged(shop: Shop) -> None:
    """0.6 kg/min at 40 alone: 0.525 kg/min (35 % of 1.5) is put at 35; not to be told from the one caught, no flag."""
    caught(shop, "catalyst", 40, (0.6, 0.6))
    caught(shop, "resin", 50, (1.49, 1.52, 1.505))  # 1.505 on the mean: 1.5 is 49.83, with 50 in its range
    answer = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert answer.values["pumps"]["catalyst"]["setting"] == pytest.approx(35)
    assert answer.values["pumps"]["resin"]["inside"] is True
    assert text_of(answer, "one_setting_caught") == (
        "caught at one setting only on Large mixer: catalyst at 40, so that 35 is in proportion to it; weigh three "
        "timed catches of each stream, two settings or more"
    )
    assert any(basis.tag == "default" and "proportional" in basis.value for basis in answer.basis)


def test_a_pump_that_does_not_answer_is_set_by_kg_min(shop: Shop) -> None:
    """Catches of 0.6, 0.5 and 0.61 kg at 40, 50 and 60 show no rise: no setting is read off them."""
    for setting, kg in ((40, 0.6), (50, 0.5), (60, 0.61)):
        caught(shop, "catalyst", setting, (kg,))
    answer = shop.setting("m1", "furan", 20)
    assert answer.values["pumps"] == {}
    assert text_of(answer, "calibration_flat").startswith(
        "the latest catches of catalyst on Large mixer do not show that a higher setting gives more: set by kg/min"
    )


def test_overdue_from_the_day_after_it_was_due(make_shop: Make, content: dict[str, Any], clock: Clock) -> None:
    """Weekly, caught on Monday the 3rd: on the 10th still in force, on the 11th flagged, kg/min alone."""
    content["mixers"]["m1"]["calibrate_every_days"] = 7
    shop = lines(make_shop(content), {"resin": RESIN, "catalyst": ACID})
    clock.set("2025-03-10 20:00")
    on_time = shop.setting("m1", "furan", 20)
    assert set(on_time.values["pumps"]) == {"resin", "catalyst"}
    clock.set("2025-03-11 08:00")
    late = shop.setting("m1", "furan", 20)
    assert late.values["pumps"] == {}
    assert late.values["flows_kg_min"] == on_time.values["flows_kg_min"]
    assert text_of(late, "calibration_overdue") == (
        "Large mixer was last calibrated on 3 Mar 2025 (resin and catalyst); it is due every 7 days: set by kg/min, "
        "and weigh three timed catches of each stream, two settings or more"
    )
    caught(shop, "resin", 50, (1.5, 1.5), at="2025-03-11 07:50")
    assert set(shop.setting("m1", "furan", 20).values["pumps"]) == {"resin"}


def test_each_system_goes_by_its_own_pump(shop: Shop) -> None:
    """Both systems draw a "resin", from two tanks: furan's own pump counts, though the other was caught after it."""
    for setting in (40, 60):
        caught(shop, "furan_resin", setting, (0.03 * setting,), at="2025-02-03 07:00")
        caught(shop, "furan_resin", setting, (0.03 * setting,), at="2025-02-03 07:10")
        caught(shop, "resin", setting, (0.06 * setting,) * 2)
    assert shop.setting("m1", "furan", 20).values["pumps"]["resin"]["setting"] == pytest.approx(50)
    assert shop.setting("m1", "ester", 20).values["pumps"]["resin"]["setting"] == pytest.approx(40)


def test_the_latest_day_of_catches_counts(shop: Shop) -> None:
    """A calibration of an earlier day, at other rates, is gone by no more; one withdrawn is as never made."""
    lines(shop, {"catalyst": (0.0, 0.02)})
    for setting in (10, 100):
        caught(shop, "catalyst", setting, (0.03 * setting,) * 2, at="2025-03-02 07:00")
    at_35 = {"catalyst_pct": 35}  # 0.525 kg/min
    assert shop.setting("m1", "furan", 20, **at_35).values["pumps"]["catalyst"]["setting"] == pytest.approx(26.25)
    for setting in (10, 100):
        shop.undo("lab", f"2025-03-03 07:00m1catalyst{setting}", reason="scale off", by="ida")
    assert shop.setting("m1", "furan", 20, **at_35).values["pumps"]["catalyst"]["setting"] == pytest.approx(17.5)


def test_steps_too_coarse_for_the_window(stepped: Callable[..., Shop]) -> None:
    """Acid of 1.2 kg/min a step is 80 % of the resin, and the next 160 %: nothing is rounded, and that is said."""
    answer = stepped({"catalyst": 100}).setting("m1", "furan", 20)
    assert answer.values["catalyst_pct"] == 39.8
    assert answer.values["pumps"]["catalyst"]["setting"] == pytest.approx((0.597 - 0.02) / 0.012)
    assert text_of(answer, "pump_too_coarse").startswith("steps of 100 of catalyst on Large mixer are too coarse")


def test_a_setting_between_two_steps_is_moved_and_that_is_said(stepped: Callable[..., Shop]) -> None:
    """0.375 kg/min a step is 25 % of 1.5: asked about 35 %, 25 % is told; on a step, or a hair off, nothing is said."""
    shop = stepped({"catalyst": 31.25}, acid=(0.0, 0.012))
    answer = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert answer.values["catalyst_pct"] == pytest.approx(25)
    assert text_of(answer, "setting_moved") == "35 % acid is no step of the pump: the nearest, 25 % acid, is told"
    assert "setting_moved" not in codes(shop.setting("m1", "furan", 20, catalyst_pct=25.05))


def test_a_faster_mixer_goes_by_its_own_pumps(stepped: Callable[..., Shop]) -> None:
    """750 kg in 5 min: 40 % acid leaves time, but in steps of 0.375 kg/min there are 25 and 50 %, and 50 does not."""
    for step, serves in ((1, True), (31.25, False)):
        shop = stepped({"catalyst": step}, acid=(0.0, 0.012))
        (way,) = [way for way in shop.setting("m2", "furan", 20, box_sand_kg=750).instead if way.startswith("a mixer")]
        assert ("Large mixer" in way) is serves
        assert shop.setting("m1", "furan", 20, box_sand_kg=750).possible is serves


def test_a_step_of_a_stream_that_is_not_drawn_is_refused(make_shop: Make, content: dict[str, Any]) -> None:
    """A slip in the name of a stream would round nothing: the set-up is refused, with the names there are."""
    content["mixers"]["m1"]["setting_steps"] = {"katalyst": 1}
    with pytest.raises(InputErrors) as caught_error:
        make_shop(content)
    (problem,) = caught_error.value.problems
    assert "furan_catalyst" in (problem.accepted or "")


# -- properties -----------------------------------------------------------------------------------------------------

COARSE: dict[str, Lines] = {
    "coarse": {"resin": (0.02, 0.031), "catalyst": (0.013, 0.0121), "slow": (0.011, 0.0093), "fast": (-0.02, 0.0117)},
    "fine": {"resin": (0.0, 0.03), "catalyst": (0.0, 0.01), "slow": (0.0, 0.01), "fast": (0.0, 0.01)},
}
STEPS = {"coarse": 1.0, "fine": 0.1}


@pytest.fixture(scope="module")
def shops(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Shop]]:
    """Two shops, one with pumps that can only be set in coarse steps."""
    made = {}
    for name, found in COARSE.items():
        plant = deepcopy(PLANT)
        plant["mixers"]["m1"]["setting_steps"] = dict.fromkeys(found, STEPS[name])
        path: Path = tmp_path_factory.mktemp("pumped") / f"{name}.sandtrack"
        made[name] = lines(Shop.create(path, plant, clock=Clock("2025-03-03 08:00")), found)
    yield made
    for shop in made.values():
        shop.close()


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(COARSE)),
    system=st.sampled_from([("furan", "catalyst_pct", 20, 50), ("ester", "fast_share", 0, 1)]),
    temp_c=st.integers(-200, 600).map(lambda tenths: tenths / 10),
    strip=st.floats(5, 600),
    box=st.none() | st.floats(20, 5000),
)
def test_rounded_settings_stay_inside_and_agree_with_themselves(
    shops: dict[str, Shop],
    name: str,
    system: tuple[str, str, float, float],
    temp_c: float,
    strip: float,
    box: float | None,
) -> None:
    """Served or nearest: on steps, inside every window; asked back as told or as read, all of it is the same."""
    key, lever, low, high = system
    asked: dict[str, Any] = {"strip_time_min": strip, "box_sand_kg": box}
    answer = shops[name].setting("m1", key, temp_c, **asked)
    told = answer.values if answer.possible else answer.values.get("nearest")
    if told is None:  # sand too cold or too hot for any setting
        assert codes(answer) & {"sand_cold", "sand_hot"}
        return
    assert low <= told[lever] <= high
    assert "outside_window" not in codes(answer)
    for liquid, pump in told["pumps"].items():
        first, rise = COARSE[name][pump["stream"]]
        assert pump["setting"] / STEPS[name] == pytest.approx(round(pump["setting"] / STEPS[name]))
        assert told["flows_kg_min"][liquid] == pytest.approx(first + rise * pump["setting"])
    read = {"catalyst_pct": round(told[lever], 1), "fast_share": round(told[lever], 3)}[lever]
    for value in (told[lever], min(max(read, low), high)):
        back = shops[name].setting("m1", key, temp_c, **asked, **{lever: value})
        of_back = back.values if back.possible else back.values["nearest"]
        assert {each: of_back.get(each) for each in _SAME} == {each: told.get(each) for each in _SAME}
        assert (answer.verdict != "no") == codes(back).isdisjoint({"chance_below", "fill_too_long"})
    if answer.possible:
        assert back.ranges == answer.ranges


_SAME = (
    "resin_pct",
    "catalyst_pct",
    "fast_share",
    "chance_to_strip",
    "flows_kg_min",
    "flows_ml_min",
    "pumps",
    "fill_within_min",
    "work_time_used_share",
    "masses_kg",
)


def test_the_moulders_words_stay_as_they_are(stepped: Callable[..., Shop]) -> None:
    """Pumps and steps add nothing to what is said on the floor."""
    answer = stepped({"catalyst": 1}).setting("m1", "furan", 20)
    assert answer.values["say"] == "35 minutes, could be 15 to 80; test, then draw"
