"""What a load moved, by material: so that a slip of a digit or a decimal sign shows."""

from __future__ import annotations

from collections.abc import Iterable

from sandtrack.ledger import Ledger, movements
from sandtrack.plant import MOULDS, OUTSIDE
from sandtrack.shop.loading.result import MaterialMoved
from sandtrack.shop.picture import KG


def moved(ledger: Ledger, written: Iterable[tuple[int, int]]) -> list[MaterialMoved]:
    """Mass of each material that the records of some stretches of the chain brought in, took out and moved between."""
    into: dict[str, int] = {}
    out: dict[str, int] = {}
    between: dict[str, int] = {}
    with ledger.store.reading() as connection:
        for first, last in written:
            for source, target, material, mass in movements.totals(connection, first, last):
                kept = [place for place in (source, target) if place != MOULDS and place not in OUTSIDE]
                if kept == [target]:
                    into[material] = into.get(material, 0) + mass
                elif target == "conversion":
                    into[material] = into.get(material, 0) - mass
                elif len(kept) == 2:
                    between[material] = between.get(material, 0) + mass
                elif kept:
                    out[material] = out.get(material, 0) + mass
    for material, mass in into.items():
        if mass < 0:  # more of it became another sand than came in: that much is gone
            into[material], out[material] = 0, out.get(material, 0) - mass
    return [
        MaterialMoved(material, *(masses.get(material, 0) / KG for masses in (into, out, between)))
        for material in sorted({*into, *out, *between})
        if any(masses.get(material) for masses in (into, out, between))
    ]
