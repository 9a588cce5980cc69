"""Lots that a mould's binder is of: that of the resin, and those of all that makes it cure."""

from __future__ import annotations

from typing import NamedTuple

from sandtrack.shop.dosing.readiness import Lot
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import Picture, Seen

_BASES = ("resin", "part_1")


class Lots(NamedTuple):
    """Lot of the resin, or ""; and (liquid, lot) of each catalyst, hardener or second part whose lot is known."""

    resin: str = ""
    curing: tuple[tuple[str, str], ...] = ()

    def agrees(self, other: Lots) -> bool:
        """Whether the resin's lot is the same, and nothing that both tell of what makes it cure is different."""
        there = dict(other.curing)
        return self.resin == other.resin and all(there.get(liquid, lot) == lot for liquid, lot in self.curing)


def of_names(names: dict[str, str]) -> Lots:
    """Lots by the liquid that each is of."""
    resin = next((names[base] for base in _BASES if base in names), "")
    return Lots(resin, tuple(sorted((liquid, lot) for liquid, lot in names.items() if liquid not in _BASES)))


def of_mix(picture: Picture, own: System, mix: Seen | None) -> Lots:
    """Lots that a mix recorded."""
    if mix is None:
        return Lots()
    day, names = picture.setups.on(mix.at), dict[str, str]()
    for stream in mix.values["streams"]:
        material = stream.get("material") or day.material_at(stream["place"])
        for liquid, key in own.liquids.items():
            if key == material and stream.get("lot"):
                names.setdefault(liquid, stream["lot"])
    return of_names(names)


def in_stock(own: System, lots: list[Lot]) -> Lots:
    """Lots that most of each liquid in stock is of."""
    names: dict[str, str] = {}
    for liquid, key in own.liquids.items():
        held = [lot for lot in lots if lot.material == key]
        if held and (name := max(held, key=lambda lot: lot.part_mg).name):
            names[liquid] = name
    return of_names(names)
