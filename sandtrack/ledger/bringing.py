"""What the book holds about how records came: withdrawn holds and counts, ids that were taken, times that cannot be."""

from __future__ import annotations

from typing import NamedTuple

from sandtrack.ledger.blocking import RELEASED
from sandtrack.ledger.brought import AT_ARRIVAL
from sandtrack.ledger.reading import Reader


class TakenBack(NamedTuple):
    """A hold, another block or a count that was withdrawn."""

    seq: int
    kind: str
    sender: str
    id: str
    at: int
    content: str
    blocks: bool
    by: str
    """Sender of the reversal."""
    withdrawn: int
    reversal: str
    """Content of the reversal."""
    reversal_seq: int


def taken_back(reader: Reader, first: int, until: int) -> list[TakenBack]:
    """Holds, other blocks and counts whose reversal is record `first` or later, and was recorded up to an instant."""
    rows = reader.connection.execute(
        "SELECT r.seq, r.kind, r.sender, r.id, r.at, r.content, "
        "EXISTS (SELECT 1 FROM block b WHERE b.record = r.seq AND b.code <> ?) AS blocks, "
        "w.sender, w.recorded, w.content, w.seq "
        "FROM reversal v JOIN record r ON r.seq = v.of JOIN record w ON w.seq = v.record "
        "WHERE v.record >= ? AND v.record <= ? AND w.recorded <= ? AND (r.kind = 'count' OR blocks) ORDER BY v.record",
        (RELEASED, first, reader.last, until),
    )
    return [TakenBack(*row) for row in rows]


class Taken(NamedTuple):
    """A machine's record whose id another record had."""

    kind: str
    sender: str
    own_id: str
    id: str
    at: int


def taken_ids(reader: Reader, first: int, until: int) -> list[Taken]:
    """Such records in force from record `first` on, recorded up to an instant."""
    rows = reader.connection.execute(
        "SELECT kind, sender, own_id, id, at FROM record WHERE seq >= ? AND seq <= ? AND recorded <= ? "
        "AND own_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?) "
        "ORDER BY seq",
        (first, reader.last, until, reader.last),
    )
    return [Taken(*row) for row in rows]


class Misdated(NamedTuple):
    """A sender's records whose own time cannot be."""

    sender: str
    records: int
    own_at: int
    """Of the latest."""
    at: int


def misdated(reader: Reader, first: int, until: int) -> list[Misdated]:
    """Senders of such records from record `first` on, recorded up to an instant."""
    rows = reader.connection.execute(
        # What is neither grouped nor counted comes from the row of the greatest seq (sqlite.org/lang_select.html).
        "SELECT sender, count(*), own_at, at, max(seq) FROM record WHERE seq >= ? AND seq <= ? AND recorded <= ? "
        "AND own_at IS NOT NULL AND instr(marks, ?) AND NOT EXISTS "
        "(SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?) GROUP BY sender ORDER BY sender",
        (first, reader.last, until, AT_ARRIVAL, reader.last),
    )
    return [Misdated(*row[:4]) for row in rows]
