"""The cure law, the drifting mould and equivalent age: inside behaviour, limits and refusals."""

import math
import pickle

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.cure import (
    CureLaw,
    activation_energy_kj_mol_from_doubling,
    activation_energy_kj_mol_from_times,
    equivalent_age_h,
    time_to_strip_min,
    work_time_min,
)

AMOUNT = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=40, activation_energy_kj_mol=50, exponent=1.5)
GRADE = CureLaw(
    strip_time_min=60, at_temp_c=20, at_lever=0.5, activation_energy_kj_mol=50, exponent=1.4, lever_kind="grade"
)
TEMPS = st.floats(-10, 50)
AMOUNTS = st.floats(10, 90)
SHARES = st.floats(0, 1)


def test_reference_gives_the_reference_time():
    """At its own reference point the law gives back what it was told."""
    assert AMOUNT.strip_time_min(20, 40) == pytest.approx(60, rel=1e-12)
    assert GRADE.strip_time_min(20, 0.5) == pytest.approx(60, rel=1e-12)


def test_amount_is_a_power():
    """A quarter of the amount at exponent 1.5 takes eight times as long (4^1.5 = 8, by hand)."""
    assert AMOUNT.strip_time_min(20, 10) == pytest.approx(480, rel=1e-12)


def test_grade_is_linear_in_the_logarithm():
    """Half a share more of fast grade at slope 1.4 shortens by exp(0.7) = 2.01375 (table of e^x)."""
    assert GRADE.strip_time_min(20, 1.0) == pytest.approx(60 / 2.0137527, rel=1e-7)


def test_kinds_of_numbers():
    """A single number gives a float, a list an array, a Series a Series with its index."""
    assert type(AMOUNT.strip_time_min(np.float64(20), 40)) is float
    assert isinstance(AMOUNT.strip_time_min([10, 20], 40), np.ndarray)
    column = AMOUNT.strip_time_min(pd.Series([20.0, 20.0], index=["a", "b"]), pd.Series([40, 10], index=["a", "b"]))
    assert isinstance(column, pd.Series)
    assert list(column.index) == ["a", "b"]
    assert column.tolist() == pytest.approx([60, 480])
    assert isinstance(AMOUNT.lever_for(pd.Series([60.0]), 20), pd.Series)


def test_missing_rows_stay_missing():
    """A missing row of a column comes out missing, also in a column type that knows NA."""
    assert np.isnan(AMOUNT.strip_time_min(np.array([20.0, np.nan]), 40)).tolist() == [False, True]
    result = AMOUNT.strip_time_min(pd.Series([20.0, None], dtype="Float64"), 40)
    assert result.isna().tolist() == [False, True]


@pytest.mark.parametrize(
    ("temp", "lever"),
    [(math.nan, 40), (math.inf, 40), (-273.15, 40), (-300, 40), (20, 0), (20, -1), (20, math.nan), ("20", 40)],
)
def test_single_nonsense_is_refused(temp, lever):
    """A single value that is no finite number, or outside its meaning, is refused."""
    with pytest.raises(FieldError):
        AMOUNT.strip_time_min(temp, lever)


def test_refusal_names_the_value():
    """The refusal carries the field, the offending value of a column and what is accepted."""
    with pytest.raises(FieldError) as refused:
        AMOUNT.strip_time_min(np.array([20.0, 20.0]), np.array([40.0, -3.0]))
    assert (refused.value.field, refused.value.value, refused.value.accepted) == ("lever", -3.0, "above 0")


@pytest.mark.parametrize("share", [-0.01, 1.01])
def test_share_outside_its_range_is_refused(share):
    """A share of the fast grade lies between 0 and 1."""
    with pytest.raises(FieldError):
        GRADE.strip_time_min(20, share)


@pytest.mark.parametrize(
    "change",
    [
        {"strip_time_min": 0},
        {"strip_time_min": math.nan},
        {"at_temp_c": -280},
        {"at_lever": 0},
        {"activation_energy_kj_mol": -1},
        {"exponent": -0.1},
        {"lever_kind": "speed"},
    ],
)
def test_impossible_laws_are_refused(change):
    """A law that cannot hold is refused when it is made."""
    good = {"strip_time_min": 60, "at_temp_c": 20, "at_lever": 40, "activation_energy_kj_mol": 50, "exponent": 1.5}
    with pytest.raises(FieldError):
        CureLaw(**(good | change))


def test_law_is_a_value():
    """Two laws of the same numbers are equal, cannot be changed, and survive pickling."""
    again = pickle.loads(pickle.dumps(AMOUNT))
    assert again == AMOUNT
    assert hash(again) == hash(AMOUNT)
    with pytest.raises(AttributeError):
        AMOUNT.exponent = 2.0


def test_lever_that_does_nothing_has_no_inverse():
    """A law with exponent 0 cannot answer which lever gives a time."""
    flat = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=5, activation_energy_kj_mol=50, exponent=0)
    assert flat.strip_time_min(20, 50) == pytest.approx(60)
    with pytest.raises(FieldError, match="does not move"):
        flat.lever_for(30, 20)


@given(TEMPS, TEMPS, AMOUNTS)
def test_warmer_is_never_slower(one, other, amount):
    """Strip time falls, or stays, as the sand gets warmer."""
    cold, warm = sorted((one, other))
    assert AMOUNT.strip_time_min(warm, amount) <= AMOUNT.strip_time_min(cold, amount) * (1 + 1e-12)


@given(TEMPS, AMOUNTS)
def test_amount_round_trip(temp, amount):
    """The amount for the time that an amount gives is that amount."""
    assert AMOUNT.lever_for(AMOUNT.strip_time_min(temp, amount), temp) == pytest.approx(amount, rel=1e-9)


@given(TEMPS, SHARES)
def test_share_round_trip(temp, share):
    """The share for the time that a share gives is that share."""
    assert GRADE.lever_for(GRADE.strip_time_min(temp, share), temp) == pytest.approx(share, abs=1e-9)


def test_activation_energy_from_times_in_either_order():
    """Two points give one energy whichever is named first, and a negative one where warm was slower."""
    pair = {"first_temp_c": 10, "second_temp_c": 20}
    swapped = {"first_temp_c": 20, "second_temp_c": 10}
    energy = activation_energy_kj_mol_from_times(first_min=80, second_min=40, **pair)
    assert activation_energy_kj_mol_from_times(first_min=40, second_min=80, **swapped) == pytest.approx(energy)
    assert activation_energy_kj_mol_from_times(first_min=40, second_min=80, **pair) == pytest.approx(-energy)


def test_equal_temperatures_say_nothing():
    """Two times at one temperature give no activation energy."""
    with pytest.raises(FieldError):
        activation_energy_kj_mol_from_times(first_min=80, second_min=40, first_temp_c=20, second_temp_c=20)
    with pytest.raises(FieldError):
        activation_energy_kj_mol_from_doubling(temp_low_c=20, temp_high_c=20)


def test_work_time_is_a_share_of_the_strip_time():
    """Work time is strip time times a share above 0 and up to 1; columns go through."""
    assert work_time_min(80, 0.25) == 20
    assert work_time_min(pd.Series([80.0, 40.0]), 0.5).tolist() == [40, 20]
    for share in (0, 1.1, math.nan):
        with pytest.raises(FieldError):
            work_time_min(80, share)


def test_mould_that_does_not_drift():
    """With surroundings at its own temperature, or never reaching them, a mould keeps the plain strip time."""
    for surroundings, tau in ((20, 90), (5, math.inf), (5, 1e9)):
        found = time_to_strip_min(AMOUNT, 40, start_temp_c=20, surroundings_c=surroundings, time_constant_min=tau)
        assert found == pytest.approx(60, rel=1e-6)


def test_mould_that_drifts_at_once():
    """With no time constant, or a tiny one, a mould strips as at its surroundings."""
    plain = AMOUNT.strip_time_min(5, 40)
    for tau in (0, 1e-9, 1e-300):
        found = time_to_strip_min(AMOUNT, 40, start_temp_c=20, surroundings_c=5, time_constant_min=tau)
        assert found == pytest.approx(plain, rel=1e-6)


@given(TEMPS, TEMPS, st.floats(0.01, 1e5))
def test_drifting_mould_has_cured_just_once(start, surroundings, tau):
    """Up to the found time the cure integral is 1 (trapezoid of 20,000 steps, an independent rule)."""
    found = time_to_strip_min(AMOUNT, 40, start_temp_c=start, surroundings_c=surroundings, time_constant_min=tau)
    # Steps are even in 1 - exp(-t/tau) for the early drift and in t for the rest.
    early = -tau * np.log1p(-np.linspace(0, 1, 10_000) * -np.expm1(-min(found, 30 * tau) / tau))
    times = np.unique(np.concatenate([early, np.linspace(0, found, 10_001)]))
    times = times[times <= found]
    speed = 1 / AMOUNT.strip_time_min(surroundings + (start - surroundings) * np.exp(-times / tau), 40)
    assert np.trapezoid(speed, times) == pytest.approx(1, rel=2e-4)


def test_drifting_moulds_as_columns():
    """Columns of moulds are solved row by row, missing rows stay missing, and a Series keeps its index."""
    start = pd.Series([20.0, math.nan, 10.0], index=[3, 4, 5])
    found = time_to_strip_min(AMOUNT, 40, start_temp_c=start, surroundings_c=5, time_constant_min=90)
    assert list(found.index) == [3, 4, 5]
    assert found.isna().tolist() == [False, True, False]
    alone = time_to_strip_min(AMOUNT, 40, start_temp_c=10, surroundings_c=5, time_constant_min=90)
    assert found[5] == pytest.approx(alone, rel=1e-9)
    array = time_to_strip_min(AMOUNT, [40, 50], start_temp_c=10, surroundings_c=5, time_constant_min=90)
    assert array.shape == (2,)


def test_drifting_grade():
    """The drift works for a family whose lever is the grade."""
    found = time_to_strip_min(GRADE, 0.5, start_temp_c=20, surroundings_c=5, time_constant_min=90)
    assert 60 < found < GRADE.strip_time_min(5, 0.5)


@pytest.mark.parametrize("tau", [-1, math.nan])
def test_impossible_time_constant_is_refused(tau):
    """A time constant is 0 or more."""
    with pytest.raises(FieldError):
        time_to_strip_min(AMOUNT, 40, start_temp_c=20, surroundings_c=5, time_constant_min=tau)


def age(hours, temps, energy=45.0, reference=20.0):
    """Equivalent age with the usual energy and reference."""
    return equivalent_age_h(hours, temps, activation_energy_kj_mol=energy, reference_temp_c=reference)


def test_equivalent_age_at_the_reference_is_the_age():
    """Hours at the reference temperature count as they are; without activation energy all hours do."""
    assert age([0, 3, 10], [20, 20, 20]) == pytest.approx(10)
    assert age([0, 3, 10], [5, 40, 20], energy=0) == pytest.approx(10)


def test_equivalent_age_takes_steps_and_series():
    """Two equal times make a step of temperature; a Series serves as well as a list."""
    stepped = age(pd.Series([0.0, 5.0, 5.0, 10.0]), pd.Series([20.0, 20.0, 30.0, 30.0]))
    assert stepped == pytest.approx(5 + age([0, 5], [30, 30]))


@pytest.mark.parametrize(
    ("hours", "temps"),
    [([0], [20]), ([0, 1], [20]), ([1, 0], [20, 20]), ([0, math.nan], [20, 20]), ([0, 1], [20, math.nan])],
)
def test_broken_logs_are_refused(hours, temps):
    """A log with too few points, missing values or times that run backwards is refused."""
    with pytest.raises(FieldError):
        age(hours, temps)


@given(st.lists(st.floats(-10, 60), min_size=3, max_size=8), st.floats(0.1, 0.9))
def test_equivalent_age_adds_up(temps, part):
    """A log cut in two at any point of a straight piece gives the same age."""
    hours = list(range(len(temps)))
    cut = 1 + part
    middle = temps[1] + (temps[2] - temps[1]) * part
    first = age([0, 1, cut], [temps[0], temps[1], middle])
    rest = age([cut, *hours[2:]], [middle, *temps[2:]])
    assert first + rest == pytest.approx(age(hours, temps), rel=1e-9)
