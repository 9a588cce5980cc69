"""The set-up through time: which revision holds on a day, and what a key means then."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Any, NamedTuple

from sandtrack.errors import FieldError, UnknownName
from sandtrack.plant import Plant
from sandtrack.records.fields import Measured

EXACT = Context(prec=80, rounding=ROUND_HALF_EVEN)
"""Arithmetic of our own, whatever context the program around us has set."""

Stamp = tuple[tuple[int, int, int], ...]

Path = tuple[str | int, ...]
"""Where a value lies in a record: ("streams", 1, "mass_kg")."""


def labelled(path: Path) -> str:
    """A path as people read it: streams[1].mass_kg."""
    parts = [f"[{part}]" if isinstance(part, int) else f".{part}" for part in path]
    return "".join(parts).removeprefix(".")


class Revision(NamedTuple):
    """One recorded set-up."""

    record: int
    valid_from: int
    plant: Plant
    withdrawn: bool


@dataclass(frozen=True)
class Day:
    """The set-up as it holds at one instant, with what other revisions know of keys that it lacks."""

    revision: int
    plant: Plant
    others: tuple[Plant, ...] = field(repr=False)
    _found: dict[tuple[str, str], Any] = field(default_factory=dict, repr=False, compare=False)
    _materials: dict[str, str] = field(default_factory=dict, repr=False, compare=False)

    def find(self, section: str, key: str) -> Any:
        """The entry in force, else that of the earliest revision that has the key; raises UnknownName."""
        found = self._found.get((section, key))
        if found is None:
            found = self._found[section, key] = self._looked_up(section, key)
        return found

    def _looked_up(self, section: str, key: str) -> Any:
        entries = getattr(self.plant, section)
        if key in entries:
            return entries[key]
        for plant in self.others:
            if key in getattr(plant, section):
                return getattr(plant, section)[key]
        return self.plant.named(section, key)

    def material_at(self, place: str) -> str:
        """The one material of a place by set-up, or ""."""
        material = self._materials.get(place)
        if material is None:
            material = self._materials[place] = self.find("places", place).material
        return material

    def is_sand(self, material: str) -> bool:
        """Whether a material is a sand."""
        return bool(self.find("materials", material).kind == "sand")

    def mass_mg(self, mass: int | Measured) -> int:
        """A mass as whole milligrams, by the conversion of the day where it was told in a measure."""
        if isinstance(mass, Measured):
            per_one: int = self.find("measures", mass.measure).mass_kg
            return int(EXACT.to_integral_value(EXACT.multiply(mass.amount, Decimal(per_one))))
        return mass


class Keys(dict[str, frozenset[str]]):
    """Keys that any revision has, by section; gathered when a section is first asked for."""

    def __init__(self, plants: Iterable[Plant]) -> None:
        super().__init__()
        self._plants = tuple(plants)

    def __missing__(self, section: str) -> frozenset[str]:
        found = self[section] = frozenset(key for plant in self._plants for key in getattr(plant, section))
        return found


class Setups:
    """All revisions of one shop, in the order they were recorded."""

    def __init__(self, revisions: Iterable[Revision]) -> None:
        self.revisions = tuple(sorted(revisions))
        plants = tuple(revision.plant for revision in self.revisions)
        self._days = {revision.record: Day(revision.record, revision.plant, plants) for revision in self.revisions}
        self._in_force = sorted(
            (revision.valid_from, revision.record) for revision in self.revisions if not revision.withdrawn
        )
        self.keys = Keys(plants)

    @staticmethod
    def stamp(connection: sqlite3.Connection) -> Stamp:
        """Record, first instant and whether withdrawn, of every revision: tells whether one came or went."""
        rows = connection.execute(
            "SELECT v.record, v.valid_from, EXISTS (SELECT 1 FROM reversal WHERE of = v.record) FROM revision v "
            "ORDER BY v.record"
        )
        return tuple(rows.fetchall())

    @classmethod
    def load(cls, connection: sqlite3.Connection) -> Setups:
        """All revisions that the ledger has."""
        revisions = []
        for record, valid_from, withdrawn in cls.stamp(connection):
            (content,) = connection.execute("SELECT content FROM record WHERE seq = ?", (record,)).fetchone()
            plant = Plant.read(json.loads(content, parse_float=Decimal))
            revisions.append(Revision(record, valid_from, plant, bool(withdrawn)))
        return cls(revisions)

    def on(self, at: int) -> Day:
        """The set-up that holds at an instant; the first one holds for all time before it."""
        chosen = self._in_force[0][1]
        for valid_from, record in self._in_force:
            if valid_from > at:
                break
            chosen = record
        return self._days[chosen]

    def booked_with(self, revision: int) -> Day:
        """The set-up that a record was booked with."""
        return self._days[revision]

    def known(self, section: str) -> frozenset[str]:
        """Keys that any revision has in a section."""
        return self.keys[section]

    def unknown(self, path: Path, section: str, key: str) -> FieldError:
        """The complaint about a key that no revision has."""
        return FieldError(
            field=labelled(path),
            value=key,
            reason=f"is not among the {section.replace('_', ' ')}",
            accepted=", ".join(sorted(self.known(section))) or "none are declared",
        )

    def require(self, section: str, key: str) -> None:
        """Raise UnknownName unless some revision has the key."""
        if key not in self.known(section):
            raise UnknownName(
                f"{section.removesuffix('s').replace('_', ' ')} {key!r} is not in the set-up; there are: "
                f"{', '.join(sorted(self.known(section))) or 'none'}",
                section=section,
                key=key,
            )
