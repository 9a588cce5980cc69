"""What stands around one record: what blocks a place or mould, what filled a mould, when it was ended, who wrote."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sandtrack.ledger.reading import LONG_AGO, Reader
from sandtrack.plant import MOULDS


class Cause(NamedTuple):
    """A record that blocks a place, lot or mould, or (`released`) lifts what was recorded before it."""

    record: int
    code: str
    at: int
    kind: str
    id: str
    content: str
    revision: int


class Fill(NamedTuple):
    """A record that put something into a mould."""

    record: int
    at: int
    kind: str
    id: str


def causes_of_all(reader: Reader, keys: Sequence[tuple[str, str]]) -> dict[tuple[str, str], list[Cause]]:
    """All that blocks or releases some places, lots or moulds (what, key), at any time, in order of happening."""
    causes: dict[tuple[str, str], list[Cause]] = {key: [] for key in keys}
    rows = reader.connection.execute(
        "SELECT b.what, b.key, b.record, b.code, r.at, r.kind, r.id, r.content, r.revision FROM block b JOIN record r "
        f"ON r.seq = b.record WHERE b.key IN ({', '.join('?' * len(keys))}) AND b.record <= ? "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = b.record AND v.record <= ?) "
        "ORDER BY r.at, r.sender, r.id",
        (*(key for _, key in keys), reader.last, reader.last),
    )
    for what, key, *cause in rows:
        if (what, key) in causes:
            causes[what, key].append(Cause(*cause))
    return causes


def in_force(causes: list[Cause], at: int) -> Cause | None:
    """The first of these that blocks at an instant; a release lifts only what was recorded before it."""
    released = max((cause.record for cause in causes if cause.code == "released" and cause.at <= at), default=0)
    blocking = (cause for cause in causes if cause.code != "released" and cause.at <= at and cause.record > released)
    return next(blocking, None)


def fills(reader: Reader, mould: str, after: int, until: int) -> list[Fill]:
    """What was put into a mould in (after, until], in order of happening."""
    rows = reader.connection.execute(
        "SELECT DISTINCT m.event, r.at, r.kind, r.id, r.sender FROM movement m JOIN record r ON r.seq = m.event "
        "WHERE m.mould = ?1 AND m.at > ?2 AND m.at <= ?3 AND m.target = ?4 AND m.record <= ?5 "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = m.event AND v.record <= ?5) "
        "ORDER BY r.at, r.sender, r.id",
        (mould, after, until, MOULDS, reader.last),
    )
    return [Fill(*row[:4]) for row in rows]


def ended_before(reader: Reader, mould: str, at: int) -> int | None:
    """The last ending of a mould before an instant."""
    (ended,) = reader.connection.execute(
        "SELECT max(at) FROM ending e WHERE mould = ?1 AND at < ?2 AND record <= ?3 "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = e.record AND v.record <= ?3)",
        (mould, at, reader.last),
    ).fetchone()
    return None if ended is None else int(ended)


def ended_after(reader: Reader, mould: str, at: int) -> int | None:
    """The first ending of a mould at or after an instant."""
    (ended,) = reader.connection.execute(
        "SELECT min(at) FROM ending e WHERE mould = ?1 AND at >= ?2 AND record <= ?3 "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = e.record AND v.record <= ?3)",
        (mould, at, reader.last),
    ).fetchone()
    return None if ended is None else int(ended)


def naming(reader: Reader, kinds: tuple[str, ...], since: int, until: int, word: str) -> list[int]:
    """Numbers of the records of some kinds in [since, until] whose content holds a word, in order of happening."""
    marks = ", ".join("?" * len(kinds))
    rows = reader.connection.execute(
        f"SELECT seq FROM record WHERE kind IN ({marks}) AND at >= ? AND at <= ? AND seq <= ? "
        "AND instr(content, ?) > 0 "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?) ORDER BY at, sender, id",
        (*kinds, since, until, reader.last, word, reader.last),
    )
    return [row[0] for row in rows]


def materials_met(reader: Reader, place: str) -> list[str]:
    """Every material that the book has met in a place."""
    return [
        row[0] for row in reader.connection.execute("SELECT material FROM holding WHERE place = ?", (place,)).fetchall()
    ]


def recorded_since(reader: Reader, after: int) -> list[int]:
    """Records in force, set-ups aside, that were accepted after a number of the chain, in order of acceptance."""
    rows = reader.connection.execute(
        "SELECT seq FROM record WHERE seq > ?1 AND seq <= ?2 AND kind <> 'plant' "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?2) ORDER BY seq",
        (after, reader.last),
    )
    return [row[0] for row in rows]


def in_force_of(reader: Reader, numbers: Sequence[int]) -> list[int]:
    """Those of some records that are in force and no set-ups, in order of acceptance."""
    wanted = set(numbers)
    return [number for number in recorded_since(reader, min(numbers) - 1) if number in wanted]


def order_of_happening(reader: Reader, numbers: Sequence[int]) -> list[int]:
    """Some records in order of happening."""
    wanted = set(numbers)
    rows = reader.connection.execute(
        "SELECT seq FROM record WHERE seq >= ? AND seq <= ? ORDER BY at, sender, id", (min(numbers), max(numbers))
    )
    return [row[0] for row in rows if row[0] in wanted]


def is_first_of(reader: Reader, sender: str, record: int) -> bool:
    """Whether nothing came from a sender before a record."""
    earlier = reader.connection.execute(
        "SELECT 1 FROM record WHERE sender = ? AND seq < ? LIMIT 1", (sender, record)
    ).fetchone()
    return earlier is None


def number_of(reader: Reader, sender: str, record_id: str) -> int | None:
    """Number in the chain of a sender's record, as far as it is known."""
    row = reader.connection.execute(
        "SELECT seq FROM record WHERE sender = ? AND id = ? AND seq <= ?", (sender, record_id, reader.last)
    ).fetchone()
    return None if row is None else int(row[0])


def first_recorded(reader: Reader, since: int) -> int:
    """Number of the first record that was recorded at or after an instant: they are numbered in that order."""
    low, high = 1, reader.connection.execute("SELECT max(seq) FROM record").fetchone()[0] + 1
    while low < high:
        middle = (low + high) // 2
        (recorded,) = reader.connection.execute("SELECT recorded FROM record WHERE seq = ?", (middle,)).fetchone()
        low, high = (middle + 1, high) if recorded < since else (low, middle)
    return low


def nearest_named(reader: Reader, kind: str, record_id: str, at: int, reach: int) -> int | None:
    """The record of a kind with an id, of any sender, that lies nearest an instant and within a reach of it."""
    row = reader.connection.execute(
        "SELECT seq FROM record WHERE kind = ?1 AND at >= ?2 AND at <= ?3 AND id = ?4 AND seq <= ?5 "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?5) "
        "ORDER BY abs(at - ?6), seq LIMIT 1",
        (kind, at - reach, at + reach, record_id, reader.last, at),
    ).fetchone()
    return None if row is None else int(row[0])


def newest(reader: Reader, kind: str, known: int) -> int:
    """The latest instant of a kind among the first `known` records of the chain; long ago where there is none."""
    row = reader.connection.execute(
        "SELECT at FROM record WHERE kind = ? AND seq <= ? ORDER BY at DESC LIMIT 1", (kind, min(known, reader.last))
    ).fetchone()
    return LONG_AGO if row is None else int(row[0])
