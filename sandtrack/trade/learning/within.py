"""Strip times of a mould that was looked at: the estimate, kept to what the looks leave of it."""

from __future__ import annotations

from typing import Any

import numpy as np

from sandtrack.trade._numbers import Numbers, given, like, plain, single
from sandtrack.trade.learning.protocol import StripTimes

# Where less than this share of the estimate is left, a look contradicts it, and no range follows from it.
LEAST_LEFT = 1e-6
_ALL_BUT = 1e-9
_HALVINGS = 60


def strip_range_within_min(
    times: StripTimes,
    temp_c: Numbers,
    lever: Numbers,
    *,
    after_min: Numbers,
    until_min: Numbers,
    coverage: float = 0.8,
    lot: Any = None,
) -> tuple[Any, Any, Any]:
    """Range of the strip time of a mould that was soft at one time and firm at a later one. [min]

    Parameters
    ----------
    times : StripTimes
        What is known of moulds like it. [-]
    temp_c : float, array or Series
        Temperature of the mixed sand. [degC]
    lever : float, array or Series
        Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
    after_min : float, array or Series
        Latest time at which it was still soft; 0 where nobody looked. [min]
    until_min : float, array or Series
        First time at which it was firm, after the other; infinity where nobody saw it. [min]
    coverage : float
        Chance that the time lies inside, above 0 and below 1. [share]
    lot : int or array of int, optional
        Label of the lot; None or -1 is not recorded. [-]

    Returns
    -------
    tuple of 3 float, array or Series
        Low, middle and high strip time; NaN where the looks leave next to nothing of the estimate. [min]

    Raises
    ------
    FieldError
        A time below 0, or what `times` refuses.

    Notes
    -----
    Quantiles of the estimate's distribution F, cut off at both ends: F(t) = F(after) + p (F(until) - F(after)),
    solved by halving in ln(time).

    Source
    ------
    derived: a distribution given that it lies between two bounds.

    Examples
    --------
    >>> from sandtrack.trade.learning import Belief
    >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
    >>> [round(t) for t in strip_range_within_min(belief, 20, 35, after_min=110, until_min=float("inf"))]
    [114, 137, 204]
    """
    outside = (1 - single(coverage, field="coverage", above=0.0, below=1.0)) / 2
    after = plain(given(after_min, field="after_min", at_least=0.0))
    until = plain(given(until_min, field="until_min", above=0.0, may_be_infinite=True))
    first, _, last = times.strip_range_min(temp_c, lever, coverage=1 - 2 * _ALL_BUT, lot=lot)
    below, above, shape = _left(times, temp_c, lever, after, until, lot)
    left = np.where(above - below >= LEAST_LEFT, above - below, np.nan)
    ends = []
    for part in (outside, 0.5, 1 - outside):
        wanted = below + part * left
        low = np.broadcast_to(np.log(np.maximum(after, plain(first))), shape).copy()
        high = np.broadcast_to(np.log(np.minimum(until, np.maximum(plain(last), after))), shape).copy()
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            enough = plain(times.chance_by(np.exp(middle), temp_c, lever, lot=lot)) >= wanted
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        ends.append(like(np.where(np.isnan(left), np.nan, np.exp(high)), temp_c, lever, after_min, until_min))
    return ends[0], ends[1], ends[2]


def chance_within_by(
    times: StripTimes,
    strip_time_min: Numbers,
    temp_c: Numbers,
    lever: Numbers,
    *,
    after_min: Numbers,
    until_min: Numbers,
    lot: Any = None,
) -> Any:
    """Chance that a mould that was soft at one time and firm at a later one has stripped by a given time. [share]

    Parameters
    ----------
    times : StripTimes
        What is known of moulds like it. [-]
    strip_time_min : float, array or Series
        Time. [min]
    temp_c : float, array or Series
        Temperature of the mixed sand. [degC]
    lever : float, array or Series
        Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
    after_min : float, array or Series
        Latest time at which it was still soft; 0 where nobody looked. [min]
    until_min : float, array or Series
        First time at which it was firm, after the other; infinity where nobody saw it. [min]
    lot : int or array of int, optional
        Label of the lot; None or -1 is not recorded. [-]

    Returns
    -------
    float, array or Series
        Chance, 0 to 1; NaN where the looks leave next to nothing of the estimate. [share]

    Raises
    ------
    FieldError
        A time of 0 or less, or what `times` refuses.

    Source
    ------
    derived: a distribution given that it lies between two bounds.

    Examples
    --------
    >>> from sandtrack.trade.learning import Belief
    >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
    >>> chance_within_by(belief, 110, 20, 35, after_min=110, until_min=float("inf"))
    0.0
    """
    after = plain(given(after_min, field="after_min", at_least=0.0))
    until = plain(given(until_min, field="until_min", above=0.0, may_be_infinite=True))
    below, above, _ = _left(times, temp_c, lever, after, until, lot)
    by = plain(times.chance_by(strip_time_min, temp_c, lever, lot=lot))
    left = np.where(above - below >= LEAST_LEFT, above - below, np.nan)
    chance = np.clip((by - below) / left, 0.0, 1.0)
    return like(chance, strip_time_min, temp_c, lever, after_min, until_min)


def _left(times: StripTimes, temp_c: Numbers, lever: Numbers, after: Any, until: Any, lot: Any) -> Any:
    """Chance to have stripped by either bound, and the shape of all rows."""
    shape = np.broadcast_shapes(
        *(np.shape(part) for part in (temp_c, lever, after, until, 0.0 if lot is None else lot))
    )
    spread_after, spread_until = np.broadcast_to(after, shape), np.broadcast_to(until, shape)
    below = plain(times.chance_by(np.where(spread_after > 0, spread_after, 1.0), temp_c, lever, lot=lot))
    above = plain(times.chance_by(np.where(np.isfinite(spread_until), spread_until, 1.0), temp_c, lever, lot=lot))
    return np.where(spread_after > 0, below, 0.0), np.where(np.isfinite(spread_until), above, 1.0), shape
