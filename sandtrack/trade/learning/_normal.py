"""Normal tails, chances between two bounds and quantiles of mixtures, as arrays and without losing the far tails."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[np.float64]]

_ROOT_HALF = math.sqrt(0.5)
_DENSITY = 1.0 / math.sqrt(2.0 * math.pi)
# (1 + 2x) exp(x²) erfc(x) as a polynomial in (x - 3)/(x + 3), the form of Shepherd & Laframboise, Mathematics of
# Computation 36 (1981) 249; Chebyshev interpolation of degree 13, relative error below 3e-10 for every x >= 0.
_TAIL = (
    1.2530080582517, -0.13562110588977, -0.047562292578401, 0.12964513564858, -0.11927369264601, 0.068308399691866,
    -0.023770329151545, 0.0025271155236293, 0.0018881024018975, -0.00077310994363497, -0.00010412154679378,
    0.00011462996055148, 3.8588289206538e-06, -1.1481642494411e-05,
)  # fmt: skip


def tail_ratio(x: Array) -> Array:
    """exp(x²/2) (1 - Φ(x)) for x >= 0: the tail without its factor that underflows."""
    u = x * _ROOT_HALF
    t = (u - 3.0) / (u + 3.0)
    total = t * _TAIL[-1]
    for coefficient in _TAIL[-2:0:-1]:
        total += coefficient
        total *= t
    total += _TAIL[0]
    u *= 4.0
    u += 2.0
    total /= u
    return total


def cdf(z: Array) -> Array:
    """Φ(z)."""
    size = np.abs(z)
    tail = tail_ratio(size)
    tail *= np.exp(-0.5 * size * size)
    return np.where(z > 0.0, 1.0 - tail, tail)


def density(z: Array) -> Array:
    """φ(z)."""
    return np.exp(-0.5 * z * z) * _DENSITY


def quantile(chance: float) -> float:
    """Φ⁻¹(chance)."""
    return NormalDist().inv_cdf(chance)


def between(low: Array, high: Array) -> tuple[Array, Array, Array]:
    """ln(Φ(high) - Φ(low)), its slope and minus its curvature when both bounds move down together.

    The curvature comes as a share: 1 where the value is as good as exact, 0 where the bounds say nothing.
    """
    total, width = low + high, high - low
    size = np.abs(total)
    near, far = 0.5 * (size - width), 0.5 * (size + width)
    straddles = near < 0.0
    base = np.maximum(near, 0.0)
    base *= 0.5 * base
    at_near = np.exp(base - 0.5 * near * near)
    at_far = np.exp(base - 0.5 * far * far)
    inside = at_near * tail_ratio(np.abs(near))
    np.subtract(1.0, inside, out=inside, where=straddles)
    inside -= at_far * tail_ratio(far)
    np.maximum(inside, 1e-300, out=inside)
    scale = _DENSITY / inside
    slope = (at_near - at_far) * scale
    bend = slope * slope - (near * at_near - far * at_far) * scale
    np.clip(bend, 0.0, 1.0, out=bend)
    return np.log(inside) - base, np.copysign(slope, total), bend


def mixture_cdf(x: Array, means: Array, sds: Array, weights: Array) -> Array:
    """Chance below x of a mixture of normals; nodes along the first axis. Never above 1 by the dust of its sum."""
    total: Array = np.minimum(np.tensordot(weights, cdf((x - means) / sds), axes=1), 1.0)
    return total


def mixture_quantile(chance: float, means: Array, sds: Array, weights: Array) -> Array:
    """Quantile of each mixture of normals, nodes along the first axis: Newton, kept inside shrinking bounds."""
    ends = means + quantile(chance) * sds
    low, high = ends.min(axis=0), ends.max(axis=0)
    if means.shape[0] == 1:
        return np.asarray(low)
    x: Array = np.tensordot(weights, ends, axes=1)
    for _ in range(60):
        z = (x - means) / sds
        miss = np.tensordot(weights, cdf(z), axes=1) - chance
        low, high = np.where(miss < 0.0, x, low), np.where(miss < 0.0, high, x)
        step = miss / np.maximum(np.tensordot(weights, density(z) / sds, axes=1), 1e-300)
        following = x - step
        outside = (following < low) | (following > high)
        following = np.where(outside, 0.5 * (low + high), following)
        settled = not np.any(np.abs(following - x) >= 1e-10)
        x = following
        if settled:
            break
    return x
