"""Judging lines before anything is written: against the set-up, the ledger, and what else the same load holds.

What a load has seen is kept in a temporary SQLite file, what is good waits in a temporary file to be written, so that
memory does not grow with the number of lines, and what was checked is what is written.
"""

from __future__ import annotations

import hashlib
import pickle
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from sandtrack.errors import FieldError, InputErrors, ShopFileError
from sandtrack.ledger import Entry, Ledger
from sandtrack.ledger.entries import prepare
from sandtrack.ledger.setups import Revision, Setups
from sandtrack.plant import Plant
from sandtrack.records.mould_numbers import complaints

MOVEMENTS_AT_ONCE = 10_000
RECORDS_AT_ONCE = 5_000
_CACHE_KB = 4_096


class Place(NamedTuple):
    """Where a line stands: the number of its source, and its line."""

    source: int
    line: int


class Waiting(NamedTuple):
    """A good line on its way into the ledger; its cells only where they may be wanted for a file of rejects."""

    place: Place
    entry: Entry
    cells: list[str] | None


class Verdict(NamedTuple):
    """What a line is: known already, or new with so many movements, or wrong."""

    known: bool
    movements: int
    problems: list[FieldError]


class Vetting:
    """What the ledger knows and what this load has brought so far."""

    def __init__(self, ledger: Ledger, connection: sqlite3.Connection) -> None:
        self.ledger = ledger
        self.book = connection
        self.setups = ledger.setups()
        self.names: list[str] = []
        # An empty name makes a file that SQLite deletes by itself, also when the program is killed.
        self.seen = sqlite3.connect("", isolation_level=None)
        self.seen.execute(f"PRAGMA cache_size=-{_CACHE_KB}")
        self.seen.execute("PRAGMA journal_mode=OFF")
        self.seen.executescript(
            "CREATE TABLE record (sender TEXT, id TEXT, digest BLOB, kind TEXT, source INTEGER, line INTEGER, "
            "PRIMARY KEY (sender, id)) WITHOUT ROWID;"
            "CREATE TABLE alike (digest BLOB PRIMARY KEY, times INTEGER) WITHOUT ROWID;"
            "CREATE TABLE withdrawn (sender TEXT, id TEXT, source INTEGER, line INTEGER, PRIMARY KEY (sender, id));"
            "BEGIN"
        )

    def close(self) -> None:
        """Let go of what was seen."""
        self.seen.close()

    def begin(self, name: str) -> int:
        """A new source; lines alike are counted anew."""
        self.seen.execute("DELETE FROM alike")
        self.names.append(name)
        return len(self.names) - 1

    def made_id(self, kind: str, text: str) -> str:
        """An id for a line that has none: the same for the same content and ordinal in any later export."""
        (ordinal,) = self.seen.execute(
            "INSERT INTO alike VALUES (?, 1) ON CONFLICT DO UPDATE SET times = times + 1 RETURNING times",
            (_digest(kind, text),),
        ).fetchone()
        return made_id(kind, text, ordinal)

    def judge(self, entry: Entry, place: Place) -> Verdict:
        """Judge a checked entry, and remember it if it is good and new."""
        digest = _digest(entry.kind, entry.text)
        problems: list[FieldError] = []
        found = self.book.execute(
            "SELECT content, kind FROM record WHERE sender = ? AND id = ?", (entry.sender, entry.id)
        ).fetchone()
        if found is not None:
            if found == (entry.text, entry.kind):
                return Verdict(True, 0, [])
            problems.append(_conflict(entry, "is in the ledger with other content"))
        before = self.seen.execute(
            "SELECT digest, source, line FROM record WHERE sender = ? AND id = ?", (entry.sender, entry.id)
        ).fetchone()
        if before is not None:
            if before[0] == digest:
                return Verdict(True, 0, [])
            problems.append(_conflict(entry, f"stands on {self._where(*before[1:])} too, with other content"))
        movements = 0
        if entry.kind == "reversal":
            problems += self._reversal(entry)
        elif entry.kind != "plant":
            try:
                _, day, moves, _ = prepare(entry, self.setups)
                movements = len(moves)
                problems += complaints(entry.values, day.plant.shop.mould_numbers)
            except InputErrors as found_wrong:
                problems += found_wrong.problems
        if not problems:
            self.seen.execute(
                "INSERT INTO record VALUES (?, ?, ?, ?, ?, ?)", (entry.sender, entry.id, digest, entry.kind, *place)
            )
            if entry.kind == "reversal":
                of = entry.values["of"]
                self.seen.execute("INSERT INTO withdrawn VALUES (?, ?, ?, ?)", (of["sender"], of["id"], *place))
        return Verdict(False, movements, problems)

    def _where(self, source: int, line: int) -> str:
        return f"{self.names[source]} line {line}"

    def _reversal(self, entry: Entry) -> Iterator[FieldError]:
        of = entry.values["of"]
        name = (of["sender"], of["id"])

        def wrong(reason: str, accepted: str) -> FieldError:
            return FieldError(field="of.id", value=of["id"], reason=reason, accepted=accepted)

        kind, reversed_before = self.book.execute(
            "SELECT kind, EXISTS (SELECT 1 FROM reversal WHERE of = seq) FROM record WHERE sender = ? AND id = ?", name
        ).fetchone() or (None, 0)
        here = self.seen.execute("SELECT kind FROM record WHERE sender = ? AND id = ?", name).fetchone()
        here_before = self.seen.execute(
            "SELECT source, line FROM withdrawn WHERE sender = ? AND id = ?", name
        ).fetchone()
        if kind is None and here is None:
            yield wrong(
                f"of sender {of['sender']!r} is neither in the ledger nor among the good lines before this one",
                "the sender and id of a record that was sent",
            )
        elif (kind or here[0]) == "reversal":
            yield wrong("is a reversal, which cannot be reversed", "send the withdrawn record again under a new id")
        elif reversed_before:
            yield wrong("is reversed already", "one reversal for a record")
        elif here_before:
            yield wrong(f"is reversed on {self._where(*here_before)} already", "one reversal for a record")
        elif kind == "plant" and sum(not revision.withdrawn for revision in self.setups.revisions) == 1:
            yield wrong("is the only set-up in force", "a new revision instead")

    def revise(self, entry: Entry, content: Any) -> None:
        """From here on lines are judged with this further set-up, too."""
        number = max(revision.record for revision in self.setups.revisions) + 1
        plant = Plant.read(content)
        revision = Revision(number, entry.values["at"], lambda: plant, False)
        self.setups = Setups([*self.setups.revisions, revision])


def made_id(kind: str, text: str, ordinal: int) -> str:
    """The id of a line without one."""
    return hashlib.sha256(f"{kind}\n{ordinal}\n{text}".encode()).hexdigest()[:32]


def _digest(kind: str, text: str) -> bytes:
    return hashlib.sha256(f"{kind}\n{text}".encode()).digest()[:16]


def _conflict(entry: Entry, reason: str) -> FieldError:
    return FieldError(
        field="id",
        value=entry.id,
        reason=f"of sender {entry.sender!r} {reason}",
        accepted="a new id, or a reversal of the first one if that was the mistake",
    )


class Spool:
    """Good lines in a file that vanishes with the program, in portions for one transaction each."""

    def __init__(self, beside: Path) -> None:
        self.beside = beside
        with self._room():
            self._file = tempfile.TemporaryFile(dir=beside)  # noqa: SIM115 - closed by `close`
        self._portion: list[Waiting] = []
        self._movements = 0
        self.portions = 0

    @contextmanager
    def _room(self) -> Iterator[None]:
        try:
            yield
        except OSError as problem:
            raise ShopFileError(
                f"{self.beside} cannot take what waits to be written ({problem.strerror}); nothing was loaded, "
                "make room there or check the folder's rights",
                path=self.beside,
            ) from problem

    def add(self, waiting: Waiting, movements: int) -> None:
        """Keep a good line."""
        self._portion.append(waiting)
        # An ending's movements depend on what its moulds hold: about four materials each.
        self._movements += movements + 4 * len(waiting.entry.values.get("moulds", ()))
        if self._movements >= MOVEMENTS_AT_ONCE or len(self._portion) >= RECORDS_AT_ONCE:
            self._put()

    def finish(self) -> int:
        """No more lines; return the number of portions."""
        self._put()
        return self.portions

    def _put(self) -> None:
        if self._portion:
            plain = [(tuple(place), tuple(entry), cells) for place, entry, cells in self._portion]
            with self._room():
                pickle.dump(plain, self._file, protocol=5)
                self._file.flush()
            self.portions += 1
            self._portion, self._movements = [], 0

    def drain(self) -> Iterator[list[Waiting]]:
        """The portions, in the order in which they were kept."""
        self._file.seek(0)
        for _ in range(self.portions):
            plain = pickle.load(self._file)
            yield [Waiting(Place(*place), Entry(*entry), cells) for place, entry, cells in plain]

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
