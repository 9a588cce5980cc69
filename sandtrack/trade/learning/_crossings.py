"""Where the chance of a normal law passes a wanted one."""

from __future__ import annotations

import math

Triple = tuple[float, float, float]


def crossings(
    mean: Triple, covariance: tuple[Triple, Triple, Triple], own: float, *, warmth: float, by: float, z: float
) -> list[float]:
    """Distances of the lever at which the chance passes the wanted one (some belong to 1 - chance)."""
    z2 = z**2
    (c00, c01, c02), (_, c11, c12), (_, _, v) = covariance
    n, slack = mean[2], by - mean[0] - mean[1] * warmth
    s2 = c00 + 2 * c01 * warmth + c11 * warmth**2 + own
    k = -(c02 + c12 * warmth)
    # Roots of a y² + 2 b y + c, its discriminant with z² taken out so that it stays exact where chance is 0.5.
    a, b, c = n**2 - z2 * v, slack * n - z2 * k, slack**2 - z2 * s2
    inner = n**2 * s2 - 2 * slack * n * k + slack**2 * v - z2 * (v * s2 - k**2)
    if inner < 0.0:
        return []
    q = -(b + math.copysign(math.sqrt(z2 * inner), b))
    if q == 0.0:
        return [0.0]
    return [c / q] if a == 0.0 else [q / a, c / q]
