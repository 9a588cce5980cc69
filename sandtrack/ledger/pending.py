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
        self._ids: dict[tuple[str, str], tuple[Any, ...]] = {}
        self._records: list[tuple[Any, ...]] = []
        self._movements: list[tuple[Any, ...]] = []
        self._flows: dict[tuple[Any, ...], list[int]] = {}
        self._contents: dict[tuple[str, str], int] = {}
        self._counted: list[tuple[str, str]] = []

    def record(self, row: tuple[Any, ...]) -> None:
        """Keep a record's row: seq, kind, sender, id, at, own_at, offset, recorded, day, revision, content, hash."""
        self._records.append(row)
        self._ids[row[2], row[3]] = row

    def known(self, sender: str, record_id: str) -> Known | None:
        """A record that is kept here and not written yet."""
        row = self._ids.get((sender, record_id))
        return None if row is None else Known(row[0], row[10], row[7], row[1], row[4])

    def movement(self, seq: int, event: int, at: int, move: Move) -> None:
        """Keep a movement, and what it changes in its mould."""
        self._movements.append((seq, event, at, *move))
        if move.mould is not None:
            key = (move.mould, move.material)
            change = move.mass_mg if move.target == MOULDS else -move.mass_mg
            self._contents[key] = self._contents.get(key, 0) + change

    def holding(self, place: str, material: str) -> None:
        """Keep that a place has met a material; movements say so by themselves."""
        self._counted.append((place, material))

    def flow(self, day: str, move: Move, kind: str, revision: int, records: int, square: int) -> None:
        """Add a movement to the totals of its day."""
        source, target, material, mass, _, measure = move
        key = (day, source, target, material, kind, measure or "", revision if measure else 0, self.today)
        total = self._flows.get(key)
        if total is None:
            self._flows[key] = [records, mass, square]
        else:
            total[0] += records
            total[1] += mass
            total[2] += square

    def write_rows(self) -> None:
        """Write records and movements, so that they can be read back."""
        if self._records:
            self.connection.executemany("INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", self._records)
            self._records.clear()
            self._ids.clear()
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
            [(mould, material, mass) for (mould, material), mass in self._contents.items() if mass],
        )
        # What grew is not empty: no mould holds less than nothing.
        run(
            "DELETE FROM mould_content WHERE mould = ? AND material = ? AND mass_mg = 0",
            [key for key, mass in self._contents.items() if mass < 0],
        )
        met = {(place, material) for _, source, target, material, *_ in self._flows for place in (source, target)}
        run("INSERT OR IGNORE INTO holding VALUES (?, ?)", met.union(self._counted))
        self._flows.clear()
        self._contents.clear()
        self._counted.clear()
