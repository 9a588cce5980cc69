"""The start of a drift, at once or by a slide, dated after the fact."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from sandtrack.errors import FieldError
from sandtrack.trade.drift import date_drift


def chances(readings):
    """Chance of each start, way by way: a step or a slide that ends at any reading, each fitted by numpy's lstsq."""
    size = len(readings)
    at_once, slowly = np.zeros(size), np.zeros(size)
    for first in range(size):
        for full in range(first, size):
            shape = np.clip((np.arange(size) - first + 1) / (full - first + 1), 0, 1)
            (height,), *_ = np.linalg.lstsq(shape[:, None], readings, rcond=None)
            explained = readings @ readings - np.sum((readings - height * shape) ** 2)
            likelihood = math.exp(explained / 2) / math.sqrt(shape @ shape)
            slowly[first] += likelihood / (size - first)
            if full == first:
                at_once[first] = likelihood
    total = at_once.sum() + slowly.sum()
    return (at_once + slowly) / total, at_once.sum() / total


@pytest.mark.parametrize("seed", range(4))
def test_every_way_is_weighed(seed):
    """First, range and chance of a sudden start are those of every way fitted by itself (independent: numpy)."""
    readings = np.random.default_rng(seed).normal(size=14) + np.clip(np.arange(14) - 6, 0, 4) * 0.7
    start, sudden = chances(readings)
    found = date_drift(readings, centre=0, sd=1)
    assert found.first == int(np.argmax(np.cumsum(start) >= 0.5))
    assert found.sudden == pytest.approx(sudden, rel=1e-9)
    order = np.argsort(-start)
    held = order[: int(np.argmax(np.cumsum(start[order]) >= 0.9)) + 1]
    assert (found.earliest, found.latest) == (held.min(), held.max())


def test_a_step_without_noise():
    """A step of twenty sd from position 5 on is dated there."""
    found = date_drift([0.0] * 5 + [20.0] * 5, centre=0, sd=1)
    assert (found.first, found.earliest, found.latest) == (5, 5, 5)


def test_a_slide_without_noise():
    """A slide that goes on, three sd a reading from position 6 on, began there, and not at once."""
    found = date_drift(3 * np.clip(np.arange(26) - 5.0, 0, None), centre=0, sd=1)
    assert (found.first, found.latest) == (6, 6)
    assert found.sudden < 1e-6


def test_unit_and_side_do_not_matter():
    """Centre and sd are taken out: the same readings in another unit, or mirrored, are dated the same."""
    readings = np.random.default_rng(5).normal(size=30) + np.clip(np.arange(30) - 15, 0, None) * 0.5
    one = date_drift(readings, centre=0, sd=1)
    assert date_drift(50 - 3 * readings, centre=50, sd=3).first == one.first
    assert date_drift(pd.Series(readings), centre=0, sd=1) == one


@pytest.mark.parametrize("slope", [0.25, 1.0])
def test_slides_are_dated_soon_and_honestly(slope):
    """Slides of 30 readings are dated 2 readings late at most on average, and the 90 % range holds 8 in 10 or more."""
    chance, late, held = np.random.default_rng(9), [], 0
    for _ in range(200):
        readings = chance.normal(size=70) + slope * np.clip(np.arange(70) - 39.0, 0, None)
        found = date_drift(readings, centre=0, sd=1)
        late.append(found.first - 40)
        held += found.earliest <= 40 <= found.latest
    assert abs(np.mean(late)) < 2
    assert held >= 160


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"values": []}, "values"),
        ({"values": [1.0, math.nan]}, "values"),
        ({"sd": 0.0}, "sd"),
        ({"sd": -1.0}, "sd"),
        ({"chance": 1.0}, "chance"),
        ({"centre": math.inf}, "centre"),
    ],
)
def test_what_cannot_be_is_refused(asked, field):
    """Nothing, missing readings and impossible numbers are refused by name."""
    with pytest.raises(FieldError) as raised:
        date_drift(**({"values": [1.0, 2.0], "centre": 0.0, "sd": 1.0} | asked))
    assert raised.value.field == field
