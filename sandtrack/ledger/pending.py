"""What a write transaction gathers before it goes to the file in bulk."""

from __future__ import annotations

import sqlite3
from typing import Any, NamedTuple

from sandtrack.ledger.booking import Move
from sandtrack.plant import MOULDS


class Known(NamedTuple):
    """A record already accepted."""

    seq: int
    text: str
    recorded: int
    kind: str
    at: int


class Pending:
    """Rows and totals on their way into the shop file, still inside the transaction."""

    def __init__(self, connection: sqlite3.Connection, today: str) -> None:
        self.connection = connection
        self.today = today
        self.ids: dict[tuple[str, str], Known] = {}
        self._records: list[tuple[Any, ...]] = []
        self._movements: list[tuple[Any, ...]] = []
        self._flows: dict[tuple[Any, ...], list[int]] = {}
        self._contents: dict[tuple[str, str], int] = {}
        self._holdings: set[tuple[str, str]] = set()

    def record(self, row: tuple[Any, ...]) -> None:
        """Keep a record's row: seq, kind, sender, id, at, own_at, offset, recorded, day, revision, content, hash."""
        self._records.append(row)
        self.ids[(row[2], row[3])] = Known(row[0], row[10], row[7], row[1], row[4])

    def movement(self, seq: int, event: int, at: int, move: Move) -> None:
        """Keep a movement, what it changes in its mould, and that its places have met the material."""
        source, target, material, mass, mould, measure = move
        self._movements.append((seq, event, at, source, target, material, mass, mould, measure))
        if mould is not None:
            key = (mould, material)
            self._contents[key] = self._contents.get(key, 0) + (mass if target == MOULDS else -mass)
        self._holdings.add((source, material))
        self._holdings.add((target, material))

    def holding(self, place: str, material: str) -> None:
        """Keep that a place has met a material."""
        self._holdings.add((place, material))

    def flow(self, day: str, move: Move, kind: str, revision: int, records: int, square: int) -> None:
        """Add a movement to the totals of its day."""
        measure = move.measure or ""
        key = (day, move.source, move.target, move.material, kind, measure, revision if measure else 0, self.today)
        total = self._flows.get(key)
        if total is None:
            self._flows[key] = [records, move.mass_mg, square]
        else:
            total[0] += records
            total[1] += move.mass_mg
            total[2] += square

    def write_rows(self) -> None:
        """Write records and movements, so that they can be read back."""
        if self._records:
            self.connection.executemany("INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", self._records)
            self._records.clear()
            self.ids.clear()
        if self._movements:
            self.connection.executemany("INSERT INTO movement VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", self._movements)
            self._movements.clear()

    def write_all(self) -> None:
        """Write everything; to be called before the commit."""
        self.write_rows()
        run = self.connection.executemany
        run(
            "INSERT INTO flow VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT DO UPDATE SET records = records + excluded.records, "
            "mass_mg = mass_mg + excluded.mass_mg, mass_g2 = mass_g2 + excluded.mass_g2",
            [(*key, *total) for key, total in self._flows.items()],
        )
        run(
            "INSERT INTO mould_content VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET mass_mg = mass_mg + excluded.mass_mg",
            [(*key, mass) for key, mass in self._contents.items()],
        )
        run("DELETE FROM mould_content WHERE mould = ? AND material = ? AND mass_mg = 0", list(self._contents))
        run("INSERT OR IGNORE INTO holding VALUES (?, ?)", list(self._holdings))
        self._flows.clear()
        self._contents.clear()
        self._holdings.clear()
