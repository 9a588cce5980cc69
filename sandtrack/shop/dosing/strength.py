"""How strong the catalyst is that a system draws: by the newest certificate, else by the set-up; and what changed."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from typing import NamedTuple

from sandtrack.records import times
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import Picture

NAME = "strength_pct"
"""Under this name a certificate gives the strength."""
# practice: an acid within a fiftieth of another's strength is of the same strength.
ALIKE_SHARE = 0.02
_ALIKE = 1e-9
_LOOK_BACK_US = 400 * 86_400_000_000  # longer than liquids keep


class Strength(NamedTuple):
    """Strength of a catalyst from an instant on."""

    at: int
    pct: float | None
    """None where neither a certificate nor the set-up gives one."""
    source: str


class Strengths:
    """Strengths of a system's catalyst from an instant on, its deliveries read once."""

    def __init__(self, picture: Picture, system: System, since: int) -> None:
        self._picture, self._material = picture, _material(system)
        self._delivered = list(_deliveries(picture, self._material, since))[::-1]

    def at(self, instant: int) -> Strength:
        """The strength in force at an instant."""
        place = bisect_right(self._delivered, instant, key=lambda one: one.at)
        return _in_force(self._picture, self._material, instant, self._delivered[place - 1] if place else None)


def now(picture: Picture, system: System) -> Strength:
    """The strength in force at the moment asked about; reads no more deliveries than it needs."""
    material = _material(system)
    return _in_force(picture, material, picture.at, next(_deliveries(picture, material, picture.at), None))


def of_reference(picture: Picture, system: System) -> Strength:
    """The strength that the reference was known with: the set-up's where this reference was first written."""
    material, first = _material(system), picture.at
    for revision in sorted(picture.setups.revisions, key=lambda one: -one.valid_from):
        if revision.withdrawn or revision.valid_from > picture.at:
            continue
        entry = revision.plant.binder_systems.get(system.key)
        if entry is None or (entry.reference, entry.catalyst) != (system.entry.reference, system.entry.catalyst):
            break
        first = revision.valid_from
    return _in_force(picture, material, first, None)


def _material(system: System) -> str:
    return system.liquids.get("catalyst", "") if system.family.lever == "amount" else ""


def _in_force(picture: Picture, material: str, instant: int, delivered: Strength | None) -> Strength:
    """A delivery's certificate holds until the next delivery, or until the set-up says another strength."""
    by_set_up = _by_set_up(picture, material, instant)
    if delivered is None or delivered.pct is None:
        return Strength(0, by_set_up, "the set-up")
    if _by_set_up(picture, material, delivered.at) != by_set_up:
        return Strength(0, by_set_up, "the set-up, revised since the last delivery")
    return delivered


def _by_set_up(picture: Picture, material: str, instant: int) -> float | None:
    pct: float | None = picture.setups.on(instant).find("materials", material).strength_pct if material else None
    return pct


def _deliveries(picture: Picture, material: str, since: int) -> Iterator[Strength]:
    """Deliveries of a material, newest first; strength None where no certificate gives one."""
    if not material:
        return
    places = {key for key in picture.setups.known("places") if picture.day.material_at(key) == material}
    named = {material, *places}
    for seen in picture.records("delivery", since=since - _LOOK_BACK_US, newest_first=True, naming=named):
        own = picture.setups.on(seen.at).material_at(seen.values["place"])
        if (seen.values.get("material") or own) == material:
            pct = seen.values.get("certificate", {}).get(NAME)
            lot = f"lot {seen.values['lot']}, " if "lot" in seen.values else ""
            source = f"{lot}delivery {seen.id} of {times.day_of(seen.at, picture.zone)}"
            yield Strength(seen.at, pct if isinstance(pct, float) and pct > 0 else None, source)


def ratio(pct: float | None, to_pct: float | None) -> float:
    """One strength over another; 1 where either is not known."""
    return 1.0 if not pct or not to_pct else pct / to_pct


def alike(pct: float | None, other_pct: float | None) -> bool:
    """Whether two strengths count as one; one that is not known is like any."""
    return abs(ratio(pct, other_pct) - 1) <= ALIKE_SHARE + _ALIKE
