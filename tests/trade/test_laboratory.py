"""Sieve analysis, loss on ignition and acid demand: behaviour, limits and refusals."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.acid import acid_demand_ml, acid_taken_up_pct
from sandtrack.trade.ignition import loss_on_ignition_pct
from sandtrack.trade.sieve import (
    FINENESS_FACTORS,
    US_OPENING_MM,
    average_grain_size_um,
    distribution,
    grain_fineness_number,
)

SAND = {40: 5.0, 50: 25.0, 70: 40.0, 100: 20.0, 140: 8.0, "pan": 2.0}
ANALYSES = st.dictionaries(st.sampled_from([*US_OPENING_MM, "pan"]), st.floats(0.01, 50), min_size=2)


def test_labels_may_be_numbers_or_text():
    """A sieve may be named by number or text, and clay stays out of both sums."""
    assert grain_fineness_number({"50": 1, " 70 ": 1, "Pan": 0}) == grain_fineness_number({50: 1, 70: 1, "clay": 9})


@given(ANALYSES, st.floats(0.1, 10))
def test_grams_or_percent_make_no_difference(analysis, scale):
    """All weights times one number leave the number unchanged, and it lies between its factors."""
    number = grain_fineness_number(analysis)
    assert grain_fineness_number({k: v * scale for k, v in analysis.items()}) == pytest.approx(number)
    used = [FINENESS_FACTORS["later"][sieve] for sieve in analysis]
    assert min(used) - 1e-9 <= number <= max(used) + 1e-9


def test_factor_sets_differ_at_sieve_200_alone():
    """The classic and later factors are the same but for 140 and 145 at sieve 200."""
    classic, later = FINENESS_FACTORS["classic"], FINENESS_FACTORS["later"]
    assert {k: (classic[k], later[k]) for k in classic if classic[k] != later[k]} == {"200": (140, 145)}
    assert grain_fineness_number({200: 1.0}, factors={"200": 150.0}) == 150


@pytest.mark.parametrize(
    "retained",
    [{60: 1.0}, {50: -1.0}, {50: math.nan}, {50: 0.0}, {}, {"clay": 3.0}, {50: 1.0, "50": 1.0}, {50: "1"}],
)
def test_analyses_that_cannot_be_are_refused(retained):
    """Unknown or doubled sieves, negative or missing weights and empty analyses are refused."""
    with pytest.raises(FieldError):
        grain_fineness_number(retained)
    with pytest.raises(FieldError):
        distribution(retained)


def test_unknown_tables_are_refused():
    """Unknown factors and openings are refused with the ones that exist."""
    with pytest.raises(FieldError, match="classic"):
        grain_fineness_number(SAND, factors="new")
    with pytest.raises(FieldError, match="metric"):
        distribution(SAND, opening_mm="iso")
    with pytest.raises(FieldError):
        average_grain_size_um({50: 1.0})


@given(ANALYSES)
def test_distribution_adds_up(analysis):
    """Retained and pan make 100 %, passing falls from coarse to fine and ends at the pan."""
    found = distribution(analysis)
    assert sum(found.retained_pct) + found.pan_pct == pytest.approx(100)
    assert list(found.opening_mm) == sorted(found.opening_mm, reverse=True)
    assert all(a >= b for a, b in zip(found.passing_pct, found.passing_pct[1:], strict=False))
    if found.sieves:
        assert found.passing_pct[-1] == pytest.approx(found.pan_pct)


def test_sizes_by_hand():
    """D50 lies between sieves 50 and 70 by the logarithm; D10 right at sieve 140's 10 % mark is its opening."""
    found = distribution(SAND)
    assert found.passing_pct == pytest.approx((95, 70, 30, 10, 2))
    assert found.d50_mm == pytest.approx(math.sqrt(0.300 * 0.212))
    assert found.d60_mm == pytest.approx(0.212 * (0.300 / 0.212) ** 0.75)
    assert found.d10_mm == pytest.approx(0.150)
    assert found.uniformity == pytest.approx(0.212 * (0.300 / 0.212) ** 0.75 / 0.150)


def test_sizes_beyond_the_sieves_are_not_determined():
    """Where the sieves do not reach, sizes are not determined rather than drawn on."""
    found = distribution({50: 30.0, 70: 30.0, "pan": 40.0})
    assert (found.d10_mm, found.uniformity) == (None, None)
    assert found.d60_mm is not None
    assert distribution({"pan": 1.0}).d50_mm is None
    for part in (0, 100, math.nan):
        with pytest.raises(FieldError):
            found.size_mm(part)


def test_sieves_holding():
    """The longest unbroken row of sieves counts, and the pan never does."""
    assert distribution(SAND).sieves_holding() == ("50", "70", "100")
    assert distribution(SAND).sieves_holding(at_least_pct=30) == ("70",)
    assert distribution({30: 30.0, 40: 30.0, 50: 1.0, 70: 39.0}).sieves_holding() == ("30", "40")
    assert distribution({270: 5.0, "pan": 95.0}).sieves_holding() == ()


def test_metric_sieves():
    """Metric sieves are named by their opening in micrometres."""
    found = distribution({250: 50.0, 180: 50.0}, opening_mm="metric")
    assert (found.opening_mm, found.d50_mm) == ((0.25, 0.18), 0.25)
    assert grain_fineness_number({250: 1.0, 180: 1.0}, factors="metric") == 52.5


def test_loss_on_ignition_limits():
    """All burnt is 100 %, nothing lost 0, and iron that gains weight gives a negative loss."""
    assert loss_on_ignition_pct(crucible_g=20, before_g=30, after_g=20) == 100
    assert loss_on_ignition_pct(crucible_g=20, before_g=30, after_g=30) == 0
    assert loss_on_ignition_pct(crucible_g=20, before_g=30, after_g=30.1) == pytest.approx(-1)


def test_loss_on_ignition_columns():
    """Columns of weighings give a column, missing rows stay missing."""
    before = pd.Series([30.0, math.nan])
    assert loss_on_ignition_pct(crucible_g=20, before_g=before, after_g=29.0).isna().tolist() == [False, True]
    assert loss_on_ignition_pct(crucible_g=20, before_g=np.array([30.0]), after_g=29.0) == pytest.approx([10])


@pytest.mark.parametrize(
    ("crucible", "before", "after"), [(20, 20, 20), (20, 19, 18), (20, 30, 19), (0, 30, 29), (20, math.nan, 29)]
)
def test_impossible_weighings_are_refused(crucible, before, after):
    """No sand in the crucible, or less than the crucible left, is refused."""
    with pytest.raises(FieldError):
        loss_on_ignition_pct(crucible_g=crucible, before_g=before, after_g=after)


def test_acid_demand_may_be_negative():
    """Sand that carries acid takes more base than the acid that was added."""
    assert acid_demand_ml(sample_g=50, acid_ml=50, base_ml=51) == pytest.approx(-1)
    assert acid_taken_up_pct(acid_demand_ml=-1, resin_pct=1) < 0


def test_acid_demand_scales():
    """Half the sample doubles the value; strengths of 0.2 N count double."""
    assert acid_demand_ml(sample_g=25, acid_ml=50, base_ml=47) == pytest.approx(6)
    found = acid_demand_ml(sample_g=50, acid_ml=25, base_ml=23.5, acid_normality=0.2, base_normality=0.2)
    assert found == pytest.approx(3)
    assert acid_demand_ml(sample_g=50, acid_ml=50, base_ml=pd.Series([47.0])).tolist() == pytest.approx([3])


@pytest.mark.parametrize(
    "ask",
    [
        lambda: acid_demand_ml(sample_g=0, acid_ml=50, base_ml=47),
        lambda: acid_demand_ml(sample_g=50, acid_ml=-1, base_ml=47),
        lambda: acid_demand_ml(sample_g=50, acid_ml=50, base_ml=math.nan),
        lambda: acid_taken_up_pct(acid_demand_ml=5, resin_pct=0),
        lambda: acid_taken_up_pct(acid_demand_ml=5, resin_pct=1, acid_strength_pct=101),
    ],
)
def test_impossible_titrations_are_refused(ask):
    """Negative volumes, no sample and impossible strengths are refused."""
    with pytest.raises(FieldError):
        ask()
