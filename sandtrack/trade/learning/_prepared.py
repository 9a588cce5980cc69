"""Checks made ready for the fit: which still count, in which lots, on which rows of the law."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.trade._kinetics import GAS_CONSTANT_J_MOL_K, kelvin, lever_distance
from sandtrack.trade.learning._normal import Array
from sandtrack.trade.learning._propagation import Evidence, squares
from sandtrack.trade.learning.belief import Belief
from sandtrack.trade.learning.checks import NOT_RECORDED, Checks

BLOCK_DAYS = 15.0  # practice: without recorded lots, about this long passes for one lot
_OPEN = 1e3  # stands for infinity, in ln(min)
_EXACT = 1e-4  # bounds closer than this, in ln, are one time
_FADED = 2.0**-12  # a check that counts less than this is left out


@dataclass(frozen=True)
class Prepared:
    """Checks in the order of the fit, with what is needed to read the fit back."""

    evidence: Evidence
    age: Array
    labels: Any  # label of each lot of the fit; negative ones are blocks of days
    latest_lot: int | None  # position among labels
    latest_age: float


def prepared(belief: Belief, checks: Checks) -> Prepared:
    """Checks that still count, sorted the same way whatever order they came in."""
    weight = np.exp2(-checks.age_days / belief.half_life_days)
    block = -2 - np.floor(checks.age_days / BLOCK_DAYS).astype(np.int64)
    group = np.where(checks.lot == NOT_RECORDED, block, checks.lot)
    order = np.lexsort((checks.latest_min, checks.earliest_min, checks.lever, checks.temp_c, -checks.age_days, group))
    order = order[weight[order] >= _FADED]
    group, age, weight = group[order], checks.age_days[order], weight[order]
    raw = design(belief, checks.temp_c[order], checks.lever[order])
    rows = raw @ root_of(belief)
    expected = raw @ np.array(belief.mean)
    with np.errstate(divide="ignore"):
        low, high = np.log(checks.earliest_min[order]), np.log(checks.latest_min[order])
    exact = high - low < _EXACT
    closed = np.isfinite(low) & np.isfinite(high)
    width = np.where(closed, high - np.where(closed, low, 0.0), np.inf)
    middle = np.where(exact, 0.5 * (low + high), 0.0)
    low = np.where(exact, middle, np.maximum(low, -_OPEN)) - expected
    high = np.where(exact, middle + 1.0, np.minimum(high, _OPEN)) - expected
    labels, starts, lot_of = np.unique(group, return_index=True, return_inverse=True)
    with_lots = belief.lot_sd > 0.0
    evidence = Evidence(
        rows=np.ascontiguousarray(rows),
        squares=squares(rows),
        low=low,
        high=high,
        weight=weight,
        background=np.where(exact, 1.0 / 3.0, np.minimum(width / 3.0, 0.5)),
        doubt=belief.outlier_share,
        exact=np.flatnonzero(exact),
        lot_starts=starts if with_lots else starts[:0],
        lot_of=lot_of,
    )
    youngest = int(np.argmin(age)) if age.size else None
    return Prepared(
        evidence,
        age,
        labels if with_lots else labels[:0],
        int(lot_of[youngest]) if with_lots and youngest is not None else None,
        float(age[youngest]) if youngest is not None else np.inf,
    )


def design(belief: Belief, temp_c: Array, lever: Array) -> Array:
    """Rows (1, warmth, -distance) of the law, so that ln(time) is their product with (a, E, n)."""
    warmth = (1.0 / kelvin(temp_c) - 1.0 / kelvin(belief.at_temp_c)) * (1e3 / GAS_CONSTANT_J_MOL_K)
    distance = lever_distance(lever, belief.at_lever, belief.lever_kind)
    return np.column_stack([np.ones_like(warmth), warmth, -distance])


def root_of(belief: Belief) -> Array:
    """Square root of the belief's covariance, (coefficient, unit of doubt)."""
    covariance = np.array(belief.covariance, dtype=float)
    sds = np.sqrt(np.diag(covariance))
    if np.array_equal(covariance, np.diag(sds * sds)):
        return np.diag(sds)
    safe = np.where(sds > 0.0, sds, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(safe, safe))
    root: Array = sds[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    return root
