"""The named rates of a reclaim circuit and what builds up in it."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade import buildup, reclaim

ONE = {
    "reclaim_yield": ({"fed_kg": 1000, "returned_kg": 900, "lumps_returned_kg": 40}, 900 / 960),
    "reclaimed_share": ({"reclaimed_kg": 600, "new_kg": 200}, 0.75),
    "sand_recovery": ({"returned_kg": 800, "mixed_kg": 1000, "moulds_change_kg": 200}, 1.0),
    "loi_removal": ({"loi_in_pct": 3.2, "loi_out_pct": 0.8}, 0.75),
    "new_sand_per_t_castings": ({"new_sand_kg": 500, "good_castings_kg": 2000}, 0.25),
    "waste_per_t_castings": ({"waste_kg": 1800, "good_castings_kg": 2000}, 0.9),
    "sand_to_metal": ({"mould_sand_kg": 3000, "good_castings_kg": 1000}, 3.0),
    "new_sand_need_kg": ({"mixed_kg": 1000, "reclaimed_share": 0.9}, 100.0),
}


@pytest.mark.parametrize("name", ONE)
def test_rates_by_hand(name):
    """Each rate at a value worked out by hand, alone, as an array and as a Series."""
    inputs, expected = ONE[name]
    rate = getattr(reclaim, name)
    assert rate(**inputs) == pytest.approx(expected)
    arrays = {field: np.array([value, value], dtype=float) for field, value in inputs.items()}
    assert rate(**arrays).tolist() == pytest.approx([expected] * 2)
    column = rate(**{field: pd.Series([value, math.nan], index=[7, 8]) for field, value in inputs.items()})
    assert column[7] == pytest.approx(expected)
    assert column.isna().tolist() == [False, True]


@pytest.mark.parametrize("name", ONE)
@pytest.mark.parametrize("bad", [math.nan, math.inf, "1", None, True])
def test_rates_refuse_what_is_no_number(name, bad):
    """No rate is made of a missing value, infinity, text or a yes."""
    inputs, _ = ONE[name]
    inputs = inputs | {next(iter(inputs)): bad}
    with pytest.raises(FieldError):
        getattr(reclaim, name)(**inputs)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: reclaim.reclaim_yield(fed_kg=100, returned_kg=0, lumps_returned_kg=100),
        lambda: reclaim.reclaimed_share(reclaimed_kg=0, new_kg=0),
        lambda: reclaim.sand_recovery(returned_kg=10, mixed_kg=100, heaps_change_kg=100),
        lambda: reclaim.loi_removal(loi_in_pct=0, loi_out_pct=0),
        lambda: reclaim.new_sand_per_t_castings(new_sand_kg=10, good_castings_kg=0),
        lambda: reclaim.waste_per_t_castings(waste_kg=10, good_castings_kg=0),
        lambda: reclaim.sand_to_metal(mould_sand_kg=10, poured_kg=0),
        lambda: reclaim.sand_to_metal(mould_sand_kg=10, poured_kg=1, good_castings_kg=1),
        lambda: reclaim.mean_uses(1.0),
        lambda: reclaim.mean_uses(-0.1),
        lambda: reclaim.new_sand_need_kg(mixed_kg=10, reclaimed_share=1.1),
        lambda: reclaim.reclaim_yield(fed_kg=-1, returned_kg=0),
    ],
)
def test_rates_without_a_denominator_are_refused(ask):
    """Nothing fed, mixed or cast makes no rate: an error that says which, never NaN or 0."""
    with pytest.raises(FieldError):
        ask()


def test_refusal_names_the_denominator():
    """The refusal names what was not above 0."""
    with pytest.raises(FieldError, match="good_castings_kg"):
        reclaim.waste_per_t_castings(waste_kg=10, good_castings_kg=0)


def test_recovery_of_a_week_that_works_off_the_heap():
    """Without the change of the heap a week may show more than 1; with it, what truly came back."""
    assert reclaim.sand_recovery(returned_kg=11000, mixed_kg=10000) == pytest.approx(1.1)
    assert reclaim.sand_recovery(returned_kg=11000, mixed_kg=10000, heaps_change_kg=-2000) == pytest.approx(11 / 12)


def test_dirtier_out_than_in_is_told():
    """A reclaimer that adds loss on ignition shows a negative removal."""
    assert reclaim.loi_removal(loi_in_pct=2.0, loi_out_pct=2.5) == pytest.approx(-0.25)


CIRCUIT = st.fixed_dictionaries(
    {
        "added_pct": st.floats(0, 3),
        "new_sand_pct": st.floats(0, 0.5),
        "survival_share": st.floats(0.01, 0.95),
        "reclaimed_share": st.floats(0, 1),
    }
)


@given(CIRCUIT, st.floats(0, 5), st.integers(0, 12))
def test_content_after_cycles_is_the_circuit_turned_by_hand(circuit, start, cycles):
    """The closed form equals turning the circuit cycle by cycle with the plain balance."""
    content = start
    for _ in range(cycles):
        reclaimed = circuit["survival_share"] * (content + circuit["added_pct"])
        share = circuit["reclaimed_share"]
        content = share * reclaimed + (1 - share) * circuit["new_sand_pct"]
    assert buildup.content_after_pct(cycles, start_pct=start, **circuit) == pytest.approx(content, abs=1e-9)


@given(CIRCUIT)
def test_steady_content_stays(circuit):
    """One more cycle from the steady content changes nothing."""
    steady = buildup.steady_content_pct(**circuit)
    assert buildup.content_after_pct(1, start_pct=steady, **circuit) == pytest.approx(steady, abs=1e-9)


@given(CIRCUIT)
def test_largest_share_keeps_the_limit_exactly(circuit):
    """At the largest share the steady reclaimed sand stands at its limit."""
    limit = circuit["new_sand_pct"] + 0.5
    share = buildup.largest_reclaimed_share(
        limit_pct=limit,
        added_pct=circuit["added_pct"],
        new_sand_pct=circuit["new_sand_pct"],
        survival_share=circuit["survival_share"],
    )
    if 0 <= share <= 1:
        steady = buildup.steady_content_pct(**(circuit | {"reclaimed_share": share}))
        assert circuit["survival_share"] * (steady + circuit["added_pct"]) == pytest.approx(limit)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: buildup.steady_content_pct(added_pct=1, new_sand_pct=0, survival_share=1, reclaimed_share=1),
        lambda: buildup.steady_content_pct(added_pct=-1, new_sand_pct=0, survival_share=0.5, reclaimed_share=0.5),
        lambda: buildup.survival_share(lost_in_casting_share=1.1, removed_in_reclaim_share=0),
        lambda: buildup.largest_reclaimed_share(limit_pct=1, added_pct=1, new_sand_pct=1, survival_share=0.5),
        lambda: buildup.largest_reclaimed_share(limit_pct=1, added_pct=1, new_sand_pct=0, survival_share=0),
        lambda: buildup.content_after_pct(
            -1, start_pct=0, added_pct=1, new_sand_pct=0, survival_share=0.5, reclaimed_share=0.5
        ),
    ],
)
def test_impossible_circuits_are_refused(ask):
    """A circuit that keeps everything for ever, or shares outside 0 to 1, has no answer."""
    with pytest.raises(FieldError):
        ask()
