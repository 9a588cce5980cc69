"""The named rates of a period, against values by hand (derived); there is no rate without its name."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sandtrack.errors import InputErrors
from sandtrack.shop.answer import Answer

from .circuit import ESTER, Foundry

DAY = ("2025-06-02", "2025-06-02")
Z80 = 1.2815515655446004  # 90 % of a normal distribution lie below: 80 % between −Z and +Z


@pytest.fixture
def foundry(tmp_path: Path) -> Iterator[Foundry]:
    """A foundry whose places are counted at the end of 1 June."""
    made = Foundry(tmp_path)
    made.quiet_start()
    yield made
    made.shop.close()


def value(answer: Answer, name: str) -> Any:
    """The value of one rate of the whole shop."""
    return answer.values["rates"][name]["value"]


def test_one_plant_quotes_three_rates_on_one_day(foundry: Foundry) -> None:
    """94 %, 85 % and 93 % on one and the same day, each under its own name."""
    foundry.one_day()
    answer = foundry.shop.rates(*DAY)
    # fed 10,500, of it 500 lumps back to the heap, 9,400 returned: 9,400 / 10,000
    assert value(answer, "reclaim_yield") == pytest.approx(0.94)
    # 8,500 reclaimed of 10,000 mixed
    assert value(answer, "reclaimed_share") == pytest.approx(0.85)
    # heap: + 10,000 knocked out − 100 carried out − 10,500 fed + 500 lumps = − 100; 9,400 / (10,000 + 100)
    assert value(answer, "sand_recovery") == pytest.approx(9400 / 10100)
    assert round(9400 / 10100, 2) == 0.93
    assert not [name for name in answer.values["rates"] if name in ("reclaim_rate", "rate")]


def test_each_rate_says_what_it_divides(foundry: Foundry) -> None:
    """A rate comes with its two masses, its meaning and its basis."""
    foundry.one_day()
    rate = foundry.shop.rates(*DAY).values["rates"]["reclaim_yield"]
    assert (rate["numerator_kg"], rate["denominator_kg"]) == (9400, 10000)
    assert rate["meaning"] == "usable sand out of the reclaimer ÷ (used sand fed − lumps given back to the heap)"
    assert "loss on ignition" in rate["basis"]
    assert rate["because"] == ""


def test_rates_per_tonne_say_of_which_metal(foundry: Foundry) -> None:
    """Sand for each tonne of good castings and of metal poured; castings count for the day their moulds were poured."""
    foundry.one_day()
    answer = foundry.shop.rates(*DAY)
    assert value(answer, "new_sand_per_t_castings") == pytest.approx(1500 / 2000)
    assert value(answer, "new_sand_per_t_poured") == pytest.approx(1500 / 3000)
    assert value(answer, "waste_per_t_castings") == pytest.approx(1600 / 2000)
    assert value(answer, "waste_per_t_poured") == pytest.approx(1600 / 3000)
    assert value(answer, "sand_to_metal_castings") == pytest.approx(10000 / 2000)
    assert value(answer, "sand_to_metal_poured") == pytest.approx(10000 / 3000)
    assert value(answer, "mean_uses") == pytest.approx(1 / 0.15)


def test_what_is_not_known_has_a_reason(foundry: Foundry) -> None:
    """Without castings, pours, runs and tests the rates are unknown and say why."""
    foundry.mix("2025-06-02 07:30", "1", 1500, 8500)
    rates = foundry.shop.rates(*DAY).values["rates"]
    reasons = {name: rate["because"] for name, rate in rates.items() if rate["value"] is None}
    assert reasons == {
        "reclaim_yield": "nothing was fed to a reclaimer",
        "loi_removal": "no loss on ignition of the used sand of the heap and the reclaimed sand was tested in the "
        "period",
        "sand_recovery": "no sand was due back in the period",  # the 10,000 kg mixed stand in the mould
        "new_sand_per_t_castings": "no good castings recorded",
        "new_sand_per_t_poured": "no metal poured recorded",
        "waste_per_t_castings": "no good castings recorded",
        "waste_per_t_poured": "no metal poured recorded",
        "sand_to_metal_castings": "no good castings recorded",
        "sand_to_metal_poured": "no metal poured recorded",
    }


def test_a_mix_of_reclaimed_sand_alone_has_no_number_of_uses(foundry: Foundry) -> None:
    """At a share of 1 a grain never leaves."""
    foundry.mix("2025-06-02 07:30", "1", 0, 8500)
    rates = foundry.shop.rates(*DAY).values["rates"]
    assert rates["reclaimed_share"]["value"] == 1.0
    assert (rates["mean_uses"]["value"], rates["mean_uses"]["because"]) == (None, "no new sand was mixed")


def test_loi_removal_comes_from_the_tests_of_the_period(foundry: Foundry) -> None:
    """Heap at 4 %, reclaimed sand at 1 %: three quarters are taken off; older tests do not count."""
    foundry.one_day()
    weighings = {"crucible_g": 20, "before_g": 30}
    for at, place, after_g in (
        ("2025-06-02 16:10", "heap", 29.6),  # 100·(30 − 29.6)/(30 − 20) = 4 %
        ("2025-06-02 16:20", "silo_back", 29.9),  # 1 %
        ("2025-06-03 16:20", "silo_back", 29.0),
    ):
        readings = weighings | {"after_g": after_g}
        foundry.tell("sand_test", at, test="loss_on_ignition", sample={"place": place}, readings=readings)
    answer = foundry.shop.rates(*DAY)
    assert value(answer, "loi_removal") == pytest.approx(0.75)
    assert answer.values["loi_pct"]["heap"]["latest"] == pytest.approx(4.0)
    assert answer.values["loi_pct"]["silo_back"]["latest"] == pytest.approx(1.0)
    assert [one["loi_pct"] for one in answer.values["loi_pct"]["heap"]["series"]] == [pytest.approx(4.0)]


def test_a_measures_error_makes_a_range(foundry: Foundry) -> None:
    """Fed in buckets: steady 4 % and chance 6 % of 10 t, carried over to a yield of 0.9."""
    foundry.one_day(fed_kg=None, fed_amount=10, fed_measure="bucket", returned_kg=9000, lumps_kg=0, dust_kg=1000)
    answer = foundry.shop.rates(*DAY)
    assert value(answer, "reclaim_yield") == pytest.approx(0.9)
    # d(N/D) = −0.9·dD/D: steady 0.9·0.04 = 0.036, chance 0.9·0.06 = 0.054 (one record of 10 t)
    half = Z80 * math.hypot(0.036, 0.054)
    span = answer.ranges["rates.reclaim_yield"]
    assert (span.low, span.mid, span.high) == (pytest.approx(0.9 - half), pytest.approx(0.9), pytest.approx(0.9 + half))
    assert span.meaning.endswith("47 % of the mass was told in kg, whose error is not known")  # 9 of 19 t


def test_a_steady_error_on_both_sides_cancels(foundry: Foundry) -> None:
    """Fed and returned by the same bucket: only chance is left, as long as one steady error moves both alike."""
    foundry.one_day(
        fed_kg=None, fed_amount=10, fed_measure="bucket", returned_kg=None, returned_amount=9,
        returned_measure="bucket", lumps_kg=0, dust_kg=1000,
    )  # fmt: skip
    # 0.06·sqrt((9,000/10,000)² + 0.9²) = 0.06·0.9·√2
    half = Z80 * 0.06 * 0.9 * math.sqrt(2)
    assert foundry.shop.rates(*DAY).ranges["rates.reclaim_yield"].high == pytest.approx(0.9 + half)


def test_masses_told_in_kilograms_have_no_range(foundry: Foundry) -> None:
    """Where no error is known there is no range, and the answer says so once."""
    foundry.one_day()
    answer = foundry.shop.rates(*DAY)
    assert answer.ranges == {}
    (flag,) = answer.flags
    assert flag.code == "mass_error_not_known"
    assert flag.text.startswith("mass error not known, so no range: reclaim yield, reclaimed share, sand recovery")


def test_recovery_does_not_take_a_first_count_for_growth(tmp_path: Path) -> None:
    """A heap counted for the first time within the period did not grow by what the count found."""
    foundry = Foundry(tmp_path)
    foundry.quiet_start()
    foundry.one_day()
    # From 1 June on, the first counts lie within the period: the heap still only lost 100 kg.
    assert value(foundry.shop.rates("2025-06-01", "2025-06-02"), "sand_recovery") == pytest.approx(9400 / 10100)


def test_a_run_without_its_feed_is_told(foundry: Foundry) -> None:
    """Fed mass missing: it is the sum of what came out, and the yield says that losses are left out."""
    foundry.one_day(fed_kg=None)
    answer = foundry.shop.rates(*DAY)
    assert value(answer, "reclaim_yield") == pytest.approx(0.94)  # 9,400 / (9,400 + 500 + 600 − 500)
    assert "1 of 1 reclaim runs have no fed mass" in next(f.text for f in answer.flags if f.code == "fed_not_weighed")


def test_castings_still_to_come_are_told(foundry: Foundry) -> None:
    """A mould poured in the period whose castings nobody has told yet makes good castings too small."""
    foundry.one_day()
    foundry.mix("2025-06-02 11:00", "2", 150, 850)
    foundry.tell("pour", "2025-06-02 17:00", moulds=["2"], metal="iron")
    flags = {flag.code: flag.text for flag in foundry.shop.rates(*DAY).flags}
    assert flags["castings_not_known"].startswith("1 of 2 moulds poured in the period have no castings recorded yet")
    assert flags["poured_not_weighed"].startswith("1 of 2 pours have no mass")


def test_castings_told_for_a_time_are_shared_by_its_overlap(foundry: Foundry) -> None:
    """1,000 kg told for 2 to 5 June, four days: a quarter of it belongs to 2 June."""
    foundry.one_day()
    foundry.tell("castings", "2025-06-06 09:00", since="2025-06-02", until="2025-06-05", good_kg=1000)
    rate = foundry.shop.rates(*DAY).values["rates"]["new_sand_per_t_castings"]
    assert rate["denominator_kg"] == pytest.approx(2000 + 250)


def test_circuits_are_told_apart(tmp_path: Path) -> None:
    """Two systems with their own heaps and silos: each circuit has its own rates, by the sand on its heap."""
    foundry = Foundry(tmp_path, ESTER)
    foundry.quiet_start()
    foundry.count("2025-06-01", silo_e=9000, heap_e=5000, reclaimer_e=0)
    foundry.one_day()
    streams = {"silo_new": 1000, "silo_e": 4000, "tank_resin_e": 80, "tank_slow": 10, "tank_fast": 10}
    foundry.mix("2025-06-02 08:00", "9", 0, 0, mixer="m2", binder_system="ester", sender="m2",
                streams=[{"place": place, "mass_kg": mass} for place, mass in streams.items()])  # fmt: skip
    foundry.tell("knock_out", "2025-06-02 15:00", moulds=["9"], to="heap_e")
    run = {"source": "heap_e", "reclaimer": "reclaimer_e", "fed_kg": 5000, "returned_kg": 4500, "to": "silo_e"}
    foundry.tell("reclaim_run", "2025-06-02 15:50", dust_kg=400, dust_to="skip", **run)
    answer = foundry.shop.rates(*DAY)
    assert set(answer.values["by_circuit"]) == {"ester", "furan"}
    assert answer.values["circuits"]["ester"]["places"] == ["heap_e", "reclaimer_e", "silo_e"]
    ester = {name: rate["value"] for name, rate in answer.values["by_circuit"]["ester"].items()}
    assert ester["reclaimed_share"] == pytest.approx(0.8)  # 4,000 of 5,000
    assert ester["reclaim_yield"] == pytest.approx(0.9)  # 4,500 of 5,000
    # out of moulds 5,000; heap unchanged; the reclaimer keeps 100: 4,500 / (5,000 − 100)
    assert ester["sand_recovery"] == pytest.approx(4500 / 4900)
    assert answer.values["by_reclaimer"]["reclaimer_e"]["reclaim_yield"]["value"] == pytest.approx(0.9)
    assert answer.values["by_circuit"]["furan"]["reclaim_yield"]["value"] == pytest.approx(0.94)
    # both together: (9,400 + 4,500) / (10,000 + 5,000), and 12,500 reclaimed of 15,000 mixed
    assert value(answer, "reclaim_yield") == pytest.approx(13900 / 15000)
    assert value(answer, "reclaimed_share") == pytest.approx(12500 / 15000)
    assert answer.values["rates"]["loi_removal"]["because"] == "several circuits: see each"


def test_a_period_that_ends_before_it_begins_is_refused(foundry: Foundry) -> None:
    """The question is refused with the field that is wrong."""
    with pytest.raises(InputErrors, match="until: '2025-06-01' is before since"):
        foundry.shop.rates("2025-06-02", "2025-06-01")


def test_as_known_before_the_castings_came(foundry: Foundry) -> None:
    """As known on 2 June the castings of 4 June are not there."""
    foundry.one_day()
    answer = foundry.shop.rates(*DAY, known_on="2025-06-02")
    assert answer.values["rates"]["new_sand_per_t_castings"]["because"] == "no good castings recorded"
