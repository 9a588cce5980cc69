"""Calibration lines and catches: normal use, limits, ranges without end, refusals."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.calibration import calibration_line
from sandtrack.trade.catches import catch_spread, caught_kg, rates_kg_min, ratio_error_pct

SETTINGS, SECONDS = [20, 20, 40, 40, 60, 60], [30] * 6
MASSES = [0.50, 0.52, 1.01, 0.99, 1.48, 1.52]


def line(masses=MASSES, **more):
    """The usual line: about 0.05 kg/min per unit of the setting."""
    return calibration_line(settings=SETTINGS, seconds=SECONDS, masses_kg=masses, **more)


def test_rates():
    """Half a kilogram in 30 s is 1 kg/min; 0.6 kg in 20 s 1.8."""
    assert rates_kg_min(seconds=[30, 20], masses_kg=[0.5, 0.6]).tolist() == pytest.approx([1.0, 1.8])


def test_line_by_hand():
    """Rates 1.02, 2.00, 3.00 on average at 20, 40, 60: slope 1.98/40 = 0.0495, mean 2.00667, 0.02667 at 0."""
    usual = line()
    assert usual.slope_kg_min == pytest.approx(0.0495)
    assert usual.intercept_kg_min == pytest.approx((1.02 + 2.00 + 3.00) / 3 - 40 * 0.0495)


def test_perfect_catches_leave_no_range():
    """Catches exactly on a line give it back, with a range of nothing, weighted or not."""
    for weighting in ("plain", "relative"):
        exact = line([0.5, 0.5, 1.0, 1.0, 1.5, 1.5], weighting=weighting)
        rate = exact.rate_at(50)
        assert (rate.value, rate.low, rate.high) == pytest.approx((2.5, 2.5, 2.5))
        found = exact.setting_for(2.5)
        assert (found.value, found.low, found.high) == pytest.approx((50, 50, 50))
        assert found.finite


@given(st.floats(21, 59))
def test_setting_for_the_rate_of_a_setting(setting):
    """The setting for the rate of a setting is that setting, inside its range."""
    found = line().setting_for(line().rate_at(setting).value)
    assert found.value == pytest.approx(setting, rel=1e-9)
    assert found.low < setting < found.high
    assert found.inside


def test_more_chance_and_single_catches_are_wider():
    """A surer range is wider, one of a single catch wider than of the rate, of many catches in between."""
    usual = line()
    for ask in (usual.rate_at, lambda x, **more: usual.setting_for(x / 20, **more)):
        width = [
            (lambda e: e.high - e.low)(ask(50, **more))
            for more in ({"chance": 0.8}, {}, {"catches": 9}, {"catches": 1})
        ]
        assert width == sorted(width)
        assert width[0] < width[-1]


def test_beyond_the_caught_settings_is_said():
    """A rate outside the settings that were caught is a guess and says so."""
    assert line().rate_at(60).inside
    assert not line().rate_at(61).inside
    assert not line().setting_for(5.0).inside


def test_relative_weights_trust_small_rates_more():
    """Weighted in percent, the range at a low setting is narrower than in kg/min, where errors grow with the rate."""
    masses = [0.495, 0.505, 0.98, 1.02, 1.44, 1.56]
    assert line(masses, weighting="relative").rate_at(20).standard_error < line(masses).rate_at(20).standard_error


def test_range_without_end():
    """Catches that do not show any slope give no finite range, and say so; the best value is still told."""
    noisy = line([1.0, 0.6, 0.7, 1.1, 0.9, 0.95])
    found = noisy.setting_for(1.8)
    assert not found.finite
    assert (found.low, found.high) == (-math.inf, math.inf)
    assert math.isfinite(found.value)


def test_flat_line_has_no_setting():
    """With no slope at all no setting can be told."""
    with pytest.raises(FieldError, match="no setting"):
        line([1.0, 1.0, 1.0, 1.0, 1.0, 1.0]).setting_for(2.0)


def test_gate_that_closes_upward():
    """A setting that lowers the rate works the same way, its range the right way round."""
    found = line(MASSES[::-1]).setting_for(2.5)
    assert found.low < found.value < found.high
    assert found.value < 40


def test_columns_of_settings():
    """Columns go through row by row, missing rows stay missing, a Series keeps its index."""
    rates = line().rate_at(pd.Series([20.0, math.nan, 90.0], index=[7, 8, 9]))
    assert list(rates.low.index) == [7, 8, 9]
    assert rates.value.isna().tolist() == [False, True, False]
    assert rates.inside.tolist() == [True, False, False]
    settings = line().setting_for(np.array([1.0, math.nan]))
    assert settings.value[0] == pytest.approx(line().setting_for(1.0).value)
    assert np.isnan(settings.high).tolist() == [False, True]
    noisy = line([1.0, 0.6, 0.7, 1.1, 0.9, 0.95]).setting_for(np.array([1.8, math.nan]))
    assert noisy.low[0] == -math.inf
    assert math.isnan(noisy.low[1])


@pytest.mark.parametrize(
    ("settings", "seconds", "masses", "weighting"),
    [
        ([20, 40], [30, 30], [0.5, 1.0], "plain"),
        ([20, 20, 20], [30, 30, 30], [0.5, 0.5, 0.5], "plain"),
        ([20, 40, 60], [30, 30], [0.5, 1.0], "plain"),
        ([20, 40, 60], [30, 0, 30], [0.5, 1.0, 1.5], "plain"),
        ([20, 40, 60], [30, 30, 30], [0.5, -1.0, 1.5], "plain"),
        ([20, 40, math.nan], [30, 30, 30], [0.5, 1.0, 1.5], "plain"),
        ([20, 40, 60], [30, 30, 30], [0.0, 1.0, 1.5], "relative"),
        ([20, 40, 60], [30, 30, 30], [0.5, 1.0, 1.5], "steep"),
    ],
)
def test_impossible_calibrations_are_refused(settings, seconds, masses, weighting):
    """Too few catches, one setting, unequal columns, missing or impossible values are refused."""
    with pytest.raises(FieldError):
        calibration_line(settings=settings, seconds=seconds, masses_kg=masses, weighting=weighting)


@pytest.mark.parametrize("more", [{"chance": 0}, {"chance": 1}, {"catches": -1}])
def test_impossible_questions_are_refused(more):
    """A chance lies between 0 and 1; catches are not negative."""
    for ask in (line().rate_at, line().setting_for):
        with pytest.raises(FieldError):
            ask(2.0, **more)
        with pytest.raises(FieldError):
            ask(math.nan)


def test_spread_by_hand():
    """1.00, 1.04, 1.02: mean 1.02, sd 0.02, farthest 0.02/1.02 = 1.96 %, 2 % over the wanted 1.00."""
    seen = catch_spread(seconds=[60] * 3, masses_kg=[1.00, 1.04, 1.02], tolerance_pct=2, wanted_kg_min=1.0)
    assert (seen.mean_kg_min, seen.sd_kg_min) == pytest.approx((1.02, 0.02))
    assert (seen.largest_pct, seen.error_pct) == pytest.approx((100 * 0.02 / 1.02, 2.0))
    assert seen.steady
    assert seen.on_rate
    # Half the range: t for 2 degrees of freedom, 4.303 (tables), times 0.02/sqrt(3).
    assert seen.high_kg_min - seen.mean_kg_min == pytest.approx(4.303 * 0.02 / math.sqrt(3), rel=1e-3)


def test_spread_beyond_the_tolerance():
    """Catches too far apart are not steady; a steady pump may still be off its rate; no wanted rate, no verdict."""
    apart = catch_spread(seconds=[60] * 2, masses_kg=[1.0, 1.2], tolerance_pct=3)
    assert not apart.steady
    assert apart.error_pct is None
    assert apart.on_rate is None
    off = catch_spread(seconds=[60] * 2, masses_kg=[1.0, 1.0], tolerance_pct=3, wanted_kg_min=1.1)
    assert off.steady
    assert not off.on_rate
    assert off.error_pct < 0


@pytest.mark.parametrize(
    "change",
    [
        {"masses_kg": [1.0], "seconds": [60]},
        {"masses_kg": [0.0, 0.0]},
        {"tolerance_pct": 0},
        {"wanted_kg_min": 0},
        {"chance": 1},
        {"seconds": [60, math.nan]},
    ],
)
def test_impossible_spreads_are_refused(change):
    """One catch, catches of nothing, missing values or numbers outside their range are refused."""
    with pytest.raises(FieldError):
        catch_spread(**({"seconds": [60, 60], "masses_kg": [1.0, 1.1], "tolerance_pct": 3} | change))


def test_ratio_error_limits():
    """Equal errors cancel; no resin is -100 %; no sand is refused; columns go through."""
    assert ratio_error_pct(resin_error_pct=4, sand_error_pct=4) == 0
    assert ratio_error_pct(resin_error_pct=-100, sand_error_pct=0) == -100
    with pytest.raises(FieldError):
        ratio_error_pct(resin_error_pct=0, sand_error_pct=-100)
    with pytest.raises(FieldError):
        ratio_error_pct(resin_error_pct=-101, sand_error_pct=0)
    column = ratio_error_pct(resin_error_pct=pd.Series([0.0, math.nan]), sand_error_pct=0.0)
    assert column.isna().tolist() == [False, True]


def test_volume_of_a_catch():
    """Half a litre of a liquid of 1200 kg/m³ is 0.6 kg; columns go through, a density of 0 does not."""
    assert caught_kg(volume_ml=500, density_kg_m3=1200) == pytest.approx(0.6)
    assert caught_kg(volume_ml=np.array([0, 1000]), density_kg_m3=1200).tolist() == pytest.approx([0, 1.2])
    with pytest.raises(FieldError):
        caught_kg(volume_ml=500, density_kg_m3=0)
