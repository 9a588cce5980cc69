"""How long a control chart runs until it signals: falsely while all is steady, rightly after a shift."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._numbers import Numbers, elementwise, given, single
from sandtrack.trade.control_chart import Limits


def average_run_length(*, weight: float, width: float, shift_sd: Numbers = 0.0, limits: Limits = "exact") -> Numbers:
    """Readings until an exponentially weighted moving average signals, on average. [readings]

    Parameters
    ----------
    weight : float
        Weight of the newest reading, 0.01 to 1; 1 is a chart of single readings. [share]
    width : float
        Limits in standard deviations of the average, above 0 and at most 6. [-]
    shift_sd : float, array or Series
        Shift of the level, from the first reading on; 0 gives the false alarms. [sd of single readings]
    limits : str
        "exact" or "steady", as in `sandtrack.trade.control_chart.ewma`. [-]

    Returns
    -------
    float, array or Series
        Mean number of readings up to and with the signal. [readings]

    Raises
    ------
    FieldError
        A number outside its range or limits of another name.

    Notes
    -----
    For independent normal readings with centre and sd known; rough ones, taken from 20 to 30 readings, alarm
    more often. Steady: the integral equation L(z) = 1 + ∫ L(u) f(u | z) du on Gauss-Legendre nodes. Exact: the
    density of the average is carried from reading to reading until the limits stand still.

    Source
    ------
    source: Crowder, Technometrics 29 (1987) 401; Lucas & Saccucci, Technometrics 32 (1990) 1.

    Examples
    --------
    >>> round(average_run_length(weight=1, width=3), 1)
    370.4
    >>> round(average_run_length(weight=0.25, width=3, shift_sd=1, limits="steady"), 4)
    11.1543
    """
    share = single(weight, field="weight", at_least=0.01, at_most=1.0)
    reach = single(width, field="width", above=0.0, at_most=6.0)
    if limits not in ("exact", "steady"):
        raise FieldError(field="limits", value=limits, reason="is not known", accepted="exact, steady")
    run = _steady if limits == "steady" else _exact
    return elementwise(lambda shifted: run(share, reach, shifted), given(shift_sd, field="shift_sd"))


def _steady(weight: float, width: float, shift: float) -> float:
    limit = width * math.sqrt(weight / (2 - weight))
    nodes, weights = _rule(limit, weight)
    lengths = _lengths(nodes, weights, weight, shift)
    return 1.0 + float(_density(nodes, np.zeros(1), weight, shift)[0] @ (weights * lengths))


def _exact(weight: float, width: float, shift: float) -> float:
    """Sum of the chances still to run; once the limits stand still, the steady lengths close the sum."""
    final = width * math.sqrt(weight / (2 - weight))
    left, readings = 1.0 - weight, 1
    limit = final * math.sqrt(1 - left**2)
    nodes, weights = _rule(limit, weight)
    total, density = 1.0, _density(nodes, np.zeros(1), weight, shift)[0]
    while left ** (2 * readings) > 1e-11:
        total += float(weights @ density)
        readings += 1
        limit = final * math.sqrt(1 - left ** (2 * readings))
        new_nodes, new_weights = _rule(limit, weight)
        density = (weights * density) @ _density(new_nodes, nodes, weight, shift)
        nodes, weights = new_nodes, new_weights
    return total + float((weights * density) @ _lengths(nodes, weights, weight, shift))


def _lengths(nodes: Any, weights: Any, weight: float, shift: float) -> Any:
    """Average run length from each node as the start."""
    kernel = _density(nodes, nodes, weight, shift) * weights
    return np.linalg.solve(np.eye(nodes.size) - kernel, np.ones(nodes.size))


def _density(after: Any, before: Any, weight: float, shift: float) -> Any:
    """Density of the next average, one row for each average before it."""
    reading = (after[None, :] - (1 - weight) * before[:, None]) / weight - shift
    return np.exp(-(reading**2) / 2) / (math.sqrt(2 * math.pi) * weight)


def _rule(limit: float, weight: float) -> tuple[Any, Any]:
    """Gauss-Legendre between the limits, fine enough for a bell as narrow as the weight."""
    nodes, weights = _unit_rule(30 + math.ceil(6 * limit / weight))
    return nodes * limit, weights * limit


@lru_cache(maxsize=256)
def _unit_rule(count: int) -> tuple[Any, Any]:
    return np.polynomial.legendre.leggauss(count)
