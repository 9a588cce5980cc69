"""What a write transaction gathers before it goes to the file in bulk."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import Any, NamedTuple

from sandtrack.ledger.blocking import RELEASED, Cause
from sandtrack.ledger.booking import Move
from sandtrack.ledger.entries import squared
from sandtrack.ledger.migrations import life
from sandtrack.plant import MOULDS

ROWS_A_STATEMENT = 8


class Known(NamedTuple):
    """A record already accepted."""

    seq: int
    text: str
    recorded: int
    kind: str
    at: int
    token: str | None
    marks: str | None
    version: int


Under = tuple[str, str, int]
"""What totals are kept under: day of the movements, kind of the record, its set-up."""
Way = tuple[str, str, str, str | None]
"""From, to, material, and the measure that the mass was told in."""


class Pending:
    """Rows and totals on their way into the shop file, still inside the transaction."""

    def __init__(self, connection: sqlite3.Connection, today: str) -> None:
        self.connection = connection
        self.today = today
        self._ids: dict[tuple[str, str], tuple[Any, ...]] = {}
        self._records: list[Any] = []
        self._movements: list[Any] = []
        """Values of the rows, one row after the other."""
        self._flows: dict[Under, dict[Way, list[int]]] = {}
        """Totals of a day by way: records, mass, squares, record counted last."""
        self._contents: dict[str, dict[str, int]] = {}
        """What changes in moulds: mould → material → mass."""
        self._counted: list[tuple[str, str]] = []
        self._blocks: list[tuple[Any, ...]] = []
        self._lives: list[tuple[Any, ...]] = []

    def record(self, row: tuple[Any, ...]) -> None:
        """Keep a record's row: the columns of `chain.SENT`, its hash, the columns of `chain.BROUGHT`."""
        self._records += row
        self._ids[row[2], row[3]] = row

    def known(self, sender: str, record_id: str) -> Known | None:
        """A record that is kept here and not written yet."""
        row = self._ids.get((sender, record_id))
        return None if row is None else Known(row[0], row[10], row[7], row[1], row[4], row[12], row[13], row[15])

    def blocks_by(self, seq: int) -> bool:
        """Whether a record blocks something, as far as that is kept here and not written yet."""
        return any(row[0] == seq and row[2] != RELEASED for row in self._blocks)

    def movements(self, seq: int, event: int, at: int, moves: list[Move]) -> None:
        """Keep movements that change those of another record, with what they change in their moulds."""
        contents = self._contents
        for move in moves:
            self._movements += (seq, event, at, *move)
            if move.mould is not None:
                inside = contents.setdefault(move.mould, {})
                mass = move.mass_mg if move.target == MOULDS else -move.mass_mg
                inside[move.material] = inside.get(move.material, 0) + mass

    def holding(self, place: str, material: str) -> None:
        """Keep that a place has met a material; movements say so by themselves."""
        self._counted.append((place, material))

    def lived(self, mould: str, since: int, until: int, opened: int, closed: int) -> None:
        """Keep that a mould held sand from `since` to `until`, as records from `opened` to `closed` say."""
        self._lives.append(life(mould, since, until, opened, closed))

    def blocks(self, seq: int, causes: Iterable[Cause]) -> None:
        """Keep what a record blocks or releases."""
        self._blocks += [(seq, cause.what, cause.code, cause.key) for cause in causes]

    def booked(self, seq: int, at: int, under: Under, moves: list[Move]) -> None:
        """Keep the movements of a new record, with what they change: it counts once in each total of its day."""
        values, contents, start = self._movements, self._contents, (seq, seq, at)
        flows = self._flows.setdefault(under, {})
        for move in moves:
            values += start
            values += move
            source, target, material, mass, mould, measure = move
            if mould is not None:
                inside = contents.get(mould)
                if inside is None:
                    inside = contents[mould] = {}
                inside[material] = inside.get(material, 0) + (mass if target == MOULDS else -mass)
            way = (source, target, material, measure)
            total = flows.get(way)
            if total is None:
                flows[way] = [1, mass, squared(mass), seq]
                continue
            if total[3] != seq:
                total[0] += 1
                total[3] = seq
            total[1] += mass
            total[2] += squared(mass)

    def changed(self, under: Under, move: Move, *, records: int = 0, square: int = 0) -> None:
        """Add what changes a movement booked before to the totals of its day."""
        source, target, material, mass, _, measure = move
        total = self._flows.setdefault(under, {}).setdefault((source, target, material, measure), [0, 0, 0, 0])
        total[0] += records
        total[1] += mass
        total[2] += square

    def write_rows(self) -> None:
        """Write records and movements, so that they can be read back."""
        if self._records:
            self._insert("record", 16, self._records)
            self._records.clear()
            self._ids.clear()
        if self._movements:
            self._insert("movement", 9, self._movements)
            self._movements.clear()

    def _insert(self, table: str, columns: int, values: list[Any]) -> None:
        """Insert rows, several a statement: that is a tenth quicker than one by one."""
        row = f"({', '.join('?' * columns)})"
        start = 0
        for rows in (ROWS_A_STATEMENT, 1):
            width = rows * columns
            end = start + (len(values) - start) // width * width
            self.connection.executemany(
                f"INSERT INTO {table} VALUES {', '.join([row] * rows)}",
                [values[at : at + width] for at in range(start, end, width)],
            )
            start = end

    def write_all(self) -> None:
        """Write everything; to be called before the commit."""
        self.write_rows()
        run = self.connection.executemany
        run(
            "INSERT INTO flow VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT DO UPDATE SET records = records + excluded.records, "
            "mass_mg = mass_mg + excluded.mass_mg, mass_g2 = mass_g2 + excluded.mass_g2",
            [
                (day, *way, kind, measure or "", revision if measure else 0, self.today, *totals)
                for (day, kind, revision), flows in self._flows.items()
                for (*way, measure), (*totals, _) in flows.items()
            ],
        )
        self._write_months()
        run(
            "INSERT INTO mould_content VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET mass_mg = mass_mg + excluded.mass_mg",
            [
                (mould, material, mass)
                for mould, held in self._contents.items()
                for material, mass in held.items()
                if mass
            ],
        )
        # What grew is not empty: no mould holds less than nothing.
        run(
            "DELETE FROM mould_content WHERE mould = ? AND material = ? AND mass_mg = 0",
            [
                (mould, material)
                for mould, held in self._contents.items()
                for material, mass in held.items()
                if mass < 0
            ],
        )
        held: dict[tuple[str, str], int] = dict.fromkeys(self._counted, 0)
        for flows in self._flows.values():
            for (source, target, material, _), (_, mass, *_) in flows.items():
                held[source, material] = held.get((source, material), 0) - mass
                held[target, material] = held.get((target, material), 0) + mass
        run(
            "INSERT INTO holding VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET mass_mg = mass_mg + excluded.mass_mg",
            [(*pair, mass) for pair, mass in held.items()],
        )
        run("INSERT INTO block VALUES (?, ?, ?, ?)", self._blocks)
        run("INSERT INTO mould_life VALUES (?, ?, ?, ?, ?, ?, ?)", self._lives)
        self._blocks.clear()
        self._lives.clear()
        self._flows.clear()
        self._contents.clear()
        self._counted.clear()

    def _write_months(self) -> None:
        """Add the totals of the days to those of their months."""
        months: dict[tuple[Any, ...], list[int]] = {}
        for (day, kind, revision), flows in self._flows.items():
            for (*way, measure), (records, mass, squares, _) in flows.items():
                key = (day[:7], *way, kind, measure or "", revision if measure else 0)
                total = months.setdefault(key, [0, 0, 0, 0])
                millions, rest = divmod(squares, 1_000_000)
                for index, more in enumerate((records, mass, millions, rest)):
                    total[index] += more
        self.connection.executemany(
            "INSERT INTO flow_month VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
            "records = records + excluded.records, mass_mg = mass_mg + excluded.mass_mg, "
            "mass_g2_millions = mass_g2_millions + excluded.mass_g2_millions, "
            "mass_g2_rest = mass_g2_rest + excluded.mass_g2_rest",
            [(*key, *total) for key, total in months.items()],
        )
