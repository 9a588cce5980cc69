"""Control charts: is a series of readings steady, and if not, since when?

Values are in their own unit, written [unit of the values]; positions count from 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._integrals import log_points
from sandtrack.trade._numbers import Numbers, single

# Mean of the range of two normal values in standard deviations. source: NIST/SEMATECH e-Handbook 6.3.2.2
MEAN_RANGE_SDS = 1.128

# name: (so many, of so many in a row, beyond so many sd on one side). source: e-Handbook 6.3.2; nine: Nelson 1984
RUN_RULES = {
    "eight on one side": (8, 8, 0.0),
    "nine on one side": (9, 9, 0.0),
    "two of three beyond two sd": (2, 3, 2.0),
    "four of five beyond one sd": (4, 5, 1.0),
}

Limits = Literal["exact", "steady"]


@dataclass(frozen=True, kw_only=True)
class IndividualsChart:
    """Chart of single readings with limits from their moving range.

    Attributes
    ----------
    centre : float
        Mean. [unit of the values]
    lower, upper : float
        Control limits. [unit of the values]
    sd : float
        Standard deviation from one reading to the next: mean moving range ÷ 1.128. [unit of the values]
    mean_range : float
        Mean moving range. [unit of the values]
    outside : tuple of int
        Positions of the readings beyond a limit; one on the limit is not. [-]
    """

    centre: float
    lower: float
    upper: float
    sd: float
    mean_range: float
    outside: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class EwmaChart:
    """Exponentially weighted moving average of readings with its limits.

    Attributes
    ----------
    path : tuple of float
        The average after each reading. [unit of the values]
    lower, upper : tuple of float
        Limits at each reading. [unit of the values]
    first_signal : int or None
        Position of the first average beyond a limit. [-]
    """

    path: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    first_signal: int | None


@dataclass(frozen=True, kw_only=True)
class Shift:
    """The likeliest single step in a series of readings.

    Attributes
    ----------
    first : int
        Position of the first reading after the step. [-]
    earliest, latest : int
        Range of that position which holds the chance. [-]
    chance : float
        Chance held by the range, if there was one step and nothing else. [share, 0 to 1]
    before, after : float
        Level before and after. [unit of the values]
    sd : float
        Standard deviation round the two levels, given or found. [unit of the values]
    """

    first: int
    earliest: int
    latest: int
    chance: float
    before: float
    after: float
    sd: float


def individuals(values: Numbers, *, width: float = 3.0, baseline: int | None = None) -> IndividualsChart:
    """Chart of single readings, limits from the moving range of two. [unit of the values]

    Parameters
    ----------
    values : sequence, array or Series
        Readings in order of time, none missing, two or more. [unit of the values]
    width : float
        Limits in standard deviations either side, above 0. [-]
    baseline : int or None
        So many first readings set the limits, two or more; None is all of them. [-]

    Returns
    -------
    IndividualsChart
        Centre, limits and the readings outside. [unit of the values]

    Raises
    ------
    FieldError
        Fewer than two readings, a missing one, or a width or baseline that cannot be.

    Notes
    -----
    Mean ± width · (mean moving range) / 1.128. False alarm once in 370 readings at width 3 if they are normal,
    independent and the limits known; limits from 20 to 30 readings are themselves rough.

    Source
    ------
    source: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2.

    Examples
    --------
    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.centre, 2), round(chart.lower, 4), round(chart.upper, 4), chart.outside
    (50.81, 45.8159, 55.8041, ())
    """
    points = _readings(values, at_least=2)
    reach = single(width, field="width", above=0.0)
    first = points if baseline is None else points[: _whole(baseline, field="baseline", low=2, high=points.size)]
    centre, mean_range = float(np.mean(first)), float(np.mean(np.abs(np.diff(first))))
    sd = mean_range / MEAN_RANGE_SDS
    return IndividualsChart(
        centre=centre,
        lower=centre - reach * sd,
        upper=centre + reach * sd,
        sd=sd,
        mean_range=mean_range,
        outside=_positions(np.abs(points - centre) > reach * sd + _rounding(points)),
    )


def run_signals(values: Numbers, *, rule: str, centre: float, sd: float | None = None) -> tuple[int, ...]:
    """Positions at which a run rule, asked for by its name, signals. [-]

    Parameters
    ----------
    values : sequence, array or Series
        Readings in order of time, none missing. [unit of the values]
    rule : str
        A name of ``RUN_RULES``: "eight on one side" (Western Electric), "nine on one side" (Nelson), "two of
        three beyond two sd", "four of five beyond one sd". [-]
    centre : float
        Centre of the chart. [unit of the values]
    sd : float or None
        Standard deviation of single readings, above 0; the rules that count one side alone do without.
        [unit of the values]

    Returns
    -------
    tuple of int
        Positions of the readings that complete a run. [-]

    Raises
    ------
    FieldError
        A rule of another name, a missing reading, or no sd where the rule needs it.

    Notes
    -----
    A reading exactly on the line is on no side. Each rule costs false alarms: beside the limits at 3 sd, one
    in 370 readings becomes one in 153 with "eight on one side" (Champ & Woodall 1987).

    Source
    ------
    source: NIST/SEMATECH e-Handbook 6.3.2 (Western Electric rules); Nelson, J. Quality Technology 16 (1984).

    Examples
    --------
    >>> run_signals([1, 2, 1, 3, 1, 2, 2, 1, 2, -1], rule="eight on one side", centre=0)
    (7, 8)
    """
    if rule not in RUN_RULES:
        raise FieldError(field="rule", value=rule, reason="is not known", accepted=", ".join(RUN_RULES))
    wanted, among, sds = RUN_RULES[rule]
    points = _readings(values, at_least=1)
    middle = single(centre, field="centre")
    if sds and sd is None:
        raise FieldError(field="sd", reason=f"is needed for {rule!r}")
    reach = sds * single(sd, field="sd", above=0.0) if sds else 0.0
    distance, rounding = points - middle, _rounding(points)
    found = np.zeros(points.size, dtype=bool)
    for side in (distance > reach + rounding, -distance > reach + rounding):
        counts = np.cumsum(np.concatenate([np.zeros(among), side]))
        found |= side & (counts[among:] - counts[:-among] >= wanted)
    return _positions(found)


def ewma(
    values: Numbers, *, weight: float, width: float = 3.0, centre: float, sd: float, limits: Limits = "exact"
) -> EwmaChart:
    """Exponentially weighted moving average with its limits; sees small lasting shifts. [unit of the values]

    Parameters
    ----------
    values : sequence, array or Series
        Readings in order of time, none missing. [unit of the values]
    weight : float
        Weight of the newest reading, above 0 and at most 1; 0.05 to 0.3 is usual. [share]
    width : float
        Limits in standard deviations of the average, above 0. [-]
    centre : float
        Level of the steady process; the average starts there. [unit of the values]
    sd : float
        Standard deviation of single readings, above 0. [unit of the values]
    limits : str
        "exact": narrower at the start, as the average's own sd is; "steady": as after a long time. [-]

    Returns
    -------
    EwmaChart
        Path, limits and the first signal. [unit of the values]

    Raises
    ------
    FieldError
        A missing reading or a number outside its range.

    Notes
    -----
    z_i = w·x_i + (1 - w)·z_(i-1); limits centre ± width·sd·sqrt(w/(2 - w) · [1 - (1 - w)^(2i)]), without the
    bracket when steady. How often it signals falsely: `sandtrack.trade.run_length.average_run_length`.

    Source
    ------
    source: NIST/SEMATECH e-Handbook 6.3.2.4; exact limits Lucas & Saccucci, Technometrics 32 (1990) 1.

    Examples
    --------
    >>> chart = ewma([52.0, 47.0, 53.0], weight=0.3, centre=50, sd=2.0539, limits="steady")
    >>> [round(z, 2) for z in chart.path], round(chart.lower[0], 3), chart.first_signal
    ([50.6, 49.52, 50.56], 47.412, None)
    """
    points = _readings(values, at_least=1)
    share = single(weight, field="weight", above=0.0, at_most=1.0)
    reach = single(width, field="width", above=0.0) * single(sd, field="sd", above=0.0)
    middle = single(centre, field="centre")
    if limits not in ("exact", "steady"):
        raise FieldError(field="limits", value=limits, reason="is not known", accepted="exact, steady")
    path, now = np.empty(points.size), 0.0
    for i, distance in enumerate(points - middle):
        now += share * (distance - now)
        path[i] = now
    half = np.full(points.size, reach * math.sqrt(share / (2 - share)))
    if limits == "exact":
        half *= np.sqrt(1 - (1 - share) ** (2 * np.arange(1, points.size + 1)))
    signals = _positions(np.abs(path) > half + _rounding(points))
    lower, upper = (tuple((middle + side * half).tolist()) for side in (-1, 1))
    return EwmaChart(
        path=tuple((middle + path).tolist()),
        lower=lower,
        upper=upper,
        first_signal=signals[0] if signals else None,
    )


def shift(values: Numbers, *, centre: float | None = None, sd: float | None = None, chance: float = 0.9) -> Shift:
    """Date the step in a series; ask it after a chart has signalled, for it always names one. [unit of the values]

    Parameters
    ----------
    values : sequence, array or Series
        Readings in order of time up to now, none missing, four or more. [unit of the values]
    centre : float or None
        Level before the step if it is known, as from the chart; else it is found too. [unit of the values]
    sd : float or None
        Standard deviation of single readings if known, above 0; else it is found too. [unit of the values]
    chance : float
        Chance that the range of dates is to hold, above 0 and below 1. [share]

    Returns
    -------
    Shift
        Position of the first reading after the step, its range, the level before and after.
        [unit of the values]

    Raises
    ------
    FieldError
        Too few readings, a missing one, or readings that are all the same.

    Notes
    -----
    Maximum likelihood for one step between normal levels: the split with the largest sum of squares between
    before and after. Range: the likeliest dates, equal before the data, that together hold the chance, levels
    (and sd) integrated out; it may have gaps, its ends are given. In eight of ten simulated series the date was
    within 7 readings for a step of 1 sd, within 1 for 2 sd. A drift or an outlier is no step and gets a date too.

    Source
    ------
    source: Hinkley, Biometrika 57 (1970) 1; known centre: Samuel, Pignatiello & Calvin, Quality Engineering 10
    (1998) 521; range: Smith, Biometrika 62 (1975) 407 (all from memory).

    Examples
    --------
    >>> found = shift([5.1, 4.9, 5.0, 5.2, 4.8, 5.0, 5.9, 6.1, 6.0, 5.8, 6.2])
    >>> found.first, (found.earliest, found.latest), round(found.before, 2), round(found.after, 2)
    (6, (6, 6), 5.0, 6.0)
    """
    points = _readings(values, at_least=4)
    wanted = single(chance, field="chance", above=0.0, below=1.0)
    known_sd = None if sd is None else single(sd, field="sd", above=0.0)
    level = float(np.mean(points)) if centre is None else single(centre, field="centre")
    away = points - level
    if np.all(np.abs(away - away[0]) <= _rounding(points)) and centre is None:
        raise FieldError(field="values", reason="are all the same; there is no step to date")
    splits = np.arange(0 if centre is not None else 1, points.size)
    sums = np.cumsum(away[::-1])[::-1][splits]
    counts_after = points.size - splits
    between = sums**2 / counts_after
    flat = np.log(counts_after) / 2
    if centre is None:
        between = between * points.size / splits
        flat = flat + np.log(splits) / 2
    within = np.maximum(np.sum(away**2) - between, np.sum(away**2) * 1e-20 + 1e-300)
    freedom = points.size - (2 if centre is None else 1)
    log_chance = (between / (2 * known_sd**2) if known_sd else -freedom / 2 * np.log(within)) - flat
    best = int(np.argmax(between))
    held = splits[_likeliest(log_chance, wanted)]
    first = int(splits[best])
    return Shift(
        first=first,
        earliest=min(first, int(held.min())),
        latest=max(first, int(held.max())),
        chance=wanted,
        before=level if centre is not None else float(np.mean(points[:first])),
        after=float(np.mean(points[first:])),
        sd=known_sd or math.sqrt(float(within[best]) / freedom),
    )


def _likeliest(log_chance: Any, chance: float) -> Any:
    """Positions of the likeliest cases that together hold the chance."""
    chances = np.exp(log_chance - log_chance.max())
    order = np.argsort(-chances, kind="stable")
    held = np.cumsum(chances[order]) / chances.sum()
    return order[: int(np.searchsorted(held, chance * (1 - 1e-12))) + 1]


def _readings(values: Numbers, *, at_least: int) -> Any:
    points = log_points(list(values) if isinstance(values, Sequence) else values, "values")
    if points.size < at_least:
        raise FieldError(field="values", value=points.size, reason=f"are too few; {at_least} or more are needed")
    return points


def _whole(value: int, *, field: str, low: int, high: int) -> int:
    number = single(value, field=field, at_least=low, at_most=high)
    if number != int(number):
        raise FieldError(field=field, value=value, reason="is not a whole number")
    return int(number)


def _rounding(points: Any) -> float:
    """What arithmetic may lose: readings that lie on a line by hand shall lie on it here."""
    return float(np.max(np.abs(points))) * 1e-12


def _positions(marked: Any) -> tuple[int, ...]:
    return tuple(np.flatnonzero(marked).tolist())
