"""Calibration lines against metrology guides, textbooks and an independent calculator of uncertainty."""

from __future__ import annotations

import GTC
import numpy as np
import pytest
from GTC import type_a
from scipy import stats

from sandtrack.trade.calibration import calibration_line
from sandtrack.trade.catches import catch_spread, ratio_error_pct

MASSART_X, MASSART_Y = [0, 10, 20, 30, 40, 50], [4, 21.2, 44.6, 61.8, 78, 105.2]


def through(x, y, **more):
    """Line through points: catches of one minute each."""
    return calibration_line(settings=x, seconds=[60] * len(x), masses_kg=y, **more)


def half_width(estimate, chance, freedom):
    """Symmetric half-width from the standard error, as textbooks print it; t from SciPy."""
    return estimate.standard_error * stats.t.ppf((1 + chance) / 2, freedom)


def test_inverse_prediction_of_massart():
    """A reading of 15 means 6.09381 ± 4.906751, standard error 1.767278; 90 means 43.9 ± 4.9, of five ± 3.2.

    Tag: source, Massart et al., Handbook of Chemometrics and Qualimetrics A (1997) example 1, in the tests of the R
    package chemCal.
    """
    line = through(MASSART_X, MASSART_Y)
    found = line.setting_for(15, catches=1)
    assert found.value == pytest.approx(6.09381, abs=5e-6)
    assert found.standard_error == pytest.approx(1.767278, abs=5e-7)
    assert half_width(found, 0.95, 4) == pytest.approx(4.906751, abs=2e-6)
    high = line.setting_for(90, catches=1)
    assert high.value == pytest.approx(43.9, abs=0.05)
    assert half_width(high, 0.95, 4) == pytest.approx(4.9, abs=0.05)
    assert half_width(line.setting_for(90, catches=5), 0.95, 4) == pytest.approx(3.2, abs=0.05)


THERMOMETER = [95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21]
CHAMBER = [206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16]


@pytest.mark.parametrize(
    ("x", "y", "at", "catches", "chance", "value", "low", "high", "digits"),
    [
        (range(96, 112, 2), THERMOMETER, 104, 1, 0.95, 103.995, 103.4, 104.6, 1),
        (range(96, 112, 2), THERMOMETER, 100, 1, 0.90, 100.1, 99.63, 100.59, 2),
        (range(0, 101, 10), CHAMBER, 400, 0, 0.99, 66.5, 65.07, 68.03, 2),
    ],
)
def test_fieller_ranges_of_graybill_and_iyer(x, y, at, catches, chance, value, low, high, digits):
    """Setting and Fieller range of a thermometer and of a reaction chamber's dial are those of the book.

    Tag: source, Graybill & Iyer, Regression Analysis (1994) ch. 6, pp. 431 and 433, as in the tests of the R package
    investr. catches = 1: a reading was taken; 0: the temperature is wanted.
    """
    found = through(list(x), y).setting_for(at, chance=chance, catches=catches)
    assert found.finite
    assert found.value == pytest.approx(value, abs=0.05)
    assert round(found.low, digits) == low
    assert round(found.high, digits) == high


def test_fieller_range_is_where_the_line_cannot_be_told_from_the_rate():
    """Fieller's ends are the settings at which |line - rate| is t standard errors (roots found by scanning).

    Tag: derived: the definition itself, with SciPy's t, on Massart's points.
    """
    line = through(MASSART_X, MASSART_Y)
    found = line.setting_for(15)
    settings = np.linspace(-40, 60, 1_000_001)
    x, y = np.array(MASSART_X, dtype=float), np.array(MASSART_Y)
    fit = stats.linregress(x, y)
    s2 = np.sum((y - fit.intercept - fit.slope * x) ** 2) / 4
    error = np.sqrt(s2 * (1 / 6 + (settings - 25) ** 2 / 1750))
    kept = settings[np.abs(fit.intercept + fit.slope * settings - 15) <= stats.t.ppf(0.975, 4) * error]
    assert (found.low, found.high) == pytest.approx((kept.min(), kept.max()), abs=2e-4)


# JCGM 100:2008 (GUM) H.3: reading less 20 °C, and correction raised by 1 to be a mass. Tag: source.
GUM_X = [1.521, 2.012, 2.512, 3.003, 3.507, 3.999, 4.513, 5.002, 5.503, 6.010, 6.511]
GUM_Y = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_line_of_the_gum():
    """Intercept -0.1712 (0.0029), slope 0.00218 (0.00067), correlation -0.930, at 30 °C -0.1494 (0.0041).

    Tag: source, JCGM 100:2008 H.3.
    """
    line = through(GUM_X, [1 + y for y in GUM_Y])
    assert line.intercept_kg_min - 1 == pytest.approx(-0.1712, abs=5e-5)
    assert line.intercept_se_kg_min == pytest.approx(0.0029, abs=5e-5)
    assert line.slope_kg_min == pytest.approx(0.00218, abs=5e-6)
    assert line.slope_se_kg_min == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    rate = line.rate_at(10)
    assert rate.value - 1 == pytest.approx(-0.1494, abs=5e-5)
    assert rate.standard_error == pytest.approx(0.0041, abs=5e-5)
    assert not rate.inside


def test_plain_line_against_a_calculator_of_uncertainty():
    """Line, rate of a further catch and its uncertainty are those of the GUM Tree Calculator. Tag: source, package."""
    y = [1 + each for each in GUM_Y]
    line, other = through(GUM_X, y), type_a.line_fit(GUM_X, y)
    assert line.intercept_kg_min == pytest.approx(GTC.value(other.intercept), rel=1e-12)
    assert line.slope_se_kg_min == pytest.approx(GTC.uncertainty(other.slope), rel=1e-9)
    one = line.rate_at(10, catches=1)
    assert one.standard_error == pytest.approx(GTC.uncertainty(other.y_from_x(10)), rel=1e-9)
    back = line.setting_for(0.84, catches=1)
    assert back.value == pytest.approx(GTC.value(other.x_from_y([0.84])), rel=1e-9)
    assert back.standard_error == pytest.approx(GTC.uncertainty(other.x_from_y([0.84])), rel=1e-6)


def test_relative_line_against_a_calculator_of_uncertainty():
    """Weighted by the rate, line and uncertainties are those of the GUM Tree Calculator. Tag: source, package."""
    x, y = [10, 20, 40, 80], [0.52, 0.98, 2.06, 3.95]
    line = through(x, y, weighting="relative")
    other = type_a.line_fit_rwls(x, y, y)
    assert line.intercept_kg_min == pytest.approx(GTC.value(other.intercept), rel=1e-9)
    assert line.slope_kg_min == pytest.approx(GTC.value(other.slope), rel=1e-9)
    assert line.intercept_se_kg_min == pytest.approx(GTC.uncertainty(other.intercept), rel=1e-9)
    assert line.slope_se_kg_min == pytest.approx(GTC.uncertainty(other.slope), rel=1e-9)


def test_errors_of_the_handbooks_line():
    """Error of the line at 0 and its correlation fit the covariances of the handbook's linewidth calibration.

    Tag: source, NIST/SEMATECH e-Handbook 2.3.6.7.3: variances 5.905067e-4 and 1.183759e-5, covariance -7.649453e-5,
    40 points. Points with that mean (7.649453/1.183759 = 6.46200) and spread must give that correlation, -0.91492.
    """
    mean = 7.649453e-5 / 1.183759e-5
    squares = (5.905067e-4 / 1.183759e-5 - mean**2) * 40
    x = mean + np.sqrt(squares / 40) * np.tile([-1.0, 1.0], 20)
    y = 0.2357623 + 0.9870377 * x + 0.01 * np.tile([1.0, 1.0, -1.0, -1.0], 10)
    line = through(x, y)
    assert line.correlation == pytest.approx(-7.649453e-5 / np.sqrt(5.905067e-4 * 1.183759e-5), rel=1e-6)
    assert line.intercept_se_kg_min / line.slope_se_kg_min == pytest.approx(0.02430034 / 0.00344058, rel=1e-5)
    assert (line.intercept_kg_min, line.slope_kg_min) == pytest.approx((0.2357623, 0.9870377), rel=1e-9)


def test_range_of_three_catches_against_scipy():
    """The range of the mean of three catches is SciPy's t interval. Tag: source, package."""
    seen = catch_spread(seconds=[60, 60, 60], masses_kg=[1.02, 0.99, 1.00], tolerance_pct=3)
    low, high = stats.t.interval(0.95, 2, loc=np.mean([1.02, 0.99, 1.00]), scale=stats.sem([1.02, 0.99, 1.00]))
    assert (seen.low_kg_min, seen.high_kg_min) == pytest.approx((low, high), rel=1e-10)


def test_errors_compound():
    """Resin 3 % over and sand 5 % under make 8.42 % too much: 1.03/0.95 = 1.0842. Tag: derived, by hand."""
    assert ratio_error_pct(resin_error_pct=3, sand_error_pct=-5) == pytest.approx(8.421, abs=5e-4)
    assert ratio_error_pct(resin_error_pct=-3, sand_error_pct=5) == pytest.approx(-7.619, abs=5e-4)
