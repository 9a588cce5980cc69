"""Learning from strip checks: the fit of belief and checks together."""

from __future__ import annotations

import math

import numpy as np

from sandtrack.trade._numbers import Numbers
from sandtrack.trade.learning._jumps import Jumped, with_jumps
from sandtrack.trade.learning._mixture import bare, mixture_of
from sandtrack.trade.learning._noise import Nodes, Scale, spread_nodes
from sandtrack.trade.learning._normal import Array, quantile
from sandtrack.trade.learning._prepared import prepared
from sandtrack.trade.learning.belief import Belief, Triple
from sandtrack.trade.learning.checks import NOT_RECORDED, Checks
from sandtrack.trade.learning.learned import Jump, Learned

_LEAST_NOISE = 1e-3  # below a thousandth of the time no check is exact
_LEAST_SPREAD = 1e-9


def learn(
    belief: Belief,
    *,
    temp_c: Numbers,
    lever: Numbers,
    earliest_min: Numbers,
    latest_min: Numbers,
    age_days: Numbers,
    lot: Numbers | None = None,
) -> Learned:
    """Belief and checks put together. [-]

    Parameters
    ----------
    belief : Belief
        What is believed without the checks, and how to learn from them. [-]
    temp_c : array, shape (n,)
        Temperature of the mixed sand. [degC]
    lever : array, shape (n,)
        Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
    earliest_min : array, shape (n,)
        Time at which it was not yet firm; 0 where nobody looked. [min]
    latest_min : array, shape (n,)
        Time at which it was firm, infinity where nobody saw it; equal to the earliest where exact. [min]
    age_days : array, shape (n,)
        Age of each check, 0 or more. [day]
    lot : array of int, shape (n,), optional
        Label of what the law may shift with: a new lot of resin, another sand or another reclaimed share
        gets a new label; -1 (or no array) is not recorded. [-]

    Returns
    -------
    Learned
        What is known now. [-]

    Raises
    ------
    FieldError
        Columns of unequal length, missing values, or a check that cannot be (with its row).

    Notes
    -----
    ln t = a + E x1 - n x2 + lot + noise. A check counts as L^w with w = 2^(-age/half-life) and
    L = (1 - outliers) (Φ(high) - Φ(low)) + outliers x background, so an interval is used as an interval.
    Expectation propagation for law and lots, nodes over noise and spread between lots (mode and
    Gauss-Hermite). Checks without a lot stand in blocks of 15 days. All checks of one call belong to one binder
    system, catalyst grade and definition of strip.

    Source
    ------
    derived: expectation propagation (Minka 2001) on a linear law with interval-censored checks.

    Examples
    --------
    >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
    >>> shop = learn(belief, temp_c=[20, 8], lever=[35, 35], earliest_min=[50, 0],
    ...              latest_min=[55, 130], age_days=[2, 1])
    >>> shop.checks, shop.settled
    (2, True)
    """
    if lot is None:
        lot = np.full(np.shape(age_days), float(NOT_RECORDED))
    return learn_from(
        belief,
        Checks(
            temp_c=temp_c,
            lever=lever,
            earliest_min=earliest_min,
            latest_min=latest_min,
            age_days=age_days,
            lot=lot,
        ),
    )


def learn_from(belief: Belief, checks: Checks) -> Learned:
    """Belief and checks put together, the checks as one object. [-]

    Parameters
    ----------
    belief : Belief
        What is believed without the checks. [-]
    checks : Checks
        The checks. [-]

    Returns
    -------
    Learned
        What is known now. [-]

    Source
    ------
    derived: as `learn`.

    Examples
    --------
    >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
    >>> one = Checks(temp_c=[20], lever=[35], earliest_min=[50], latest_min=[55], age_days=[2], lot=[-1])
    >>> learn_from(belief, one).checks
    1
    """
    ready = prepared(belief, checks)
    if not ready.age.size:
        return _untaught(belief, checks)
    scale = Scale(
        np.log(np.maximum([belief.check_sd, belief.lot_sd], [_LEAST_NOISE, _LEAST_SPREAD])),
        np.array([belief.check_sd_spread, belief.lot_sd_spread if belief.lot_sd > 0.0 else 0.0]),
    )
    found = with_jumps(ready, scale, belief.jump_sd)
    nodes = spread_nodes(found.evidence, scale, found.mode)
    mixture = mixture_of(belief, ready, nodes)
    mean, covariance = mixture.law()
    return Learned(
        belief=belief,
        made=checks,
        checks=int(ready.age.size),
        worth=float(ready.evidence.weight.sum()),
        mean=_triple(mean),
        covariance=(_triple(covariance[0]), _triple(covariance[1]), _triple(covariance[2])),
        check_sd=_band(nodes.middle[0], nodes.covariance[0, 0]),
        lot_sd=_band(nodes.middle[1], nodes.covariance[1, 1]) if belief.lot_sd > 0.0 else (0.0, 0.0, 0.0),
        jumps=_jumps(ready.age, found, nodes, belief.jump_sd),
        settled=bool(nodes.posterior.settled.all()),
        mixture=mixture,
    )


def _untaught(belief: Belief, checks: Checks) -> Learned:
    return Learned(
        belief=belief,
        made=checks,
        checks=0,
        worth=0.0,
        mean=belief.mean,
        covariance=belief.covariance,
        check_sd=_band(math.log(max(belief.check_sd, _LEAST_NOISE)), belief.check_sd_spread**2),
        lot_sd=_band(math.log(max(belief.lot_sd, _LEAST_SPREAD)), belief.lot_sd_spread**2),
        jumps=(),
        settled=True,
        mixture=bare(belief),
    )


def _jumps(age: Array, found: Jumped, nodes: Nodes, jump_sd: float) -> tuple[Jump, ...]:
    """Jumps as they are told: the extra coefficients are shifts of the checks before each."""
    jumps = []
    for k, (days, gain) in enumerate(zip(found.ages, found.gains, strict=True)):
        mean, variance = nodes.posterior.mean[:, 3 + k], nodes.posterior.covariance[:, 3 + k, 3 + k]
        middle = float(nodes.weights @ mean)
        sd = math.sqrt(float(nodes.weights @ (variance + mean**2)) - middle**2)
        jumps.append(Jump(days, int((age < days).sum()), -middle * jump_sd, sd * jump_sd, gain))
    return tuple(sorted(jumps, key=lambda jump: jump.age_days))


def _band(middle: float, variance: float) -> Triple:
    """Low, middle and high of a sd that is normal in its ln, 80 % between."""
    reach = quantile(0.9) * math.sqrt(variance)
    return math.exp(middle - reach), math.exp(middle), math.exp(middle + reach)


def _triple(values: Array) -> Triple:
    first, second, third = (float(value) for value in values)
    return first, second, third
