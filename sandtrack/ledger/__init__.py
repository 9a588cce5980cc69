"""What happened: an append-only, conserved, exact book of records and movements in one SQLite file."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sandtrack.errors import ClockAhead, FieldError, InputErrors, SandtrackError, SetupChanged, ShopFileError
from sandtrack.ledger import arriving, clocks, outside, views
from sandtrack.ledger.brought import AT_ARRIVAL, BY_AGE, Brought, can_be, dated_by_age
from sandtrack.ledger.chain import Head, hash_at
from sandtrack.ledger.entries import Entry
from sandtrack.ledger.making import made_whole
from sandtrack.ledger.picture import Violation
from sandtrack.ledger.reading import Difference, Flow, Reader
from sandtrack.ledger.setups import Day, Setups, Stamp, plant_of_record
from sandtrack.ledger.store import WAIT_S, Store
from sandtrack.ledger.verification import Verification
from sandtrack.ledger.writing import Accepted, Writer
from sandtrack.plant import Plant
from sandtrack.records import Forms, canonical, fields, times

__all__ = [
    "WAIT_S",
    "Accepted",
    "Day",
    "Difference",
    "Entry",
    "Flow",
    "Head",
    "Ledger",
    "Reader",
    "Setups",
    "Violation",
]

_LOOKED_BACK = 1_000
Clock = Callable[[], int]


def system_clock() -> int:
    """Microseconds since 1970, UTC."""
    return time.time_ns() // 1000


class Arrived(NamedTuple):
    """What came since an earlier end of the chain: that end, the end now, and the kinds of the records between."""

    before: Head
    head: Head
    kinds: frozenset[str]


class Refused(NamedTuple):
    """An entry of a batch that was not accepted, and why."""

    position: int
    error: SandtrackError


class Ledger:
    """One shop's book. Safe to use from several threads; several processes may open the same file."""

    def __init__(self, store: Store, clock: Clock = system_clock) -> None:
        self.store = store
        self.clock = clock
        self.clock_is_right = False
        """Whether somebody looked at this computer's clock: else nothing is recorded far past the last record."""
        self.zone = self._zone()
        self.forms = Forms(self.zone)
        self._setups: tuple[Stamp, Setups] | None = None

    @classmethod
    def create(
        cls,
        path: str | Path,
        plant: Mapping[str, Any],
        *,
        sender: str,
        clock: Clock = system_clock,
        wait_s: float = WAIT_S,
    ) -> Ledger:
        """Make a shop file with its first set-up; raises InputErrors before anything is written.

        It gets its name when it is whole, so that nobody meets half a shop.
        """
        first = Plant.read(plant)
        content = _as_sent(plant, "the set-up")
        with made_whole(path) as making:
            store = Store(making, create=True)
            with closing(store), store.writing() as connection:
                connection.execute("INSERT INTO setting VALUES ('time_zone', ?)", (first.shop.time_zone,))
                connection.executemany("INSERT INTO zone_offset VALUES (?, ?)", views.zone_offsets(first.zone))
                writer = Writer(connection, Forms(first.zone), Setups([]), first.zone, clock())
                writer.append_plant(
                    Entry("plant", sender, "first", content, {}), times.day_start(first.shop.valid_from, first.zone)
                )
                writer.flush()
            made = writer.head
        outside.begin(Path(path), made)
        return cls.open(path, clock=clock, wait_s=wait_s)

    @classmethod
    def open(cls, path: str | Path, *, clock: Clock = system_clock, wait_s: float = WAIT_S) -> Ledger:
        """Open a shop file; raises ShopFileError. No wait for another program is longer than `wait_s`."""
        store = Store(path, wait_s=wait_s)
        try:
            return cls(store, clock)
        except BaseException:
            store.close()
            raise

    def close(self) -> None:
        """Close this thread's connection."""
        self.store.close()

    def _zone(self) -> ZoneInfo:
        with self.store.reading() as connection:
            found = connection.execute("SELECT value FROM setting WHERE name = 'time_zone'").fetchone()
        try:
            return times.zone(found[0])
        except (TypeError, ValueError):
            path = self.store.path
            raise ShopFileError(
                f"{path} has no usable time zone: it was never finished, or was edited; restore a backup, "
                "or delete it and make the shop again",
                path=path,
            ) from None

    # -- set-up -------------------------------------------------------------------------------------------------

    def setups(self) -> Setups:
        """All revisions of the set-up, read again only when one came or went."""
        with self.store.reading() as connection:
            stamp = Setups.stamp(connection)
            kept = self._setups  # another thread may replace it at any moment
            if kept is None or kept[0] != stamp:
                self._setups = kept = (stamp, Setups.load(connection, self._plant_of))
            return kept[1]

    def _plant_of(self, record: int) -> Plant:
        """The set-up that a record says, by the connection of whichever thread needs it."""
        with self.store.reading() as connection:
            return plant_of_record(connection, record)

    # -- writing ------------------------------------------------------------------------------------------------

    def entry(
        self,
        kind: str,
        content: Any,
        *,
        sender: str,
        record_id: str | None = None,
        sent_at: int | None = None,
        values: Mapping[str, Any] | None = None,
        age_us: int | None = None,
        brought: Brought | None = None,
    ) -> Entry:
        """Check one record before the write lock is taken; raises InputErrors. `values` are given if checked before.

        `age_us` is the time since it happened, by a sender that may have no clock; `brought` who brings it.
        """
        sender = _name(_SENDER, sender)
        record_id = _name(_ID, record_id if record_id is not None else secrets.token_hex(8))
        if kind == "plant":
            if not isinstance(content, Mapping):  # never a path: content may come from afar
                raise InputErrors(
                    [FieldError(field="content", reason="is not an object with sections")], what="the set-up"
                )
            plant = Plant.read(content)
            if plant.zone != self.zone:
                raise InputErrors(
                    [
                        FieldError(
                            field="shop.time_zone",
                            value=plant.shop.time_zone,
                            reason="differs from the one the shop was made with, which is fixed",
                            accepted=self.zone.key,
                        )
                    ],
                    what="plant",
                )
            values = {"at": times.day_start(plant.shop.valid_from, self.zone)}
            return _brought_by(brought, Entry(kind, sender, record_id, _as_sent(content, kind), values), [])
        now, marks = self.clock(), []
        if age_us is not None and isinstance(content, Mapping) and content.get("at") is None:
            content, marks = dated_by_age(content, age_us, now, self.zone), [BY_AGE]
        if values is None:
            values = self._checked(kind, content, now)
        own_at = offset = None
        if "at" in values:
            if age_us is not None and not marks:  # an interval needs no clock: it goes before what a clock shows
                sent_at = values["at"] + age_us
            if sent_at is not None:
                own_at, offset = self._off(values["at"], content["at"], sent_at)
            if marks:  # reckoned by our own clock: theirs, however far off, moves it no more
                own_at = None
            booked = values["at"] if own_at is None else values["at"] + (offset or 0)
            if brought is not None and brought.machine and not can_be(booked, now, self._ahead_us(now)):
                own_at, offset, marks = values["at"], now - values["at"], [*marks, AT_ARRIVAL]
        entry = Entry(kind, sender, record_id, _as_sent(content, kind), values, own_at, offset)
        return _brought_by(brought, entry, marks)

    def _checked(self, kind: str, content: Any, now: int) -> Mapping[str, Any]:
        """What a content means; raises InputErrors, with the nearest known name for one that is not known."""
        values, problems = self.forms.check(kind, content)
        setups = self.setups()
        if isinstance(content, Mapping) and setups.on(now).plant.shop.units == "us":
            problems = [*problems, *arriving.without_unit(kind, content)]
        if problems:
            raise InputErrors(arriving.with_suggestions(kind, problems, setups), what=kind)
        return values

    def _ahead_us(self, now: int) -> float:
        return self.setups().on(now).plant.limits.clock_offset_min * 60e6

    def _off(self, at: int, said: Any, sent_at: int) -> tuple[int | None, int | None]:
        """The sender's own time where that is to be corrected, and how far its clock is off; None where it is not.

        A day that somebody named, what happened after it was sent, and what would come to lie outside all years was
        told by another clock than the one that is off: it stays as told.
        """
        seen = self.clock() - sent_at
        limit = self.setups().on(at).plant.limits.clock_offset_min * 60e6
        if abs(seen) <= limit:
            return None, None
        by_that_clock = at <= sent_at + limit and not _is_date(said) and times.served(at + seen, self.zone)
        return at if by_that_clock else None, seen

    @contextmanager
    def writer(self) -> Iterator[Writer]:
        """One write transaction; what was appended is there once the block has ended."""
        self.setups()
        ends: list[Head] = []
        try:
            with self.store.writing(lambda: self._keep_head(*ends)) as connection:
                now = self.clock()
                writer = Writer(connection, self.forms, self.setups(), self.zone, now)
                if not self.clock_is_right and (ahead := clocks.ahead(now, writer.last, self.zone)):
                    raise ahead
                ends.append(writer.head)
                yield writer
                writer.flush()
                ends.append(writer.head)
        except BaseException:
            self._setups = None  # it may hold a revision that was rolled back
            raise

    def clock_ahead(self) -> ClockAhead | None:
        """What stands against recording by this computer's clock; None where nothing does."""
        with self.store.reading() as connection:
            (last,) = connection.execute("SELECT recorded FROM record ORDER BY seq DESC LIMIT 1").fetchone()
        return None if self.clock_is_right else clocks.ahead(self.clock(), last, self.zone)

    def _keep_head(self, before: Head, after: Head) -> None:
        if after != before:
            outside.keep_head(self.store.path, before, after, self._hash_at)

    def _hash_at(self, record: int) -> str | None:
        return hash_at(self.store.connection, record)

    def append(self, entry: Entry) -> Accepted:
        """Append one entry in a transaction of its own."""
        with self.writer() as writer:
            return self._append(writer, entry)

    def append_revision(self, entry: Entry, *, after: int) -> Accepted:
        """Append a set-up that was made from revision `after`; raises SetupChanged where that is in force no more."""
        with self.writer() as writer:
            if writer.known(entry.sender, entry.id) is None and self.setups().on(entry.values["at"]).revision != after:
                raise SetupChanged(
                    "the set-up was changed by somebody else in the meantime; look at it, then try again"
                )
            return self._append(writer, entry)

    def append_all(self, entries: Iterable[Entry]) -> tuple[list[Accepted | None], list[Refused]]:
        """Append many in one transaction; what is refused is told apart, the rest is kept."""
        accepted: list[Accepted | None] = []
        refused: list[Refused] = []
        entries = list(entries)
        with self.writer() as writer:
            writer.look_up(entries)
            for index, entry in enumerate(entries):
                try:
                    take = self._append if entry.kind in _REVISING else Writer.append
                    accepted.append(take(writer, entry))
                except SandtrackError as problem:
                    accepted.append(None)
                    refused.append(Refused(index, problem))
        return accepted, refused

    def _append(self, writer: Writer, entry: Entry) -> Accepted:
        plant = entry.kind == "plant"
        accepted = writer.append_plant(entry, entry.values["at"]) if plant else writer.append(entry)
        if accepted.new and entry.kind in _REVISING:
            writer.flush()
            writer.setups = self.setups()
        return accepted

    # -- reading ------------------------------------------------------------------------------------------------

    @contextmanager
    def reader(self, known_on: str | None = None) -> Iterator[Reader]:
        """One unchanging picture, as known by the end of a day of the shop, or now."""
        with self.store.reading() as connection:
            yield Reader(connection, self.zone, known_on)

    def head(self) -> Head:
        """How many records there are, and the hash that fixes them."""
        with self.store.reading() as connection:
            seq, value = connection.execute("SELECT seq, hash FROM record ORDER BY seq DESC LIMIT 1").fetchone()
        return Head(seq, value.hex())

    def arrived_since(self, digest: str) -> Arrived | None:
        """What came since the chain ended with a hash; None where that is not among its last so many records."""
        with self.store.reading() as connection:
            head = self.head()
            found = connection.execute(
                "SELECT seq FROM record WHERE seq > ? AND hash = ?",
                (head.records - _LOOKED_BACK, bytes.fromhex(digest)),
            ).fetchone()
            if found is None:
                return None
            rows = connection.execute("SELECT DISTINCT kind FROM record WHERE seq > ?", found).fetchall()
        return Arrived(Head(found[0], digest), head, frozenset(kind for (kind,) in rows))

    def lost(self) -> Head | None:
        """The latest end that the chain once had and has no more, by what is kept beside the file; None if whole."""
        kept = outside.kept(self.store.path)  # first, so that what it names is in what is read after it
        with self.store.reading():
            gone = [head for head in kept.heads if self._hash_at(head.records) != head.digest]
        return max(gone, default=None)

    def verify(self, printed: Iterable[Head] = ()) -> Iterator[Violation]:
        """Everything in the file that is not as it was accepted; `printed` are heads that reports have printed."""
        return iter(Verification(self, printed))


def _brought_by(brought: Brought | None, entry: Entry, marks: list[str]) -> Entry:
    """The entry with what is kept of who brings it."""
    if brought is not None:
        marks = [*marks, *brought.marks_of(entry.values)]
    token = None if brought is None else brought.token
    return entry._replace(token=token, marks=" ".join(marks) or None, brought=brought)


def _as_sent(content: Any, what: str) -> str:
    try:
        return canonical(content)
    except FieldError as problem:
        raise InputErrors([problem], what=what) from None


def _is_date(said: Any) -> bool:
    try:
        times.day(said)
    except (TypeError, ValueError):
        return False
    return True


_REVISING = frozenset({"plant", "reversal"})
"""Kinds after which another set-up may hold."""
_SENDER, _ID = fields.Name(), fields.Name()
_SENDER.name, _ID.name = "sender", "id"


def _name(field: fields.Name, value: Any) -> str:
    try:
        return field.parse(value)
    except FieldError as problem:
        raise InputErrors([problem], what="record") from None
