"""Which materials make a binder, and when checks of one count for another: where the set-up says that it continues."""

from __future__ import annotations

import math

from sandtrack.plant import BinderSystem
from sandtrack.plant.tables import GRADES
from sandtrack.shop.picture import Picture

# practice: the same chemical from another source strips up to so much sooner or later, one sd.
USUAL_SPREAD_PCT = 10.0
ANOTHER_CATALYST, ANOTHER_BINDER = "other catalyst", "other resin"


def catalyst(entry: BinderSystem) -> tuple[str, ...]:
    """Material that sets the speed, or the pair of grades."""
    speed = entry.grades or entry.catalysts
    return tuple(speed[name] for name in GRADES if name in speed) if speed else (entry.drier or entry.catalyst,)


def between(picture: Picture, now: BinderSystem, then: BinderSystem) -> tuple[str, float | None]:
    """What is another material than then, or ""; and how far those that continue one may differ, sd of ln(time).

    The spread is None where all materials are the same.
    """
    variances: list[float] = []
    for what, (new, old) in {
        ANOTHER_CATALYST: (catalyst(now), catalyst(then)),
        ANOTHER_BINDER: ((now.resin, now.part_1, now.part_2), (then.resin, then.part_1, then.part_2)),
    }.items():
        if len(new) != len(old):
            return what, None
        for key, before in zip(new, old, strict=True):
            spread = 0.0 if key == before else _continues(picture, key, before)
            if spread is None:
                return what, None
            if key != before:
                variances.append(spread**2)
    return "", math.sqrt(sum(variances)) if variances else None


def _continues(picture: Picture, key: str, before: str) -> float | None:
    """Spread of a material against one that it continues, through any in between; None where it continues it not."""
    materials, variance, met = picture.plant.materials, 0.0, {key}
    while key in materials and materials[key].continues:
        stated = materials[key].continues_spread_pct
        variance += math.log1p((USUAL_SPREAD_PCT if stated is None else stated) / 100) ** 2
        key = materials[key].continues
        if key == before:
            return math.sqrt(variance)
        if key in met:
            break
        met.add(key)
    return None
