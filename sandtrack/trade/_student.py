"""Student's t for whole degrees of freedom; the standard library has only the normal distribution."""

from __future__ import annotations

import math


def student_t(chance: float, freedom: int) -> float:
    """Reach t such that -t to t holds this chance, 0 to below 1. [-]

    The finite sums of Abramowitz & Stegun 26.7.3 and 26.7.4 in the angle atan(t/sqrt(freedom)), bisected.
    """
    low, high = 0.0, math.pi / 2
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if _held(middle, freedom) < chance else (low, middle)
    return math.sqrt(freedom) * math.tan(high)


def _held(angle: float, freedom: int) -> float:
    odd, cos2 = freedom % 2, math.cos(angle) ** 2
    term, total = (math.cos(angle), 0.0) if odd else (1.0, 0.0)
    for k in range(1 + odd, freedom, 2):
        total += term
        term *= cos2 * k / (k + 1)
    sums = math.sin(angle) * total
    return (angle + sums) * 2 / math.pi if odd else sums
