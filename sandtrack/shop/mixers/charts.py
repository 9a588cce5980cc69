"""Charts of how far off a mixer was: limits, signals, drifts with their dates, and how often they are false."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from statistics import median
from typing import Any

import numpy as np

from sandtrack.shop.mixers.demands import FEWEST_LEARNED, Reading, Series
from sandtrack.shop.wording import several
from sandtrack.trade import control_chart
from sandtrack.trade.drift import date_drift
from sandtrack.trade.run_length import average_run_length

WEIGHT = 0.25
WIDTH = 3.5
CHANCE = 0.9
# A mean moving range of n readings is as sure of the sd as 0.6 n free readings: its variance is 0.826 sd²/n. derived
FREEDOM_OF_RANGES = 0.605
# Median of the range of two normal values in standard deviations: √2 · 0.6745. derived
MEDIAN_RANGE_SDS = 0.954
# A drift is over once readings say so a thousand to one, two of them at the least. practice
BACK_ODDS = math.log(1000)
BACK_IN_A_ROW = 2
# practice: what moves by less than this part of the tolerance matters to nobody, however steady a mixer is.
LEAST_SD_OF_TOLERANCE = 0.1
FEWEST_KEPT = FEWEST_LEARNED * 3 // 5
"""So many of the readings learned from must have been steady themselves. practice"""
MOST_ROUNDS = 10
DATED_WITHIN = 120
"""Readings before and after a signal that date its drift; slides of 0.01 sd a reading and more are seen sooner."""


@dataclass(frozen=True)
class Drift:
    """A stretch of readings off their usual, as a chart found it. Positions count all readings from 0."""

    found: int
    first: int
    earliest: int
    latest: int
    last: int | None
    """The last reading before it was back; None while it goes on."""
    chart: str
    """Which chart signalled: "single readings" or "moving average"."""
    sudden: float
    """Chance that it came at once, not by a slide."""

    def holds(self, position: int) -> bool:
        """Whether a reading belongs to it."""
        return self.first <= position and (self.last is None or position <= self.last)


@dataclass(frozen=True)
class Chart:
    """A series with its limits; each reading has a standard deviation of its own."""

    series: Series
    centre: float
    factor: float
    """Standard deviation of a reading by its scale, as learned. [-]"""
    floor: float
    """Least standard deviation of a reading: a tenth of the tolerance. [unit of off]"""
    left_out: frozenset[int] = frozenset()
    """Readings before or at the start of the period that drifted themselves, so that nothing is learned from them."""

    def sd(self, reading: Reading) -> float:
        """Standard deviation of a reading. [unit of off]"""
        return max(self.factor * reading.scale, self.floor)

    @cached_property
    def _judged(self) -> tuple[list[float], list[Drift]]:
        return _drifts([(one.off - self.centre) / self.sd(one) for one in self.series.readings])

    @property
    def path(self) -> list[float]:
        """Moving average at each charted reading, started anew after each drift. [sd]"""
        return self._judged[0][self.series.period :]

    @property
    def all_drifts(self) -> list[Drift]:
        """Drifts of the period and of what was learned from."""
        return self._judged[1]

    @property
    def drifts(self) -> list[Drift]:
        """Drifts that the period holds at least a part of."""
        return [drift for drift in self.all_drifts if drift.last is None or drift.last >= self.series.period]

    @property
    def learned(self) -> int:
        """How many readings the limits were learned from."""
        return self.series.learned - len(self.left_out)

    @property
    def false_alarms_a_reading(self) -> float:
        """False alarms for each charted reading at the most. [share]"""
        own = [self.factor * reading.scale for reading in self.series.charted]
        wider = sum(max(self.floor / sd, 1.0) if sd > 0 else 2.0 for sd in own) / len(own)
        return false_alarms_a_reading(self.learned, math.floor(min(wider, 2.0) * 10) / 10)

    def level(self, held: Iterable[Reading]) -> tuple[float, float]:
        """Mean of readings, the surer ones weighing more, and its standard error. [unit of off]"""
        weighed = [(self.sd(reading) ** -2, reading.off) for reading in held]
        total = sum(weight for weight, _ in weighed)
        return sum(weight * off for weight, off in weighed) / total, 1 / math.sqrt(total)

    def held(self, drift: Drift) -> list[Reading]:
        """The readings of a drift."""
        return [one for position, one in enumerate(self.series.readings) if drift.holds(position)]

    def before(self, position: int) -> int:
        """When the reading before one ended: what came after it may have drifted already. [µs]"""
        readings = self.series.readings
        return readings[position - 1].group.mixes[-1].at if position else readings[0].group.start - 1

    def steady(self) -> list[Reading]:
        """The readings of the period outside every drift."""
        return [
            one
            for position, one in enumerate(self.series.readings)
            if position >= self.series.period and not any(drift.holds(position) for drift in self.all_drifts)
        ]


def chart(series: Series, tolerance: float | None) -> Chart | str:
    """Learn the limits and chart everything, or say why not.

    A drift must not hide in its own limits: they start from medians, and what then drifts among the readings learned
    from is left out, until nothing more does.
    """
    if not series.enough:
        if not series.charted:
            return "the period has no reading of it"
        return f"{several(series.learned, 'reading')} to learn limits from, where {FEWEST_LEARNED} are needed"
    floor = (tolerance or 0.0) * LEAST_SD_OF_TOLERANCE
    made, out = _learned(series, frozenset(), floor, robust=True), None
    for _ in range(MOST_ROUNDS):
        if made.factor <= 0 and floor <= 0:
            return "its readings do not vary, and the set-up has no tolerance"
        drifted = frozenset(at for at in range(series.learned) if any(drift.holds(at) for drift in made.all_drifts))
        if drifted == out:
            break
        if series.learned - len(drifted) < FEWEST_KEPT:
            return f"{len(drifted)} of the {series.learned} readings to learn its limits from drift themselves"
        made, out = _learned(series, drifted, floor), drifted
    return made


def _learned(series: Series, left_out: frozenset[int], floor: float, *, robust: bool = False) -> Chart:
    """Centre and spread of the readings to learn from; by medians if they may hold a drift still."""
    basis = [one for at, one in enumerate(series.readings[: series.learned]) if at not in left_out]
    weights = [one.scale**-2 for one in basis]
    centre = sum(weight * one.off for weight, one in zip(weights, basis, strict=True)) / sum(weights)
    if robust:
        centre = median(one.off for one in basis)
    scaled = [(one.off - centre) / one.scale for one in basis]
    factor = control_chart.individuals(scaled, width=WIDTH).sd
    if robust:
        factor = median(abs(after - before) for before, after in pairwise(scaled)) / MEDIAN_RANGE_SDS or factor
    return Chart(series, centre, factor, floor, left_out)


def _drifts(scaled: Sequence[float]) -> tuple[list[float], list[Drift]]:
    """Signals one after another; after each the charts start anew where readings are back."""
    path: list[float] = []
    found: list[Drift] = []
    while len(path) < len(scaled):
        start = len(path)
        rest = scaled[start:]
        average = control_chart.ewma(rest, weight=WEIGHT, width=WIDTH, centre=0.0, sd=1.0)
        single = next((position for position, value in enumerate(rest) if abs(value) > WIDTH), len(rest))
        at = min(single, len(rest) if average.first_signal is None else average.first_signal)
        end = len(rest)
        if at < len(rest):
            back = _back(rest, at)
            end = len(rest) if back is None else back
            early, late = max(at - DATED_WITHIN, 0), min(at + DATED_WITHIN, end)
            dated = date_drift(rest[early:late], centre=0.0, sd=1.0, chance=CHANCE)
            first = min(early + dated.first, at)
            found.append(
                Drift(
                    found=start + at,
                    first=start + first,
                    earliest=start + min(early + dated.earliest, first),
                    latest=start + max(min(early + dated.latest, at), first),
                    last=None if back is None else start + back - 1,
                    chart="single readings" if at == single else "moving average",
                    sudden=dated.sudden,
                )
            )
        path += average.path[:end]
    return path, found


def _back(scaled: Sequence[float], at: int) -> int | None:
    """The first reading after a drift that was found: since then the readings speak for the centre, not its level.

    Page's sum of the logarithms of the odds (Biometrika 41 (1954) 100), of the centre against the level until found.
    """
    known = scaled[max(at - DATED_WITHIN, 0) : at + 1]
    held = known[date_drift(known, centre=0.0, sd=1.0).first :]
    level = sum(held) / len(held)
    odds, start = 0.0, at + 1
    for position in range(at + 1, len(scaled)):
        odds += level * (level / 2 - scaled[position])
        if odds <= 0:
            odds, start = 0.0, position + 1
        elif odds > BACK_ODDS and position - start + 1 >= BACK_IN_A_ROW:
            return start
    return None


@lru_cache(maxsize=256)
def false_alarms_a_reading(learned: int, wider: float = 1.0) -> float:
    """False alarms for each charted reading at the most, with limits learned from so many readings. [share]

    Both charts together, as if they never signalled at once; the centre's own error is normal, the sd's that of a
    mean moving range, and the mean is taken over both. `wider` is by how much the least sd widens the limits.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(7)
    weights = weights / weights.sum()
    spread = math.sqrt(1 / (2 * FREEDOM_OF_RANGES * learned))
    total = 0.0
    for off, chance in zip(nodes / math.sqrt(learned), weights, strict=True):
        for larger, weight in zip(np.maximum(1 + spread * nodes, 0.3), weights, strict=True):
            total += float(chance * weight) * _rate(round(abs(float(off)), 9), round(float(larger) * wider, 9))
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
