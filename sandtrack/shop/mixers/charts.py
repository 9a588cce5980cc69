"""Charts of how far off a mixer was: limits, signals, drifts with their dates, and how often they are false."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from sandtrack.shop.mixers.demands import Reading, Series
from sandtrack.trade import control_chart
from sandtrack.trade.run_length import average_run_length

WEIGHT = 0.25
WIDTH = 3.5
CHANCE = 0.9
# A mean moving range of n readings is as sure of the sd as 0.6 n free readings: its variance is 0.826 sd²/n. derived
FREEDOM_OF_RANGES = 0.605
BACK_IN_A_ROW = 2
# practice: what moves by less than this part of the tolerance matters to nobody, however steady a mixer is.
LEAST_SD_OF_TOLERANCE = 0.1


@dataclass(frozen=True)
class Drift:
    """A stretch of readings off their usual, as a chart found it. Positions count charted readings from 0."""

    found: int
    first: int
    earliest: int
    latest: int
    last: int | None
    """The last reading before it was back; None while it goes on."""
    chart: str
    """Which chart signalled: "single readings" or "moving average"."""


@dataclass(frozen=True)
class Chart:
    """A series with its limits; each reading has a standard deviation of its own."""

    series: Series
    centre: float
    factor: float
    """Standard deviation of a reading by its scale, as learned. [-]"""
    floor: float
    """Least standard deviation of a reading: a tenth of the tolerance. [unit of off]"""
    scaled: tuple[float, ...]
    """Charted readings less the centre, in their own standard deviations."""
    path: tuple[float, ...]
    """Moving average, started anew after each drift. [sd]"""
    drifts: tuple[Drift, ...]

    def sd(self, reading: Reading) -> float:
        """Standard deviation of a reading. [unit of off]"""
        return max(self.factor * reading.scale, self.floor)

    def level(self, first: int = 0, last: int | None = None) -> tuple[float, float]:
        """Mean of charted readings, the last one included, the surer ones weighing more, and its standard error."""
        held = self.series.charted[first : None if last is None else last + 1]
        weights = [self.sd(reading) ** -2 for reading in held]
        mean = sum(weight * reading.off for weight, reading in zip(weights, held, strict=True)) / sum(weights)
        return mean, 1 / math.sqrt(sum(weights))


def chart(series: Series, tolerance: float | None) -> Chart | None:
    """Learn the limits and chart the rest; None where there is too little, or nothing varies."""
    if not series.enough:
        return None
    basis = series.readings[: series.learned]
    weights = [one.scale**-2 for one in basis]
    centre = sum(weight * one.off for weight, one in zip(weights, basis, strict=True)) / sum(weights)
    everything = [(one.off - centre) / one.scale for one in series.readings]
    limits = control_chart.individuals(everything, width=WIDTH, baseline=series.learned)
    floor = (tolerance or 0.0) * LEAST_SD_OF_TOLERANCE
    if limits.sd <= 0 and floor <= 0:
        return None
    made = Chart(series, centre, limits.sd, floor, (), (), ())
    scaled = [(one.off - centre) / made.sd(one) for one in series.charted]
    path, drifts = _drifts(scaled)
    return replace(made, scaled=tuple(scaled), path=tuple(path), drifts=tuple(drifts))


def _drifts(scaled: Sequence[float]) -> tuple[list[float], list[Drift]]:
    """Signals one after another; after each the charts start anew where readings are back."""
    path: list[float] = []
    found: list[Drift] = []
    start = 0
    while start < len(scaled):
        rest = list(scaled[start:])
        average = control_chart.ewma(rest, weight=WEIGHT, width=WIDTH, centre=0.0, sd=1.0)
        single = next((position for position, value in enumerate(rest) if abs(value) > WIDTH), None)
        signals = [signal for signal in (single, average.first_signal) if signal is not None]
        if not signals:
            path += average.path
            break
        at = min(signals)
        name = "single readings" if at == single else "moving average"
        first, earliest, latest, after = _dated(rest[: at + 1])
        back = _back(rest, at, after)
        found.append(
            Drift(
                found=start + at,
                first=start + first,
                earliest=start + earliest,
                latest=start + latest,
                last=None if back is None else start + back - 1,
                chart=name,
            )
        )
        end = len(rest) if back is None else back
        path += average.path[:end]
        start += end
    return path, found


def _dated(readings: list[float]) -> tuple[int, int, int, float]:
    """First reading off, its range, and the level since."""
    if len(readings) < 4:
        side = math.copysign(1.0, readings[-1])
        first = len(readings) - 1
        while first > 0 and readings[first - 1] * side > 1.0:
            first -= 1
        return first, 0, len(readings) - 1, sum(readings[first:]) / (len(readings) - first)
    step = control_chart.shift(readings, centre=0.0, sd=1.0, chance=CHANCE)
    return step.first, step.earliest, step.latest, step.after


def _back(readings: Sequence[float], at: int, level: float) -> int | None:
    """The first of two readings in a row that are nearer to the centre than to the level since the step."""
    side = math.copysign(1.0, level)
    for start in range(at + 1, len(readings) - BACK_IN_A_ROW + 1):
        if all(value * side < abs(level) / 2 for value in readings[start : start + BACK_IN_A_ROW]):
            return start
    return None


@lru_cache(maxsize=256)
def false_alarms_a_reading(learned: int) -> float:
    """False alarms for each charted reading at the most, with limits learned from so many readings. [share]

    Both charts together, as if they never signalled at once; the centre's own error is normal, the sd's that of a
    mean moving range, and the mean is taken over both.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(7)
    weights = weights / weights.sum()
    spread = math.sqrt(1 / (2 * FREEDOM_OF_RANGES * learned))
    total = 0.0
    for off, chance in zip(nodes / math.sqrt(learned), weights, strict=True):
        for larger, weight in zip(np.maximum(1 + spread * nodes, 0.3), weights, strict=True):
            total += float(chance * weight) * _rate(round(abs(float(off)), 9), round(float(larger), 9))
    return total


@lru_cache(maxsize=4096)
def _rate(shift_sd: float, width_share: float) -> float:
    """Signals a reading where the level lies off by so many sd and the limits are so much too wide."""
    width = min(WIDTH * width_share, 6.0)
    lengths: list[Any] = [average_run_length(weight=w, width=width, shift_sd=shift_sd) for w in (WEIGHT, 1.0)]
    return float(sum(1 / length for length in lengths))


def readings_to_find(shift_sd: float) -> float:
    """Readings until a lasting shift signals, on average: by the sooner of the two charts. [readings]"""
    shift = min(abs(shift_sd), 20.0)
    return float(min(average_run_length(weight=w, width=WIDTH, shift_sd=shift) for w in (WEIGHT, 1.0)))
