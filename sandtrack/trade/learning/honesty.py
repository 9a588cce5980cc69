"""Is it honest? Each check foretold from those before it, against two simple rivals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._kinetics import lever_distance
from sandtrack.trade.learning._normal import Array, mixture_cdf
from sandtrack.trade.learning.belief import Belief
from sandtrack.trade.learning.checks import Checks
from sandtrack.trade.learning.fit import learn_from

COVERAGES = (0.5, 0.8, 0.95)
FEWEST = 20  # practice: no trust on fewer closed checks
GROSS = 0.03  # practice: what gross errors among the checks may take off the share inside
_FITS = 100  # without a stated stride, about so many fits
_DOUBLING_C = 10.0  # source: Foundry Management & Technology, Jan 2014 (18 °F)


@dataclass(frozen=True, eq=False)
class Backtest:
    """How the checks would have been foretold.

    Attributes
    ----------
    checks, closed : int
        Checks foretold; those with both bounds or an exact time. [-]
    stride : int
        Checks between two fits. [-]
    inside_50, inside_80, inside_95 : float
        Share of checks inside the range; NaN without checks. [share]
    closed_inside_80 : float
        The same for closed checks alone: a single look can hardly contradict. [share]
    error : float
        Mean absolute error of the middle on closed checks, in ln(time). [-]
    error_default : float
        The same for the belief that never learns. [-]
    error_mean : float
        The same for the mean of the checks so far, scaled by the doubling rule. [-]
    trusted : bool
        Whether the ranges can be trusted yet. [-]
    words : str
        Why, in a sentence or two. [-]
    order : array of int
        Positions of the checks, oldest first. [-]
    low_min, middle_min, high_min : array
        The 80 % range that each would have been given, in that order. [min]
    """

    checks: int
    closed: int
    stride: int
    inside_50: float
    inside_80: float
    inside_95: float
    closed_inside_80: float
    error: float
    error_default: float
    error_mean: float
    trusted: bool
    words: str
    order: Any
    low_min: Any
    middle_min: Any
    high_min: Any


def backtest(belief: Belief, checks: Checks, stride: int | None = None) -> Backtest:
    """Foretell each check from those before it and say how well that went. [-]

    Parameters
    ----------
    belief : Belief
        The starting belief. [-]
    checks : Checks
        The checks, in any order. [-]
    stride : int, optional
        Checks between two fits; by default 1, more where there are more than a hundred checks. [-]

    Returns
    -------
    Backtest
        Shares inside, errors, and whether to trust it yet. [-]

    Raises
    ------
    FieldError
        A stride below 1.

    Notes
    -----
    A check between two bounds counts in a range by the chance of the part inside ÷ the chance it was given; with
    honest ranges the mean of that is the coverage. Its error is taken at the geometric middle of the bounds.

    Source
    ------
    derived: prequential (walk-forward) test, Dawid 1984; rivals: the belief's middle law, and the doubling for
    10 °C of Foundry Management & Technology, Jan 2014.

    Examples
    --------
    >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
    >>> checks = Checks(temp_c=[20] * 8, lever=[35] * 8, earliest_min=[40] * 8, latest_min=[45] * 8,
    ...                 age_days=list(range(8)), lot=[-1] * 8)
    >>> test = backtest(belief, checks)
    >>> test.checks, test.trusted
    (8, False)
    """
    count = len(checks)
    step = max(1, math.ceil(count / _FITS)) if stride is None else stride
    if isinstance(step, bool) or not isinstance(step, int) or step < 1:
        raise FieldError(field="stride", value=stride, reason="is not a whole number of 1 or more")
    order = np.lexsort((checks.lot, checks.latest_min, checks.earliest_min, checks.lever, checks.temp_c,
                        -checks.age_days))  # fmt: skip
    walked = checks.taken(order)
    ranges, inside = _walk(belief, walked, step)
    closed = (walked.earliest_min > 0.0) & np.isfinite(walked.latest_min)
    errors = _errors(belief, walked, closed, ranges[:, 1])
    closed_inside = _mean(inside[closed, 1])
    trusted, words = _judged(int(closed.sum()), closed_inside, errors)
    half, most, nearly = (_mean(column) for column in inside.T)
    return Backtest(
        checks=count,
        closed=int(closed.sum()),
        stride=step,
        inside_50=half,
        inside_80=most,
        inside_95=nearly,
        closed_inside_80=closed_inside,
        error=errors[0],
        error_default=errors[1],
        error_mean=errors[2],
        trusted=trusted,
        words=words,
        order=order,
        low_min=ranges[:, 0],
        middle_min=ranges[:, 1],
        high_min=ranges[:, 2],
    )


def _walk(belief: Belief, walked: Checks, step: int) -> tuple[Array, Array]:
    """80 % range of each check and how far it lay inside each coverage."""
    count = len(walked)
    ranges, inside = np.zeros((count, 3)), np.zeros((count, len(COVERAGES)))
    for start in range(0, count, step):
        now = slice(start, min(start + step, count))
        learned = learn_from(belief, walked.taken(slice(0, start), younger_by=float(walked.age_days[start])))
        ask = {"temp_c": walked.temp_c[now], "lever": walked.lever[now], "lot": walked.lot[now]}
        means, sds, _ = learned.ln_time(**ask)
        early, late = walked.earliest_min[now], walked.latest_min[now]
        for at, coverage in enumerate(COVERAGES):
            low, middle, high = learned.strip_range_min(**ask, coverage=coverage)
            inside[now, at] = _part_inside(early, late, low, high, (means, sds, learned.mixture.shares))
            if coverage == 0.8:
                ranges[now] = np.column_stack([low, middle, high])
    return ranges, inside


def _part_inside(early: Array, late: Array, low: Array, high: Array, foretold: tuple[Array, Array, Array]) -> Array:
    with np.errstate(divide="ignore"):
        ends = [np.log(each) for each in (early, late, np.clip(low, early, late), np.clip(high, early, late))]
    first, last, inner_first, inner_last = (mixture_cdf(np.clip(end, -1e3, 1e3), *foretold) for end in ends)
    given = last - first
    as_one = (early >= low) & (late <= high)
    part: Array = np.where(given > 1e-9, (inner_last - inner_first) / np.maximum(given, 1e-9), as_one)
    return part


def _errors(belief: Belief, walked: Checks, closed: Any, middle_min: Array) -> tuple[float, float, float]:
    """Mean absolute error of the learned law, of the belief, and of the scaled mean, in ln(time)."""
    if not closed.any():
        return math.nan, math.nan, math.nan
    law = belief.law()
    seen = 0.5 * np.log(walked.earliest_min[closed] * walked.latest_min[closed])
    temp, lever = walked.temp_c[closed], walked.lever[closed]
    default = np.log(law.strip_time_min(temp, lever))
    distance = lever_distance(lever, belief.at_lever, belief.lever_kind)
    scaling = -math.log(2.0) * temp / _DOUBLING_C - law.exponent * distance
    at_one_place = np.cumsum(seen - scaling)
    before = np.concatenate([default[:1] - scaling[:1], at_one_place[:-1] / np.arange(1, seen.size)])
    guesses = (np.log(middle_min[closed]), default, before + scaling)
    learned, plain, mean = (float(np.mean(np.abs(guess - seen))) for guess in guesses)
    return learned, plain, mean


def _judged(closed: int, inside: float, errors: tuple[float, float, float]) -> tuple[bool, str]:
    """Whether to trust the ranges, and why."""
    if closed < FEWEST:
        return False, f"Not yet: {closed} checks with both bounds, {FEWEST} are wanted."
    share = f"{100 * inside:.0f} % of {closed} checks lay inside their 80 % range"
    slack = 1.645 * math.sqrt(0.8 * 0.2 / closed)
    if inside < 0.8 - GROSS - slack:
        return False, f"No: only {share}; the ranges are too narrow for this shop."
    error, default, mean = errors
    versus = f"mean error {_percent(error)} %, the belief alone {_percent(default)} %, scaled mean {_percent(mean)} %"
    if error > 1.05 * min(default, mean):
        return False, f"Not yet: {share}, but a simpler rule did better ({versus})."
    wide = " They are wider than they need be." if inside > 0.8 + slack + GROSS else ""
    return True, f"Yes: {share} ({versus}).{wide}"


def _percent(error: float) -> str:
    return f"{100 * math.expm1(error):.1f}"


def _mean(values: Array) -> float:
    return float(np.mean(values)) if values.size else math.nan
