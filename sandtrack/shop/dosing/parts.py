"""A box that takes too long to fill at one go, filled in parts: the facing first, then the backing behind it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from sandtrack.plant import Mixer
from sandtrack.shop.dosing import readiness, systems
from sandtrack.shop.dosing.learned import learned_law
from sandtrack.shop.dosing.other_catalyst import by_system
from sandtrack.shop.dosing.serving import Job
from sandtrack.shop.dosing.words import at_least
from sandtrack.shop.picture import Picture

_PARTS = ("facing", "backing")


class _Part(NamedTuple):
    """Mixes of one purpose at the setting they would have."""

    job: Job
    lever: float
    most_kg: int
    """What can be filled within the work time it may plan for."""

    @property
    def live_min(self) -> float:
        """How long its surface surely stays live."""
        return self.job.times(self.lever).work_min[0]

    def words(self, purpose: str) -> str:
        """Its setting and its most."""
        system = self.job.pumped.at(self.lever)
        share = system.entry.reclaimed_share
        sand = "" if share is None else f", {100 * share:.0f} % reclaimed sand"
        late = "" if self.job.strips(self.lever) else ", which strips too late,"
        return (
            f"{purpose} at {system.show(self.lever)}{late} with {system.entry.resin_pct:.4g} % resin{sand}, at most "
            f"{self.most_kg:,} kg at a time"
        )


def in_parts(picture: Picture, mixer: Mixer, job: Job, lever: float, box_kg: float) -> Iterator[str]:
    """How the fill is split at one setting; by the settings of facing and backing where these have their own."""
    purposes = _by_purpose(picture, mixer, job)
    own = purposes or {"": _part(mixer, job, lever)}
    if not all(part.most_kg for part in own.values()):
        return
    live = at_least(min(part.live_min for part in own.values()))
    if purposes:
        told = f"split the fill, the facing first: {'; '.join(part.words(name) for name, part in purposes.items())}"
    else:
        most_kg = own[""].most_kg
        told = (
            f"split the fill: at most {most_kg:,} kg at a time, {math.ceil(box_kg / most_kg)} parts, the facing first"
        )
    yield (
        f"{told}; ram each within its own work time, and join the next while its surface is live, within {live} of "
        "its last sand"
    )


def _by_purpose(picture: Picture, mixer: Mixer, job: Job) -> dict[str, _Part]:
    """Facing and backing of a whole mould, where one of them has settings of its own."""
    entry = picture.plant.binder_systems[job.system.key]
    if job.system.purpose in _PARTS or not any(entry.own(purpose) for purpose in _PARTS):
        return {}
    found = {}
    for purpose in _PARTS:
        system = systems.system(entry, purpose)
        law = learned_law(picture, system)
        if law is None:
            return {}
        then = by_system(picture, mixer, job, law, system, readiness.lots(picture, mixer, system))
        found[purpose] = _part(mixer, then, then.quick_enough)
    return found


def _part(mixer: Mixer, job: Job, lever: float) -> _Part:
    return _Part(job, lever, math.floor(job.longest_fill_min(lever) * mixer.sand_kg_min))
