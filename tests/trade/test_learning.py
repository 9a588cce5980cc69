"""The starting belief about a cure law: honest widths, and an inverse that agrees with them."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.learning import Belief

AMOUNT = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=40)
GRADE = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=0.5, lever_kind="grade")
NO_CHANCE = {"check_sd": 0.0, "lot_sd": 0.0}


def test_default_holds_the_stated_prior():
    """Means ln 60, 50.5 kJ/mol, 1.45 and sds 0.54, 8, 0.45; chance 0.115 and lot 0.07."""
    assert AMOUNT.mean == (math.log(60), 50.5, 1.45)
    assert [AMOUNT.covariance[k][k] for k in range(3)] == pytest.approx([0.54**2, 64, 0.45**2])
    assert (AMOUNT.check_sd, AMOUNT.lot_sd) == (0.115, 0.07)


def test_reference_time_is_known_within_a_factor_of_two():
    """At the reference, 80 % of the bare prior spans a factor of two each way (exp(1.2816 x 0.54) = 1.998)."""
    low, middle, high = replace(AMOUNT, **NO_CHANCE).strip_range_min(20, 40)
    assert (middle / low, high / middle) == pytest.approx((1.998, 1.998), abs=2e-3)


def test_cold_alone_spans_two_to_three():
    """At 8 °C the energy alone (80 % band 40 to 61) slows by about 2.0 to 2.9; by hand E x 0.017511."""
    only_energy = replace(AMOUNT, covariance=((0, 0, 0), (0, 64, 0), (0, 0, 0)), **NO_CHANCE)
    low, _, high = only_energy.strip_range_min(8, 40)
    # 120.2722 K/(kJ/mol) x (1/281.15 - 1/293.15) = 0.017511; 50.5 -+ 1.28155 x 8 = 40.248 and 60.752
    assert low / 60 == pytest.approx(math.exp(40.248 * 0.017511), rel=1e-3)
    assert high / 60 == pytest.approx(math.exp(60.752 * 0.017511), rel=1e-3)
    assert 2.0 < low / 60 < 2.1
    assert 2.8 < high / 60 < 3.0


def test_range_never_narrower_than_chance_and_lot():
    """A belief without any doubt left still spans the chance of a check and the lot."""
    sure = replace(AMOUNT, covariance=((0, 0, 0), (0, 0, 0), (0, 0, 0)))
    low, middle, high = sure.strip_range_min(20, 40, coverage=0.6826894921370859)
    assert math.log(high / middle) == pytest.approx(math.hypot(0.115, 0.07), rel=1e-9)
    assert math.log(middle / low) == pytest.approx(math.hypot(0.115, 0.07), rel=1e-9)


@given(st.floats(-5, 45), st.floats(15, 80), st.floats(0.05, 0.95))
def test_range_holds_its_coverage(temp, amount, coverage):
    """The chances at the two ends of a range differ by its coverage."""
    low, middle, high = AMOUNT.strip_range_min(temp, amount, coverage=coverage)
    assert low < middle < high
    inside = AMOUNT.chance_by(high, temp, amount) - AMOUNT.chance_by(low, temp, amount)
    assert inside == pytest.approx(coverage, abs=1e-9)
    assert AMOUNT.chance_by(middle, temp, amount) == pytest.approx(0.5, abs=1e-9)


@given(st.floats(0, 15))
def test_range_widens_away_from_the_reference(step):
    """The further from the reference temperature, the wider the range, either way."""
    near = AMOUNT.strip_range_min(20, 40)
    for temp in (20 - step, 20 + step):
        far = AMOUNT.strip_range_min(temp, 40)
        assert far[2] / far[0] >= near[2] / near[0] * (1 - 1e-12)


@given(st.floats(-5, 45), st.floats(5, 600), st.floats(0.02, 0.98))
def test_amount_found_is_the_smallest_that_will_do(temp, wanted, chance):
    """The amount found reaches the chance, a little less does not; none is found only where the window has none."""
    found = AMOUNT.lever_for(wanted, temp, chance=chance, window=(20, 60))
    grid = AMOUNT.chance_by(wanted, temp, np.linspace(20, 60, 201))
    if found is None:
        assert np.all(grid < chance)
    else:
        assert 20 <= found <= 60
        assert AMOUNT.chance_by(wanted, temp, found) >= chance - 1e-6
        if found > 20:
            assert AMOUNT.chance_by(wanted, temp, found * 0.999) < chance


@given(st.floats(-5, 45), st.floats(15, 80))
def test_even_chance_is_the_middle_law(temp, amount):
    """At an even chance the amount is that of the middle law, wherever the window allows it."""
    wanted = AMOUNT.law().strip_time_min(temp, amount)
    assert AMOUNT.lever_for(wanted, temp, chance=0.5, window=(10, 100)) == pytest.approx(amount, rel=1e-6)


@given(st.floats(0, 40), st.floats(10, 300))
def test_share_found_lies_between_all_slow_and_all_fast(temp, wanted):
    """A share of fast grade is looked for between 0 and 1 only."""
    found = GRADE.lever_for(wanted, temp, chance=0.8)
    if found is None:
        assert GRADE.chance_by(wanted, temp, 1.0) < 0.8
    else:
        assert 0 <= found <= 1
        assert GRADE.chance_by(wanted, temp, found) >= 0.8 - 1e-6


def test_amount_without_a_window_stays_near_the_reference():
    """Without a window an amount is looked for from a quarter to four times the reference."""
    assert AMOUNT.lever_for(1e6, 20, chance=0.5) == 10
    assert AMOUNT.lever_for(1e-3, 20, chance=0.5) is None


def test_columns():
    """Columns go through ranges and chances; a Series keeps its index, missing rows stay missing."""
    temps = pd.Series([20.0, math.nan], index=["a", "b"])
    low, middle, high = AMOUNT.strip_range_min(temps, 40)
    assert middle["a"] == pytest.approx(60)
    assert all(column.isna().tolist() == [False, True] for column in (low, middle, high))
    chance = AMOUNT.chance_by(60, temps, 40)
    assert chance["a"] == pytest.approx(0.5)
    assert list(chance.index) == ["a", "b"]
    assert AMOUNT.chance_by(np.array([60.0, 1e9]), 20, 40).tolist() == pytest.approx([0.5, 1.0])
    assert type(AMOUNT.strip_range_min(20, 40)[0]) is float


def test_law_in_the_middle():
    """The middle law gives the middle of the range."""
    assert AMOUNT.law().strip_time_min(8, 30) == pytest.approx(AMOUNT.strip_range_min(8, 30)[1])


@pytest.mark.parametrize(
    "ask",
    [
        lambda: AMOUNT.strip_range_min(20, 40, coverage=1.0),
        lambda: AMOUNT.strip_range_min(20, 0),
        lambda: AMOUNT.chance_by(0, 20, 40),
        lambda: AMOUNT.chance_by(math.nan, 20, 40),
        lambda: AMOUNT.lever_for(60, 20, chance=0),
        lambda: AMOUNT.lever_for(60, 20, chance=0.8, window=(50, 20)),
        lambda: AMOUNT.lever_for(-1, 20, chance=0.8),
        lambda: GRADE.chance_by(60, 20, 1.2),
        lambda: Belief.default(strip_time_min=0, at_temp_c=20, at_lever=40),
        lambda: Belief.default(strip_time_min=60, at_temp_c=20, at_lever=40, lever_kind="grade"),
        lambda: replace(AMOUNT, check_sd=-0.1),
        lambda: replace(AMOUNT, covariance=((1, 0, 0), (0, -1, 0), (0, 0, 1))),
    ],
)
def test_nonsense_is_refused(ask):
    """Chances outside 0 to 1, negative times, windows the wrong way round and impossible beliefs are refused."""
    with pytest.raises(FieldError):
        ask()
