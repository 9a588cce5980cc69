"""The set-up through time: which revision holds on a day, and what a key means then."""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Context, Decimal
from functools import lru_cache
from typing import Any, NamedTuple

from sandtrack.errors import FieldError, UnknownName
from sandtrack.ledger import stored
from sandtrack.plant import Plant
from sandtrack.records import naming
from sandtrack.records.fields import Measured, is_key
from sandtrack.records.naming import suggested

EXACT = Context(prec=80, rounding=ROUND_HALF_EVEN)
"""Arithmetic of our own, whatever context the program around us has set."""

Stamp = tuple[tuple[int, int, int, bytes], ...]

Path = tuple[str | int, ...]
"""Where a value lies in a record: ("streams", 1, "mass_kg")."""


def labelled(path: Path) -> str:
    """A path as people read it: streams[1].mass_kg."""
    parts = [f"[{part}]" if isinstance(part, int) else f".{part}" for part in path]
    return "".join(parts).removeprefix(".")


class Revision(NamedTuple):
    """One recorded set-up; it is read when something of it is first needed."""

    record: int
    valid_from: int
    read: Callable[[], Plant]
    withdrawn: bool

    @property
    def plant(self) -> Plant:
        """The set-up itself."""
        return self.read()


@lru_cache(maxsize=64)
def plant_of(content: str, record: int) -> Plant:
    """The set-up that a record's content says. Kept by its text: the same content is the same set-up everywhere."""
    return stored.plant(content, record)


@dataclass(frozen=True)
class Day:
    """The set-up as it holds at one instant, with what other revisions know of keys that it lacks."""

    revision: int
    plant: Plant
    others: Sequence[Revision] = field(repr=False)
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
        for other in self.others:
            if key in getattr(other.plant, section):
                return getattr(other.plant, section)[key]
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


class Keys:
    """Keys of one section that any revision has. The latest set-ups are looked at first: they have most keys."""

    def __init__(self, revisions: Sequence[Revision], section: str) -> None:
        self._revisions = revisions
        self._section = section
        self._known: set[str] = set()
        self._unread = len(revisions)

    def __contains__(self, key: str) -> bool:
        while key not in self._known and self._unread:
            self._read_one()
        return key in self._known

    def __iter__(self) -> Iterator[str]:
        while self._unread:
            self._read_one()
        return iter(sorted(self._known))

    def _read_one(self) -> None:
        # Counted down last: a thread that reads at the same time reads a revision twice rather than not at all.
        unread = self._unread
        self._known.update(getattr(self._revisions[unread - 1].plant, self._section))
        self._unread = min(self._unread, unread - 1)


class Setups:
    """All revisions of one shop, in the order they were recorded."""

    def __init__(self, revisions: Iterable[Revision]) -> None:
        self.revisions = tuple(sorted(revisions, key=lambda revision: revision.record))
        self._by_record = {revision.record: revision for revision in self.revisions}
        self._days: dict[int, Day] = {}
        self._in_force = sorted(
            (revision.valid_from, revision.record) for revision in self.revisions if not revision.withdrawn
        )
        self._keys: dict[str, Keys] = {}

    @staticmethod
    def stamp(connection: sqlite3.Connection) -> Stamp:
        """Record, first instant, whether withdrawn, and hash of every revision: shows whether one came or went.

        The hash shows it too where another file was put in the place of this one.
        """
        rows = connection.execute(
            "SELECT v.record, v.valid_from, EXISTS (SELECT 1 FROM reversal WHERE of = v.record), r.hash "
            "FROM revision v JOIN record r ON r.seq = v.record ORDER BY v.record"
        )
        return tuple(rows.fetchall())

    @classmethod
    def load(cls, connection: sqlite3.Connection, read: Callable[[int], Plant] | None = None) -> Setups:
        """All revisions that the ledger has. `read` gives the set-up of a record when it is first needed."""
        read_plant = read or (lambda record: plant_of_record(connection, record))
        return cls(
            Revision(record, valid_from, _reading(read_plant, record), bool(withdrawn))
            for record, valid_from, withdrawn, _ in cls.stamp(connection)
        )

    def on(self, at: int) -> Day:
        """The set-up that holds at an instant; the first one holds for all time before it."""
        place = bisect_left(self._in_force, (at + 1,))
        return self.booked_with(self._in_force[max(place - 1, 0)][1])

    def booked_with(self, revision: int) -> Day:
        """The set-up that a record was booked with."""
        day = self._days.get(revision)
        if day is None:
            day = self._days[revision] = Day(revision, self._by_record[revision].plant, self.revisions)
        return day

    def known(self, section: str) -> Keys:
        """Keys that any revision has in a section."""
        keys = self._keys.get(section)
        if keys is None:
            keys = self._keys[section] = Keys(self.revisions, section)
        return keys

    def labels(self, section: str) -> dict[str, str]:
        """What people call each key of a section, by the latest revision that has it."""
        labels = {
            key: str(getattr(entry, "name", ""))
            for revision in self.revisions
            for key, entry in getattr(revision.plant, section).items()
        }
        return dict(sorted(labels.items()))

    def meant(self, field: str, section: str, word: str) -> str:
        """The key that a word means: the key itself, or what one thing alone is called in some revision.

        Raises FieldError for a name that nothing has, or several things; a key that is not known is left as it is.
        """
        if word in self.known(section):
            return word
        names = [
            (key, str(getattr(entry, "name", "")))
            for revision in self.revisions
            for key, entry in getattr(revision.plant, section).items()
        ]
        keys = sorted(naming.meant(word, names))
        if len(keys) == 1:
            return keys[0]
        if keys:
            raise FieldError(
                field=field, value=word, reason=f"is the name of {len(keys)} {section}", accepted=" or ".join(keys)
            )
        if is_key(word):
            return word
        raise self.unknown((field,), section, word)

    def unknown(self, path: Path, section: str, key: str) -> FieldError:
        """The complaint about a key that no revision has."""
        return FieldError(
            field=labelled(path),
            value=key,
            reason=f"is not among the {section.replace('_', ' ')}",
            accepted=suggested(key, self.labels(section)) or "none are declared",
        )

    def require(self, section: str, key: str) -> None:
        """Raise UnknownName unless some revision has the key."""
        if key not in self.known(section):
            raise UnknownName(
                f"{section.removesuffix('s').replace('_', ' ')} {key!r} is not in the set-up; "
                f"{suggested(key, self.labels(section), start='there are: ') or 'there are: none'}",
                section=section,
                key=key,
            )


def plant_of_record(connection: sqlite3.Connection, record: int) -> Plant:
    """The set-up that a record says."""
    (content,) = connection.execute("SELECT content FROM record WHERE seq = ?", (record,)).fetchone()
    return plant_of(content, record)


def _reading(read_plant: Callable[[int], Plant], record: int) -> Callable[[], Plant]:
    """What reads one revision, the first time it is needed."""
    read: list[Plant] = []

    def plant() -> Plant:
        if not read:
            read.append(read_plant(record))
        return read[0]

    return plant
