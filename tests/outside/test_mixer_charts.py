"""How often the audit's charts alarm falsely and how soon rightly: simulated readings against published run lengths."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from sandtrack.shop.mixers.charts import WEIGHT, WIDTH, readings_to_find
from sandtrack.trade.run_length import average_run_length

# (width, shift in sd): average run length at weight 0.25, fixed limits, start at the centre.
PUBLISHED = {
    # source: documentation of the R package spc (xewma.arl)
    (3.0, 1.0): 11.154267016,
    # memory: Crowder, Technometrics 29 (1987), Table 1
    (3.5, 0.0): 2640.16,
}


def simulated(width: float, shift: float, series: int) -> Any:
    """Readings until the moving average of weight 0.25 leaves its fixed limits, for each of so many series at once."""
    chance = np.random.default_rng(3)
    limit = width * math.sqrt(0.25 / 1.75)
    path, lengths, reading = np.zeros(series), [], 0
    while path.size:
        reading += 1
        path = 0.75 * path + 0.25 * (chance.normal(size=path.size) + shift)
        out = np.abs(path) > limit
        lengths += [reading] * int(out.sum())
        path = path[~out]
    return np.array(lengths)


@pytest.mark.parametrize(("design", "length"), PUBLISHED.items(), ids=str)
def test_simulated_run_lengths_of_the_tables(design: tuple[float, float], length: float) -> None:
    """Simulated moving averages run as long as the tables say, within three standard errors, and as ours computes."""
    assert WEIGHT == 0.25
    found = simulated(*design, series=4000)
    assert np.mean(found) == pytest.approx(length, abs=3 * np.std(found) / math.sqrt(found.size))
    ours = average_run_length(weight=0.25, width=design[0], shift_sd=design[1], limits="steady")
    assert ours == pytest.approx(length, rel=1e-5)


def test_single_readings_of_the_normal_law() -> None:
    """Single readings at 3.5 sd alarm falsely once in 1 / (2 Φ(−3.5)), some 2,149 (derived; SciPy's normal law)."""
    assert average_run_length(weight=1, width=WIDTH) == pytest.approx(1 / (2 * norm.sf(3.5)), rel=1e-9)


def test_a_large_error_is_found_at_once() -> None:
    """Eight sd off, a single reading signals: 1 / Φ(8 − 3.5) is 1.000003 readings (derived; SciPy's normal law)."""
    assert readings_to_find(8.0) == pytest.approx(1 / norm.cdf(4.5), rel=1e-9)
