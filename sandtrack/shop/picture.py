"""What a question is answered from: one unchanging picture of the ledger at an instant, and the set-up then."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary
from zoneinfo import ZoneInfo

from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger import Day, Ledger, Reader, Setups, stored
from sandtrack.ledger.brought import AT_ARRIVAL
from sandtrack.plant import Plant
from sandtrack.records import fields, times

KG = 1e6  # milligrams

Moment = str | datetime | date | None

# Kinds of which every question of setting or stock reads many, and of which a shop has few.
_READ_OFTEN = frozenset(
    {"delivery", "transfer", "hold", "release", "calibration", "sand_test", "strip_check", "temperature"}
)
_MOST_READ = 10_000
_READ_AT_ONCE = 200
_READ: WeakKeyDictionary[Ledger, dict[tuple[str, str], Mapping[str, Any]]] = WeakKeyDictionary()
_TIMED = f"AND (marks IS NULL OR NOT instr(marks, '{AT_ARRIVAL}')) "


class Seen(NamedTuple):
    """A record in force, as read back: `at` in µs, `values` as checked."""

    seq: int
    kind: str
    sender: str
    id: str
    at: int
    recorded: int
    values: Mapping[str, Any]


@dataclass(frozen=True)
class Picture:
    """The ledger and the set-up as a question sees them."""

    ledger: Ledger
    reader: Reader
    setups: Setups
    at: int
    """The instant asked about. [µs since 1970, UTC]"""
    known_on: str | None

    @cached_property
    def day(self) -> Day:
        """The set-up in force."""
        return self.setups.on(self.at)

    @property
    def plant(self) -> Plant:
        return self.day.plant

    @property
    def zone(self) -> ZoneInfo:
        return self.ledger.zone

    @property
    def as_of(self) -> str:
        """The instant asked about, in the shop's time."""
        return times.show(self.at, self.zone)

    @cached_property
    def head(self) -> str:
        """The end of the chain of records, as printed with a report."""
        head = self.ledger.head()
        return f"{head.records} records, {head.digest[:16]}"

    @property
    def today(self) -> date:
        """The shop's day of the instant asked about."""
        return date.fromisoformat(times.day_of(self.at, self.zone))

    def records(
        self,
        *kinds: str,
        since: int | None = None,
        until: int | None = None,
        newest_first: bool = False,
        naming: Collection[str] | None = None,
        lacking: str | None = None,
        timed: bool = False,
    ) -> Iterator[Seen]:
        """Records of some kinds in force (not withdrawn), with `at` in [since, until], in order of happening.

        With `naming`, records whose text holds none of these words are passed over unread; with `lacking`, those that
        have a field whose name begins so. (A quotation mark within a text is written with a backslash before it.)
        With `timed`, also those whose own time could not be: they are booked as they came.
        """
        order = "at DESC, sender DESC, id DESC" if newest_first else "at, sender, id"
        words = None if naming is None else [json.dumps(word, ensure_ascii=False)[1:-1] for word in naming]
        marks = ", ".join("?" * len(kinds))
        rows = self.reader.connection.execute(
            f"SELECT seq, kind, sender, id, at, recorded, content FROM record WHERE kind IN ({marks}) "
            f"AND at >= ? AND at <= ? AND seq <= ? {_TIMED * timed}"
            "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?) "
            f"ORDER BY {order}",
            (
                *kinds,
                -(2**62) if since is None else since,
                self.at if until is None else until,
                self.reader.last,
                self.reader.last,
            ),
        )
        for seq, kind, sender, record_id, at, recorded, content in rows:
            if words is not None and not any(word in content for word in words):
                continue
            if lacking is not None and (f'{{"{lacking}' in content or f',"{lacking}' in content):
                continue
            yield Seen(seq, kind, sender, record_id, at, recorded, self._read(kind, content, seq))

    def _read(self, kind: str, content: str, seq: int) -> Mapping[str, Any]:
        """The content of a record as checked; that of kinds asked for again and again is read once."""
        if kind not in _READ_OFTEN:
            return self._checked(kind, content, seq)
        kept = _READ.setdefault(self.ledger, {})
        values = kept.get((kind, content))
        if values is None:
            if len(kept) >= _MOST_READ:
                kept.clear()
            values = self._checked(kind, content, seq)
            kept[kind, content] = values
        return values

    def _checked(self, kind: str, content: str, seq: int) -> Mapping[str, Any]:
        if kind == "plant":  # a set-up is read by `setups`: of the record itself only when and by whom counts here
            return {}
        # Numbers of canonical text are those that floats print: nothing is lost by reading them as such.
        return stored.values(self.ledger.forms, kind, content, seq)

    def numbered(self, seqs: Iterable[int], *, kinds: Collection[str] | None = None) -> Iterator[Seen]:
        """Records by their place in the chain, in order of happening; those not of `kinds` without content."""
        wanted = list(seqs)
        found = [
            row
            for first in range(0, len(wanted), _READ_AT_ONCE)
            for row in self.reader.connection.execute(
                "SELECT seq, kind, sender, id, at, recorded, content FROM record "
                f"WHERE seq IN ({', '.join('?' * len(wanted[first : first + _READ_AT_ONCE]))})",
                wanted[first : first + _READ_AT_ONCE],
            )
        ]
        for row in sorted(found, key=lambda row: (row[4], row[2], row[3])):
            seq, kind, sender, record_id, at, recorded, content = row
            values = self._checked(kind, content, seq) if kinds is None or kind in kinds else {}
            yield Seen(seq, kind, sender, record_id, at, recorded, values)

    def name(self, section: str, key: str) -> str:
        """What people call a thing of the set-up; its key where it has no name."""
        entry = getattr(self.plant, section).get(key)
        return (entry.name if entry is not None else "") or key

    def working_days_after(self, start: date, days: float) -> date:
        """The day on which so many working days, by the shop's calendar, have passed after `start`."""
        calendar = self.plant.calendar
        holidays = set(calendar.holidays)
        left, current = days, start
        while left > 0 and (current - start).days < 3660:
            current += timedelta(days=1)
            if _weekday(current) in calendar.working_days and current not in holidays:
                left -= 1
        return current

    def working_days(self, first: date, last: date) -> list[date]:
        """Working days from `first` to `last`, both included."""
        calendar = self.plant.calendar
        holidays = set(calendar.holidays)
        days = (first + timedelta(days=step) for step in range((last - first).days + 1))
        return [day for day in days if _weekday(day) in calendar.working_days and day not in holidays]


def _weekday(day: date) -> str:
    return ("mon", "tue", "wed", "thu", "fri", "sat", "sun")[day.weekday()]


@contextmanager
def picture(ledger: Ledger, at: Moment = None, known_on: Moment = None) -> Iterator[Picture]:
    """Open a picture at an instant (default: now), as known by the end of a day (default: now)."""
    setups = ledger.setups()
    instant = ledger.clock() if at is None else moment(at, ledger.zone, "at", fields.DayEndInstant)
    known = None if known_on is None else day_of(known_on, "known_on").isoformat()
    with ledger.reader(known) as reader:
        yield Picture(ledger, reader, setups, instant, known)


def moment(value: Moment, zone: ZoneInfo, label: str, kind: type[fields.Instant]) -> int:
    """Read an instant of a question; raises InputErrors."""
    try:
        if isinstance(value, date) and not isinstance(value, datetime):
            value = value.isoformat()
        if not isinstance(value, str | datetime):
            raise ValueError("is not a time")
        return times.instant(value, zone, whole_day=kind.date_end)
    except ValueError as problem:
        error = FieldError(field=label, value=value, reason=str(problem), accepted=kind.accepted)
        raise InputErrors([error], what="the question") from None


def day_of(value: Moment, label: str) -> date:
    """Read a day of a question; raises InputErrors."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    field = fields.Day()
    field.name = label
    try:
        return field.parse(value)
    except FieldError as problem:
        raise InputErrors([problem], what="the question") from None
