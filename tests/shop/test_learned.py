"""Strip times learned from the shop's own checks: the invented year's laws found again, nothing mixed or hidden."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sandtrack import Shop
from sandtrack.errors import UnknownName
from sandtrack.shop import Answer

from .conftest import check
from .reading import basis_of, codes, text_of

END = "2025-12-31"
# derived: the invented year's README: strip time at 20 °C and the usual setting, energy, fall with the setting
FURAN = {"strip_time_min": 52.0 * (34 / 35) ** -1.3, "activation_energy_kj_mol": 46.0, "exponent": 1.3}
ESTER = {"strip_time_min": 58.0, "activation_energy_kj_mol": 55.0, "slope": 1.6}


def truth_min(system: str, temp_c: float, lever: float) -> float:
    """The middle strip time that the invented year was made with, written out from its README."""
    warmth = (1 / (temp_c + 273.15) - 1 / 293.15) * 1000 / 8.314462618
    if system == "furan":
        return 52 * math.exp(46 * warmth) * (lever / 35) ** -1.3
    return 58 * math.exp(55 * warmth) * math.exp(-1.6 * (lever - 0.5))


@pytest.fixture(scope="module")
def year(_demo_year: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """The invented year, only asked."""
    copied = shutil.copy(_demo_year, tmp_path_factory.mktemp("learned") / "year.sandtrack")
    with Shop.open(copied) as shop:
        yield shop


@pytest.fixture(scope="module")
def told(year: Shop) -> dict[str, Answer]:
    """What the year's checks have taught of each system."""
    return {key: year.learned(key, END) for key in ("furan", "ester")}


# -- the invented year ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("system", "law", "sheet_min"), [("furan", FURAN, 45), ("ester", ESTER, 50)])
def test_the_years_laws_are_found_again(
    told: dict[str, Answer], system: str, law: dict[str, float], sheet_min: float
) -> None:
    """Each number of the true law lies inside its learned 80 % range; the strip time is far from the sheet's."""
    answer = told[system]
    for name, true in law.items():
        span = answer.ranges[name]
        assert span.low < true < span.high, (name, true, span)
    assert answer.values["strip_time_min"] == pytest.approx(law["strip_time_min"], rel=0.04)
    assert abs(math.log(law["strip_time_min"] / sheet_min)) > 0.1, "the sheet was too hopeful"


@pytest.mark.parametrize(
    ("system", "lever_name", "places"),
    [
        ("furan", "catalyst_pct", [(10, 42), (14, 40), (17, 36), (20, 33), (23, 30), (26, 28), (29, 26)]),
        ("ester", "fast_share", [(10, 1.0), (13, 0.8), (16, 0.6), (19, 0.4), (23, 0.2), (28, 0.0)]),
    ],
)
def test_true_times_lie_in_the_learned_ranges(
    year: Shop, system: str, lever_name: str, places: list[tuple[float, float]]
) -> None:
    """Along the chart the true middle is inside every 80 % range, which is at most 1.35 wide; the belief's is 4."""
    for temp_c, lever in places:
        answer = year.setting("m1", system, temp_c, at=END, **{lever_name: lever})  # type: ignore[arg-type]
        span = answer.ranges["strip_time_min"]
        true = truth_min(system, temp_c, lever)
        assert span.low < true < span.high
        assert span.mid == pytest.approx(true, rel=0.06)
        # one mould's own chance of 0.10 gives exp(2·1.28·0.10) = 1.29 by itself
        assert 1.25 < span.high / span.low < 1.36
        # belief: sd of at least 0.558, so exp(2·1.28·0.558) = 4.2
        assert span.high / span.low < 4.2 / 3


@pytest.mark.parametrize("system", ["furan", "ester"])
def test_back_test_of_the_year(told: dict[str, Answer], system: str) -> None:
    """Each coverage is near what it says, twice as near as the belief alone, and the answer says that it is trusted."""
    values = told[system].values
    test = values["backtest"]
    assert test["inside_50"] == pytest.approx(0.5, abs=0.1)
    assert test["inside_80"] == pytest.approx(0.8, abs=0.06)
    assert test["inside_95"] == pytest.approx(0.95, abs=0.04)
    assert test["error_pct"] < 0.6 * test["error_default_pct"]
    assert values["trusted"] is True
    assert values["trust_words"].startswith("Yes: ")
    assert values["alarm"] is False


def test_what_the_answer_tells(told: dict[str, Answer]) -> None:
    """Checks, days, spans and lots are those of the year's file: 332 of furan's 527 checks, at 26 to 42 % acid."""
    furan, ester = told["furan"].values, told["ester"].values
    assert furan["checks"] + ester["checks"] == 527
    assert (furan["from"], furan["until"], furan["definition"]) == ("2025-01-02", "2025-12-30", "hand")
    assert furan["spans"] == {"sand_temp_c": [7.5, 29.7], "catalyst_pct": [26.0, 42.0]}
    assert furan["catalyst"] == ["acid"]
    assert ester["catalyst"] == ["slow_grade", "fast_grade"]
    assert furan["left_out"] == ester["left_out"] == {}
    assert 0 < furan["worth"] < furan["checks"]
    # dosing goes by a chart on the temperature, so the two are tied; but a year leaves little doubt of either
    assert furan["correlation"] > 0.7
    assert min(furan["moved"].values()) > 0.8
    assert "How time falls with the amount is learned." in furan["words"]
    nearby = furan["next_check"]
    assert 20 <= nearby["catalyst_pct"] <= 50
    assert nearby["gain"] > nearby["usual_gain"] > 0
    assert nearby["words"].startswith("Check a mould at ")


def test_the_december_setting_serves_and_says_what_it_rests_on(year: Shop) -> None:
    """Sand at 14 °C for 60 min: no setting by the belief, one by the year's checks, and the truth agrees with it."""
    asked = {"sand_temp_c": 14, "strip_time_min": 60}
    before = year.setting("m1", "furan", at="2025-01-02 07:00", **asked)  # type: ignore[arg-type]
    assert not before.possible
    answer = year.setting("m1", "furan", at="2025-12-30 15:00", **asked)  # type: ignore[arg-type]
    assert answer.possible
    # 0.8 of moulds by 60 min asks for a middle of 60·exp(-0.84·0.10) = 55 min
    assert truth_min("furan", 14, answer.values["catalyst_pct"]) == pytest.approx(55, rel=0.06)
    value, tag = basis_of(answer, "strip times")
    assert value.startswith("learned from 332 checks by hand up to 30 Dec 2025, worth ")
    assert tag == "derived"
    assert answer.values["resin_lot"].startswith("RF-25-")
    assert "was not checked, only 26 to 42 % acid" in text_of(answer, "setting_not_checked")


def test_range_widens_away_from_what_was_checked(year: Shop) -> None:
    """At 31 °C, warmer than any check but inside the shop's window, the range is wider than at 20 °C, and says so."""
    inside, warm = (year.setting("m1", "furan", temp_c, catalyst_pct=34, at=END) for temp_c in (20, 31))
    widths = [answer.ranges["strip_time_min"].high / answer.ranges["strip_time_min"].low for answer in (inside, warm)]
    assert widths[1] > widths[0]
    assert "temp_not_checked" not in codes(inside)
    assert text_of(warm, "temp_not_checked") == (
        "sand at 31.0 °C was not checked, only 7.5 to 29.7 °C: the range is wider for that"
    )


def test_moulds_go_by_the_checks(year: Shop) -> None:
    """Standing moulds have narrow ranges, and the answer says what they rest on."""
    answer = year.moulds("2025-12-30 15:00")
    (basis,) = [entry for entry in answer.basis if entry.what == "strip times"]
    assert "learned from 332 checks by hand" in basis.source
    spans = [span for name, span in answer.ranges.items() if name.startswith("strip_time_min.")]
    assert spans
    assert all(span.high / span.low < 1.5 for span in spans)


def test_only_what_was_known_counts(year: Shop) -> None:
    """Asked of an earlier moment, later checks are not used: 2 January has the belief alone."""
    answer = year.learned("furan", "2025-01-01")
    assert (answer.values["checks"], answer.values["trusted"], answer.values["backtest"]) == (0, False, None)
    march, june = (year.learned("furan", day).values["checks"] for day in ("2025-03-31", "2025-06-30"))
    assert 0 < march < june < 332


def shown(answer: Answer) -> Mapping[str, Any]:
    """What is set, or what comes nearest."""
    values: Mapping[str, Any] = answer.values if answer.possible else answer.values["nearest"]
    return values


ASKED = given(
    system=st.sampled_from([("furan", "catalyst_pct", 20, 50, 0.1), ("ester", "fast_share", 0, 1, 0.05)]),
    temp_c=st.integers(-150, 500).map(lambda tenths: tenths / 10),
    strip=st.floats(10, 400),
    box=st.none() | st.floats(50, 4000),
    pattern_c=st.none() | st.integers(-5, 35),
)


def holds(
    year: Shop,
    system: tuple[str, str, float, float, float],
    temp_c: float,
    strip: float,
    box: float | None,
    pattern_c: float | None,
) -> None:
    """A setting, or the nearest to one, is inside its window and on a step; asked back, it is judged the same.

    The shop's window is 10 to 32 °C: outside it no setting is a plain yes, below 10 and above 40 °C (the families'
    own limits) there is none at all.
    """
    key, lever, low, high, step = system
    asked: dict[str, Any] = {"strip_time_min": strip, "box_sand_kg": box, "pattern_temp_c": pattern_c, "at": END}
    answer = year.setting("m1", key, temp_c, **asked)
    if not answer.possible and "nearest" not in answer.values:
        assert answer.verdict == "no"
        assert "sand_temp_implausible" in codes(answer) or not 10 <= temp_c <= 40
        return
    point = shown(answer)
    assert low <= point[lever] <= high
    assert point[lever] / step == pytest.approx(round(point[lever] / step))
    back = year.setting("m1", key, temp_c, **asked, **{lever: point[lever]})
    assert shown(back)["chance_to_strip"] == point["chance_to_strip"]
    serves = codes(back).isdisjoint({"chance_below", "fill_too_long"})
    assert answer.verdict == ("no" if not serves else "yes" if 10 <= temp_c <= 32 else "test_piece")
    assert answer.possible == (answer.verdict == "yes")


@settings(max_examples=10)
@ASKED
def test_no_learned_setting_is_outside_its_window(year: Shop, **asked: Any) -> None:
    """Served or nearest: inside the window, on a step; asked back, it gives the same times and serves as it said."""
    holds(year, **asked)


@pytest.mark.soak
@settings(max_examples=200)
@ASKED
def test_no_learned_setting_is_outside_its_window_in_the_long_run(year: Shop, **asked: Any) -> None:
    """The long form."""
    holds(year, **asked)


# -- the small shop -------------------------------------------------------------------------------------------------


def test_without_checks_it_is_the_belief(shop: Shop) -> None:
    """45 min at 20 °C and 35 %, energy 50.5 ± 1.28·8 kJ/mol, exponent 1.45 ± 1.28·0.45: nothing moved."""
    answer = shop.learned("furan")
    assert answer.possible
    assert answer.values["strip_time_min"] == pytest.approx(45)
    energy, exponent = answer.ranges["activation_energy_kj_mol"], answer.ranges["exponent"]
    assert [energy.low, energy.mid, energy.high] == pytest.approx([50.5 - 10.252, 50.5, 50.5 + 10.252], abs=1e-3)
    assert [exponent.low, exponent.high] == pytest.approx([1.45 - 0.5767, 1.45 + 0.5767], abs=1e-4)
    assert set(answer.values["moved"].values()) == {0.0}
    assert answer.values["words"] == ["Nothing is learned yet: there is no check, all of it is the starting belief."]
    assert answer.values["next_check"]["look_at_min"] > 0
    assert basis_of(answer, "belief")[1] == "practice"


def test_one_check_is_used_at_once_and_can_be_withdrawn(shop: Shop) -> None:
    """A check of 60 to 65 min draws the 45 of the sheet up; withdrawn, the belief holds again."""
    before = shop.setting("m1", "furan", 20, catalyst_pct=35).ranges["strip_time_min"]
    check(shop, 20, 60, 65)
    answer = shop.setting("m1", "furan", 20, catalyst_pct=35)
    after = answer.ranges["strip_time_min"]
    assert after.mid > 55
    assert after.high / after.low < 0.75 * before.high / before.low
    assert basis_of(answer, "strip times")[0].startswith("learned from 1 check by hand up to 20 Feb 2025")
    assert "how time falls with warmth is still the starting belief" in " ".join(
        flag.text for flag in answer.flags if flag.code == "still_belief"
    )
    (record,) = shop.records(kind="strip_check").values["records"]
    gone = {"of": {"sender": "emil", "id": record["id"]}, "reason": "wrong mould"}
    shop.log("reversal", gone, sender="emil")
    assert shop.setting("m1", "furan", 20, catalyst_pct=35).ranges["strip_time_min"] == before


def test_acid_raised_with_the_cold_is_flagged(shop: Shop) -> None:
    """Checks along a chart do not tell cold and acid apart, and every setting says so until some at other acid do."""
    for day in range(1, 29):
        temp_c, acid_pct = ((5, 50), (12, 44), (20, 35), (28, 28))[day % 4]
        strip = truth_min("furan", temp_c, acid_pct)
        check(shop, day, strip - 2, strip + 2, sand_temp_c=temp_c, catalyst_pct=acid_pct)
    assert text_of(shop.setting("m1", "furan", 20), "known_together") == (
        "Furan: how time falls with the amount is known only together with warmth: no check was made at another amount "
        "at the same temperature"
    )
    for day in range(20, 28):
        strip = truth_min("furan", 20, 50)
        check(shop, day, strip - 2, strip + 2, catalyst_pct=50)
    assert "known_together" not in codes(shop.setting("m1", "furan", 20))


def test_definitions_are_never_mixed(shop: Shop) -> None:
    """Ten checks by a hardness gauge leave the law by hand where it is, and the answer says so."""
    for day in range(10, 20):
        check(shop, day, 80, 85, definition="hardness")
    answer = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert answer.values["strip_time_min"] == pytest.approx(45)
    assert text_of(answer, "other_definition") == (
        "10 checks of Furan judged strip by a hardness gauge, its reference by hand: definitions are never mixed, so "
        "none of them is used; judge as the reference does, or correct it"
    )
    check(shop, 21, 40, 45)
    with_one = shop.learned("furan")
    assert with_one.values["checks"] == 1
    assert with_one.values["left_out"] == {"by hardness": 10}
    assert with_one.values["strip_time_min"] < 46


def test_another_catalyst_is_not_mixed_in(shop: Shop, content: dict[str, Any]) -> None:
    """Checks made while another acid was in the set-up do not tell of the one in force now."""
    check(shop, 10, 80, 85)
    content["shop"]["valid_from"] = "2025-03-01"
    content["materials"]["acid_2"] = {"kind": "catalyst", "density_kg_m3": 1250}
    content["places"]["tank_acid"]["material"] = "acid_2"
    content["binder_systems"]["furan"]["catalyst"] = "acid_2"
    shop.log("plant", content, sender="set-up", id="march")
    assert shop.learned("furan", "2025-02-20").values["checks"] == 1
    now = shop.learned("furan")
    assert (now.values["checks"], now.values["left_out"]) == (0, {"other catalyst": 1})


def test_setting_and_lot_come_from_the_mix_where_the_check_is_silent(shop: Shop) -> None:
    """1 % resin and 0.4 kg acid on 1 kg resin are 40 %; the lot is the one the mix drew; by mould or by mix."""
    mix = {
        "at": "2025-02-10 10:00",
        "mixer": "m1",
        "binder_system": "furan",
        "moulds": ["7"],
        "sand_temp_c": 20,
        "streams": [
            {"place": "silo_new", "mass_kg": 100},
            {"place": "tank_resin_f", "mass_kg": 1, "lot": "R7"},
            {"place": "tank_acid", "mass_kg": 0.4},
        ],
    }
    shop.log("mix", mix, sender="m1", id="x7")
    check(shop, 10, 40, 45, binder_system=None, catalyst_pct=None, mould="7")
    check(shop, 10, 40, 45, catalyst_pct=None, mix="x7")
    check(shop, 11, 40, 45, catalyst_pct=None)
    answer = shop.learned("furan")
    assert answer.values["checks"] == 2
    assert answer.values["lots"] == 1
    assert answer.values["spans"]["catalyst_pct"] == pytest.approx([40, 40])
    assert text_of(answer, "checks_unusable").startswith("1 check of Furan without catalyst_pct: not used; withdraw")


def test_resin_lot_without_a_check_widens_the_range(shop: Shop) -> None:
    """Of a lot that was checked the range is narrower than of one that was not, which is told."""
    for day in range(1, 21):
        check(shop, day, 40, 44, lot="R1")
    resin = {"place": "tank_resin_f", "mass_kg": 900, "lot": "R1"}
    shop.log("delivery", {"at": "2025-02-01 07:00", **resin}, sender="ida")
    known = shop.setting("m1", "furan", 20, catalyst_pct=35)
    shop.log("delivery", {"at": "2025-03-03 07:00", **resin, "mass_kg": 950, "lot": "R2"}, sender="ida")
    new = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert (known.values["resin_lot"], new.values["resin_lot"]) == ("R1", "R2")
    one, other = (answer.ranges["strip_time_min"] for answer in (known, new))
    assert other.high / other.low > one.high / one.low
    assert "lot_not_checked" not in codes(known)
    assert "no check was made yet of resin lot R2" in text_of(new, "lot_not_checked")


def test_a_jump_of_the_law_is_an_alarm(shop: Shop) -> None:
    """Sixteen checks round 42 min, then six round 63 of the same lot: the setting says that the law jumped."""
    for day in range(1, 17):
        check(shop, day, 40, 44, lot="R1")
    for day in range(18, 24):
        check(shop, day, 61, 66, lot="R1")
    answer = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert "jumped by +" in text_of(answer, "law_jumped")
    assert answer.values["strip_time_min"] > 55
    assert shop.learned("furan").values["alarm"] is True


def test_checks_that_contradict_each_other_are_told(shop: Shop) -> None:
    """20 and 80 min at one setting rule each other out: the setting's answer says to take its range with care."""
    check(shop, 0, 20, 21, at="2025-03-02 12:00")
    check(shop, 0, 80, 82, at="2025-03-02 12:00")
    told = text_of(shop.setting("m1", "furan", 20, catalyst_pct=35), "law_not_settled")
    assert told == "the checks of Furan contradict each other: take its range with care, and withdraw what was a slip"


def test_no_reference_is_a_no(make_shop: Callable[[dict[str, Any]], Shop], content: dict[str, Any]) -> None:
    """Without a reference there is no definition to learn by; an unknown system is a wrong question."""
    del content["binder_systems"]["furan"]["reference"]
    shop = make_shop(content)
    answer = shop.learned("furan")
    assert not answer.possible
    assert answer.because == "no strip time of Furan is known"
    with pytest.raises(UnknownName):
        shop.learned("clay")
