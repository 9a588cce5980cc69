"""Strip times after a change of what goes into the sand: as far as the amount tells of it, and wider for the rest."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import overload

import numpy as np

from sandtrack.trade._numbers import single
from sandtrack.trade.learning.belief import Belief
from sandtrack.trade.learning.learned import Learned

# practice: acid of another strength acts as so much more or less of it, give or take half of what that would do.
UNSURE_SHARE = 0.5


def equivalent_amount_pct(*, amount_pct: float, strength_pct: float, at_strength_pct: float) -> float:
    """Amount of acid of another strength that brings as much acid. [% of its base]

    Parameters
    ----------
    amount_pct : float
        Amount as set, 0 or more. [% of its base]
    strength_pct : float
        Strength of what was set, above 0. [%]
    at_strength_pct : float
        Strength of what it is brought to, above 0. [%]

    Returns
    -------
    float
        Amount at the other strength. [% of its base]

    Raises
    ------
    FieldError
        A strength of 0 or less.

    Source
    ------
    derived: the same mass of acid.

    Examples
    --------
    >>> equivalent_amount_pct(amount_pct=40, strength_pct=65, at_strength_pct=52)
    50.0
    """
    amount = single(amount_pct, field="amount_pct", at_least=0.0)
    strength = single(strength_pct, field="strength_pct", above=0.0)
    return amount * strength / single(at_strength_pct, field="at_strength_pct", above=0.0)


def spread_of_change_sd(*, strength_ratio: float, exponent: float, checks_since: int, check_sd: float) -> float:
    """How much less sure strip times are for a change of strength, sd of ln(time). [-]

    Parameters
    ----------
    strength_ratio : float
        New strength over old, above 0. [-]
    exponent : float
        How time falls with the amount. [-]
    checks_since : int
        Checks made of the new strength, 0 or more. [-]
    check_sd : float
        Chance of a single check, above 0, sd of ln(time). [-]

    Returns
    -------
    float
        To be added to the spread of a mould, as variances are. [-]

    Raises
    ------
    FieldError
        A ratio or sd of 0 or less, or fewer checks than none.

    Notes
    -----
    0.5 · |exponent · ln(ratio)| before the first check, and what each check leaves of it as of any unknown shift:
    1/variance grows by 1/check_sd² a check.

    Source
    ------
    practice: half of what the amount alone would do.

    Examples
    --------
    >>> round(spread_of_change_sd(strength_ratio=0.8, exponent=1.45, checks_since=0, check_sd=0.115), 3)
    0.162
    >>> round(spread_of_change_sd(strength_ratio=0.8, exponent=1.45, checks_since=4, check_sd=0.115), 3)
    0.054
    """
    ratio = single(strength_ratio, field="strength_ratio", above=0.0)
    spread = UNSURE_SHARE * abs(single(exponent, field="exponent") * math.log(ratio))
    return left_after_checks_sd(spread_sd=spread, checks_since=checks_since, check_sd=check_sd)


def left_after_checks_sd(*, spread_sd: float, checks_since: int, check_sd: float) -> float:
    """What checks leave of a spread that was not known before them, sd of ln(time). [-]

    Parameters
    ----------
    spread_sd : float
        The spread before them, 0 or more. [-]
    checks_since : int
        Checks since, 0 or more. [-]
    check_sd : float
        Chance of a single check, above 0, sd of ln(time). [-]

    Returns
    -------
    float
        The spread after them. [-]

    Raises
    ------
    FieldError
        An sd below 0, or fewer checks than none.

    Source
    ------
    derived: a normal belief about a mean, and checks with a normal chance.

    Examples
    --------
    >>> round(left_after_checks_sd(spread_sd=0.1, checks_since=1, check_sd=0.1), 4)
    0.0707
    """
    spread = single(spread_sd, field="spread_sd", at_least=0.0)
    count, chance = (
        single(checks_since, field="checks_since", at_least=0.0),
        single(check_sd, field="check_sd", above=0.0),
    )
    return spread / math.sqrt(1 + count * (spread / chance) ** 2)


@overload
def widened(times: Belief, *, by_sd: float) -> Belief: ...
@overload
def widened(times: Learned, *, by_sd: float) -> Learned: ...
def widened(times: Belief | Learned, *, by_sd: float) -> Belief | Learned:
    """The same strip times, less sure by a spread that all moulds ahead may share. [-]

    Parameters
    ----------
    times : Belief or Learned
        What is known. [-]
    by_sd : float
        Spread to add, 0 or more, sd of ln(time). [-]

    Returns
    -------
    Belief or Learned
        With the same middle times. [-]

    Raises
    ------
    FieldError
        A spread below 0.

    Source
    ------
    derived: sum of variances.

    Examples
    --------
    >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
    >>> [round(t) for t in widened(belief, by_sd=0.3).strip_range_min(20, 35)]
    [27, 60, 135]
    """
    more = single(by_sd, field="by_sd", at_least=0.0)
    if isinstance(times, Belief):
        return replace(times, check_sd=math.hypot(times.check_sd, more))
    return replace(times, mixture=replace(times.mixture, noise=np.hypot(times.mixture.noise, more)))
