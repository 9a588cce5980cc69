"""Which sand goes round where: heaps, reclaimers and silos that belong together, and the binder systems they serve."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sandtrack.ledger import Flow
from sandtrack.shop.picture import Picture

_STORES = ("silo", "hopper", "store", "container")
_GOES_ROUND = (*_STORES, "heap", "reclaimer", "core_store")


@dataclass(frozen=True)
class Circuit:
    """Places whose used sand comes back, and the binder systems that draw it."""

    key: str
    systems: tuple[str, ...]
    silos: tuple[str, ...]
    heaps: tuple[str, ...]
    reclaimers: tuple[str, ...]
    core_stores: tuple[str, ...]

    @property
    def places(self) -> frozenset[str]:
        """All of its places."""
        return frozenset((*self.silos, *self.heaps, *self.reclaimers, *self.core_stores))


def kind_of(picture: Picture, place: str) -> str:
    """Kind of a place by set-up; "" for moulds and places outside."""
    if place not in picture.setups.known("places"):
        return ""
    return str(picture.day.find("places", place).kind)


def reclaimed_materials(picture: Picture, flows: Iterable[Flow]) -> frozenset[str]:
    """Sands that count as reclaimed: by their role, or as the sand of a silo that a reclaim run returns to."""
    found = {key for key, material in picture.plant.materials.items() if material.role == "reclaimed"}
    for flow in flows:
        if returned(picture, flow):
            found.add(picture.day.material_at(flow.target))
    return frozenset(found - {""})


def returned(picture: Picture, flow: Flow) -> bool:
    """Whether a flow is sand from a reclaimer to a silo."""
    if flow.kind != "reclaim_run" or kind_of(picture, flow.source) != "reclaimer":
        return False
    if kind_of(picture, flow.target) not in _STORES:
        return False
    role = picture.day.find("materials", picture.day.material_at(flow.target) or flow.material).role
    return role not in ("dust", "lumps")


def fed(picture: Picture, flow: Flow) -> bool:
    """Whether a flow is sand fed to a reclaimer."""
    return (
        flow.kind == "reclaim_run"
        and kind_of(picture, flow.target) == "reclaimer"
        and kind_of(picture, flow.source) != ""
    )


def circuits(picture: Picture, flows: Iterable[Flow]) -> list[Circuit]:
    """The circuits that the set-up and the reclaim runs of a period tell apart."""
    flows = list(flows)
    groups = _Groups()
    reclaimed = reclaimed_materials(picture, flows)
    for mixer in picture.plant.mixers.values():
        for system, streams in mixer.draws.items():
            for place in streams.values():
                if picture.plant.places[place].material in reclaimed:
                    groups.join(f"system {system}", place)
    for flow in flows:
        if fed(picture, flow) or returned(picture, flow):
            families = {_family(picture, flow.source), _family(picture, flow.target)} - {""}
            if len(families) < 2:  # a crossing does not make two circuits one
                groups.join(flow.source, flow.target)
    _adopt(picture, groups, reclaimed)
    return sorted((_circuit(picture, members) for members in groups.all()), key=lambda circuit: circuit.key)


def _family(picture: Picture, place: str) -> str:
    material = picture.day.material_at(place)
    return str(picture.day.find("materials", material).family) if material else ""


def _adopt(picture: Picture, groups: _Groups, reclaimed: frozenset[str]) -> None:
    """Places and systems that nothing joins yet go to the one circuit of their family."""
    loose = [
        (key, _family(picture, key))
        for key, place in picture.plant.places.items()
        if place.kind in _GOES_ROUND and (_family(picture, key) or place.material in reclaimed or place.kind == "heap")
    ]
    loose += [(f"system {key}", system.family) for key, system in picture.plant.binder_systems.items()]
    for name, family in loose:
        if groups.has(name):
            continue
        roots = {
            groups.root(other) for other, its in loose if groups.has(other) and (its == family or "" in (its, family))
        }
        if len(roots) == 1:
            groups.join(name, roots.pop())
        elif not roots and not name.startswith("system "):
            groups.root(name)


def _circuit(picture: Picture, members: set[str]) -> Circuit:
    systems = tuple(sorted(name.removeprefix("system ") for name in members if name.startswith("system ")))
    places = sorted(name for name in members if not name.startswith("system "))

    def of(*kinds: str) -> tuple[str, ...]:
        return tuple(place for place in places if kind_of(picture, place) in kinds)

    return Circuit("+".join(systems) or places[0], systems, of(*_STORES), of("heap"), of("reclaimer"), of("core_store"))


class _Groups:
    """Names that belong together."""

    def __init__(self) -> None:
        self._above: dict[str, str] = {}

    def has(self, name: str) -> bool:
        return name in self._above

    def root(self, name: str) -> str:
        above = self._above.setdefault(name, name)
        return name if above == name else self.root(above)

    def join(self, one: str, other: str) -> None:
        first, second = self.root(one), self.root(other)
        if first != second:
            self._above[max(first, second)] = min(first, second)

    def all(self) -> list[set[str]]:
        found: dict[str, set[str]] = {}
        for name in self._above:
            found.setdefault(self.root(name), set()).add(name)
        return list(found.values())
