"""Appending to the ledger, within one write transaction: records, their movements, and the endings they complete."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sandtrack.errors import AlreadyReversed, Conflict, NoSuchRecord
from sandtrack.ledger import blocking, booking, stored
from sandtrack.ledger.booking import Move
from sandtrack.ledger.brought import Withdrawn
from sandtrack.ledger.chain import FIRST, GENESIS, Head, chained
from sandtrack.ledger.entries import Entry, prepare, squared
from sandtrack.ledger.pending import Known, Pending
from sandtrack.ledger.setups import Day, Setups
from sandtrack.plant import MOULDS
from sandtrack.records import ENDINGS, Forms, times

LOOKED_UP_AT_ONCE = 250


class Accepted(NamedTuple):
    """What became of an entry."""

    seq: int
    new: bool
    recorded: int
    at: int
    id: str
    """Its id: the one that was sent, except where another record of a machine's name had that."""


class Writer:
    """One transaction's worth of appending. Call `flush` before the commit; reads in between flush by themselves."""

    def __init__(self, connection: sqlite3.Connection, forms: Forms, setups: Setups, zone: ZoneInfo, now: int) -> None:
        self.connection = connection
        self.forms = forms
        self.setups = setups
        self.zone = zone
        head = connection.execute("SELECT seq, hash, recorded FROM record ORDER BY seq DESC LIMIT 1").fetchone()
        self.seq: int = head[0] if head else 0
        self.hash: bytes = head[1] if head else GENESIS
        self.last: int = head[2] if head else now
        """When the last record before this transaction was recorded."""
        self.now = max(now, self.last)  # never earlier than the record before
        self.today = times.day_of(self.now, zone)
        self.has_endings = connection.execute("SELECT 1 FROM ending LIMIT 1").fetchone() is not None
        self.pending = Pending(connection, self.today)
        self.replaying = False
        """Whether what is appended was accepted before, by the rules of its day."""
        self.unknown: set[tuple[str, str]] = set()
        """Senders and ids that were looked up and are not there."""

    @property
    def head(self) -> Head:
        """The end of the chain, as it will be when this is committed."""
        return Head(self.seq, self.hash.hex())

    # -- records ------------------------------------------------------------------------------------------------

    def known(self, sender: str, record_id: str) -> Known | None:
        """Return a record already accepted."""
        if (sender, record_id) in self.unknown:
            return None
        waiting = self.pending.known(sender, record_id)
        if waiting is not None:
            return waiting
        found = self.connection.execute(
            "SELECT seq, content, recorded, kind, at, token, marks, version FROM record WHERE sender = ? AND id = ?",
            (sender, record_id),
        ).fetchone()
        return found and Known(*found)

    def look_up(self, entries: Sequence[Entry]) -> None:
        """Find out at once which entries the ledger does not have, instead of asking for each as it is appended."""
        for start in range(0, len(entries), LOOKED_UP_AT_ONCE):
            names = [(entry.sender, entry.id) for entry in entries[start : start + LOOKED_UP_AT_ONCE]]
            rows = self.connection.execute(
                f"WITH asked (sender, id) AS (VALUES {', '.join(['(?, ?)'] * len(names))}) "  # asked goes first, so
                "SELECT sender, id FROM asked CROSS JOIN record USING (sender, id)",  # that the index is searched
                [part for name in names for part in name],
            )
            self.unknown.update(names)
            self.unknown.difference_update(rows)

    def append(self, entry: Entry) -> Accepted:
        """Append one record with its movements; a repeat adds nothing. All refusals come before anything is kept."""
        seen = self.known(entry.sender, entry.id)
        if seen is not None and self._is_taken(entry, seen):
            entry = entry.under_another_id()
            seen = self.known(entry.sender, entry.id)
        if seen is not None:
            return self._repeat(entry, seen)
        if entry.kind == "reversal":
            return self._reverse(entry)
        values = entry.values
        at, day, moves, counted = prepare(entry, self.setups, replayed=self.replaying)
        seq = self._record(entry, at, day.revision)
        if entry.kind in blocking.KINDS:
            self.pending.blocks(seq, blocking.causes(entry.kind, values, day))
        if counted is not None:
            self.pending.write_rows()
            self.connection.execute(
                "INSERT INTO count VALUES (?, ?, ?, ?, ?, ?)",
                (seq, counted.place, counted.material, at, counted.mass_mg, counted.error_pct),
            )
            if counted.material:
                self.pending.holding(counted.place, counted.material)
        if entry.kind in ENDINGS:
            self._end(entry, seq, at, day, moves)
        else:
            self._book(seq, seq, at, entry.kind, day.revision, moves)
            if self.has_endings:
                for mould in booking.filled(entry.kind, values):
                    self._complete(mould, at, seq, [move for move in moves if move.mould == mould])
        return Accepted(seq, True, self.now, at, entry.id)

    def append_plant(self, entry: Entry, valid_from: int) -> Accepted:
        """Append a revision of the set-up; the caller reads the set-ups again before it appends more."""
        seen = self.known(entry.sender, entry.id)
        if seen is not None:
            return self._repeat(entry, seen)
        seq = self._record(entry, valid_from, 0)
        self.pending.write_rows()
        self.connection.execute("INSERT INTO revision VALUES (?, ?)", (seq, valid_from))
        return Accepted(seq, True, self.now, valid_from, entry.id)

    def _repeat(self, entry: Entry, seen: Known) -> Accepted:
        seq, text, recorded, kind, at, _, marks, _ = seen
        if not entry.says_what(seq, kind, text, marks):
            before, after = {"kind": kind, **stored.content(text, seq)}, {"kind": entry.kind, **json.loads(entry.text)}
            differing = sorted(name for name in {*before, *after} if before.get(name) != after.get(name))
            raise Conflict(sender=entry.sender, record_id=entry.id, fields=differing)
        return Accepted(seq, False, recorded, at, entry.id)

    def _is_taken(self, entry: Entry, seen: Known) -> bool:
        """Whether what somebody else brought has the id of a machine's record.

        What happened is never refused: a machine asks nobody for another id, so its record is kept under one.
        """
        brought = entry.brought
        if brought is None or not brought.machine or seen.token in brought.own:
            return False
        return not entry.says_what(seen.seq, seen.kind, seen.text, seen.marks)

    def _record(self, entry: Entry, at: int, revision: int) -> int:
        self.seq += 1
        row = (
            self.seq,
            entry.kind,
            entry.sender,
            entry.id,
            at,
            entry.own_at,
            entry.offset_us,
            self.now,
            self.today,
            revision,
            entry.text,
        )
        brought = (entry.token, entry.marks, entry.own_id, entry.version)
        self.hash = chained(self.hash, row, brought)
        self.pending.record((*row, self.hash, *brought))
        self.unknown.discard((entry.sender, entry.id))
        return self.seq

    # -- endings ------------------------------------------------------------------------------------------------

    def _end(self, entry: Entry, seq: int, at: int, day: Day, moves: list[Move]) -> None:
        """A knock-out or a scrapped mould: it takes all since the ending before, also from the ending after it."""
        self.pending.write_rows()
        self.has_endings = True
        held: list[tuple[str, str, int]] = []
        for mould in entry.values["moulds"]:
            booked = self._booked_in(mould, at, entry.sender, entry.id)
            held += [(mould, material, mass) for material, mass, *_ in booked if mass]
            if booked:
                self.pending.lived(mould, min(row[2] for row in booked), at, min(row[3] for row in booked), seq)
            self.connection.execute(
                "INSERT INTO ending VALUES (?, ?, ?, ?, ?)", (mould, at, entry.sender, entry.id, seq)
            )
        self._book(seq, seq, at, entry.kind, day.revision, booking.ending_moves(entry.values, day, held) + moves)
        for mould in entry.values["moulds"]:
            later = self._next_ending(mould, at, entry.sender, entry.id)
            if later is not None:
                self._settle(later, seq, [(mould, material, -mass) for owner, material, mass in held if owner == mould])

    def _booked_in(self, mould: str, at: int, sender: str, record_id: str) -> list[tuple[str, int, int, int]]:
        """What was booked into a mould since the ending before this one, up to and including its instant.

        (material, mass, first instant, first record); a mass of nothing where all of it was taken back.
        """
        before = self.connection.execute(
            "SELECT at FROM ending WHERE mould = ? AND (at, sender, id) < (?, ?, ?) AND record NOT IN "
            "(SELECT of FROM reversal) ORDER BY at DESC, sender DESC, id DESC LIMIT 1",
            (mould, at, sender, record_id),
        ).fetchone()
        since = before[0] if before else -(2**62)
        return self.connection.execute(
            "SELECT material, SUM(mass_mg), MIN(at), MIN(event) FROM movement WHERE mould = ? AND target = ? "
            "AND at > ? AND at <= ? GROUP BY material ORDER BY material",
            (mould, MOULDS, since, at),
        ).fetchall()

    def _next_ending(self, mould: str, at: int, sender: str = "", record_id: str = "") -> int | None:
        """The first ending in force that is not before (at, sender, id)."""
        found = self.connection.execute(
            "SELECT record FROM ending WHERE mould = ? AND (at, sender, id) > (?, ?, ?) AND record NOT IN "
            "(SELECT of FROM reversal) ORDER BY at, sender, id LIMIT 1",
            (mould, at, sender, record_id),
        ).fetchone()
        return found[0] if found else None

    def _complete(self, mould: str, at: int, seq: int, moves: Iterable[Move]) -> None:
        """Bring the ending at or after `at`, if there is one, to what is now booked into the mould before it."""
        if not self.has_endings:
            return
        ending = self._next_ending(mould, at)
        if ending is not None:
            self.pending.lived(mould, at, self._at(ending), seq, seq)
            self._settle(ending, seq, [(mould, move.material, move.mass_mg) for move in moves])

    def _at(self, seq: int) -> int:
        """When a record happened."""
        self.pending.write_rows()
        (at,) = self.connection.execute("SELECT at FROM record WHERE seq = ?", (seq,)).fetchone()
        return int(at)

    def _settle(self, ending: int, seq: int, held: list[tuple[str, str, int]]) -> None:
        """Movements that change an ending by what its moulds now held more or less, dated at the ending."""
        changes = [change for change in held if change[2]]
        if not changes:
            return
        self.pending.write_rows()
        kind, at, revision, content = self.connection.execute(
            "SELECT kind, at, revision, content FROM record WHERE seq = ?", (ending,)
        ).fetchone()
        values = stored.values(self.forms, kind, content, ending, exact=True)
        moves = booking.ending_moves(values, self.setups.booked_with(revision), changes)
        self._book(seq, ending, at, kind, revision, moves)

    # -- reversals ----------------------------------------------------------------------------------------------

    def _reverse(self, entry: Entry) -> Accepted:
        of = entry.values["of"]
        seen = self.known(of["sender"], of["id"])
        if seen is None:
            raise NoSuchRecord(
                f"there is no record {of['id']!r} of sender {of['sender']!r} yet; send that first, "
                "or look its id up with `sandtrack records`",
                sender=of["sender"],
                id=of["id"],
            )
        self.pending.write_rows()
        original, content, recorded, kind, at, token, _, version = seen
        if entry.brought is not None:
            blocks = self.pending.blocks_by(original) or self._blocks(original)
            kept, age_us = version > FIRST, self.now - recorded
            entry.brought.may_withdraw(Withdrawn(kind, of["sender"], of["id"], token, kept, blocks, age_us))
        (revision,) = self.connection.execute("SELECT revision FROM record WHERE seq = ?", (original,)).fetchone()
        if kind == "reversal":
            raise AlreadyReversed(
                "a reversal cannot be reversed; send the withdrawn record again under a new id",
                sender=of["sender"],
                id=of["id"],
            )
        if self.connection.execute("SELECT 1 FROM reversal WHERE of = ?", (original,)).fetchone():
            raise AlreadyReversed(
                f"record {of['id']!r} of {of['sender']!r} is reversed already; nothing was changed",
                sender=of["sender"],
                id=of["id"],
            )
        if kind == "plant" and sum(not revision.withdrawn for revision in self.setups.revisions) == 1:
            raise AlreadyReversed(
                "the only set-up in force cannot be reversed; send a new revision instead",
                sender=of["sender"],
                id=of["id"],
            )
        withdrawn_at = entry.corrected(entry.values["at"]) if "at" in entry.values else self.now
        seq = self._record(entry, withdrawn_at, self.setups.on(self.now).revision)
        self.pending.write_rows()
        self.connection.execute("INSERT INTO reversal VALUES (?, ?)", (original, seq))
        rows = self.connection.execute(
            "SELECT source, target, material, SUM(mass_mg) AS mass, mould, measure FROM movement "
            "WHERE at = ? AND event = ? GROUP BY source, target, material, mould, measure HAVING mass <> 0 "
            "ORDER BY source, target, material, mould, measure",
            (at, original),
        ).fetchall()
        back = [
            Move(source, target, material, -mass, mould, measure)
            for source, target, material, mass, mould, measure in rows
        ]
        self._take_back(seq, original, at, kind, revision, back)
        values = stored.values(self.forms, kind, content, original, exact=True) if kind != "plant" else {}
        if kind in ENDINGS:
            self._hand_on(of, values, at, seq, back)
        else:
            for mould in booking.filled(kind, values):
                self.pending.lived(mould, at, at, original, seq)
                self._complete(mould, at, seq, [move for move in back if move.mould == mould])
        return Accepted(seq, True, self.now, withdrawn_at, entry.id)

    def _blocks(self, seq: int) -> bool:
        return (
            self.connection.execute(
                "SELECT 1 FROM block WHERE record = ? AND code <> ?", (seq, blocking.RELEASED)
            ).fetchone()
            is not None
        )

    def _hand_on(self, of: Mapping[str, str], values: Mapping[str, Any], at: int, seq: int, back: list[Move]) -> None:
        """What a withdrawn ending had taken is taken by the next one, if there is one."""
        for mould in values["moulds"]:
            later = self._next_ending(mould, at, of["sender"], of["id"])
            if later is not None:
                booked = self._booked_in(mould, at, of["sender"], of["id"])
                if booked:
                    self.pending.lived(mould, min(row[2] for row in booked), self._at(later), seq, seq)
                self._settle(
                    later,
                    seq,
                    [
                        (mould, move.material, -move.mass_mg)
                        for move in back
                        if move.mould == mould and move.source == MOULDS
                    ],
                )

    def _take_back(self, seq: int, event: int, at: int, kind: str, revision: int, back: list[Move]) -> None:
        """Movements of a reversal: the totals lose the records and the squares that the original added."""
        keys = self.connection.execute(
            "SELECT DISTINCT source, target, material, coalesce(measure, '') FROM movement WHERE at = ? AND event = ? "
            "AND record = event",
            (at, event),
        ).fetchall()
        day = times.day_of(at, self.zone)
        for source, target, material, measure in keys:
            move = Move(source, target, material, 0, None, measure or None)
            self.pending.changed((day, kind, revision), move, records=-1)
        self._book(seq, event, at, kind, revision, back)

    # -- movements and totals -----------------------------------------------------------------------------------

    def _book(self, seq: int, event: int, at: int, kind: str, revision: int, moves: list[Move]) -> None:
        day = times.day_of(at, self.zone)
        moves = _merged(moves)
        if seq == event:
            self.pending.booked(seq, at, (day, kind, revision), moves)
        else:
            self.pending.movements(seq, event, at, moves)
            for move in moves:
                self.pending.changed((day, kind, revision), move, square=self._square_change(event, at, move))

    def _square_change(self, event: int, at: int, move: Move) -> int:
        """New less old square of the one movement that a settling or taken-back movement changes."""
        self.pending.write_rows()
        (after,) = self.connection.execute(
            "SELECT coalesce(SUM(mass_mg), 0) FROM movement WHERE at = ? AND event = ? AND source = ? AND target = ? "
            "AND material = ? AND mould IS ? AND measure IS ?",
            (at, event, move.source, move.target, move.material, move.mould, move.measure),
        ).fetchone()
        return squared(after) - squared(after - move.mass_mg)

    def flush(self) -> None:
        """Write what has gathered, still inside the transaction."""
        self.pending.write_all()


def _merged(moves: list[Move]) -> list[Move]:
    """One movement for each line: the same way, material, mould and measure."""
    if len({move[0] for move in moves}) == len(moves):  # each from a place of its own
        return moves
    lines: dict[tuple[Any, ...], int] = {}
    for source, target, material, mass, mould, measure in moves:
        line = (source, target, material, mould, measure)
        lines[line] = lines.get(line, 0) + mass
    if len(lines) == len(moves):
        return moves
    return [
        Move(source, target, material, mass, mould, measure)
        for (source, target, material, mould, measure), mass in lines.items()
        if mass
    ]
