"""Reading the ledger: stock by counts and totals, differences found at counts, what moulds hold, flows."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sandtrack.ledger import standing, stored
from sandtrack.ledger.chain import hash_at
from sandtrack.ledger.entries import squared
from sandtrack.ledger.months import whole_months
from sandtrack.plant import MOULDS
from sandtrack.records import times

LONG_AGO = -(2**62)
ALL = 2**62


Span = tuple[str, str] | tuple[int, int]
"""Whole days, from the first to the last; or a part of a day, in microseconds: after … until."""


class Anchor(NamedTuple):
    """A count in force: from its instant on the book goes by it."""

    at: int
    sender: str
    id: str
    record: int
    mass_mg: int
    error_pct: float | None

    @property
    def error_mg(self) -> float:
        """How far off the count may be, as it says itself; nothing where it does not say."""
        return self.mass_mg * (self.error_pct or 0.0) / 100


class Difference(NamedTuple):
    """What movements do not explain between a count and the one before it (or the beginning)."""

    place: str
    material: str
    at: int
    since: int | None
    """Instant of the count before; None for the first count."""
    counted_mg: int
    booked_mg: int
    record: int
    error_mg: float
    """Stated errors of both counts, which are independent, together."""

    @property
    def mass_mg(self) -> int:
        """Counted less booked."""
        return self.counted_mg - self.booked_mg


class Flow(NamedTuple):
    """Totals of movements of one kind, way, material and measure."""

    kind: str
    source: str
    target: str
    material: str
    measure: str
    revision: int
    records: int
    mass_mg: int
    mass_g2: int


class Reader:
    """Questions to one unchanging picture of the ledger, as known by the end of a day of the shop, or now."""

    def __init__(self, connection: sqlite3.Connection, zone: ZoneInfo, known_on: str | None = None) -> None:
        self.connection = connection
        self.zone = zone
        self.known_day = known_on or "9999-12-31"
        self._cut: dict[tuple[int, int], list[Span]] = {}
        self._days: tuple[int, int] | None = None
        self.last = ALL
        if known_on is not None:
            found = connection.execute(
                "SELECT seq FROM record WHERE recorded_day <= ? ORDER BY seq DESC LIMIT 1", (known_on,)
            ).fetchone()
            self.last = found[0] if found else 0

    def hash_of(self, record: int) -> str | None:
        """Hash of a record as printed; None where there is none."""
        return hash_at(self.connection, record)

    def content(self, seq: int) -> Any:
        """Content of one record, as it was sent."""
        (text,) = self.connection.execute("SELECT content FROM record WHERE seq = ?", (seq,)).fetchone()
        return stored.content(text, seq)

    # -- stock --------------------------------------------------------------------------------------------------

    def holdings(self) -> list[tuple[str, str]]:
        """Every (place, material) that the book has met, moulds and places outside too."""
        return self.connection.execute("SELECT place, material FROM holding ORDER BY place, material").fetchall()

    def stock_mg(self, place: str, material: str, at: int) -> int:
        """Stock of one material in one place at an instant: the last count plus what moved since."""
        anchor = self.anchor(place, material, at)
        if anchor is None:
            return self.net_mg(place, material, LONG_AGO, at)
        return anchor.mass_mg + self.net_mg(place, material, anchor.at, at)

    def anchor(self, place: str, material: str, at: int) -> Anchor | None:
        """The count in force at an instant, if there is one."""
        found = [
            row
            for named in (material, "")
            if (
                row := self.connection.execute(
                    _COUNTS + " AND c.at <= ? ORDER BY c.at DESC, r.sender DESC, r.id DESC LIMIT 1",
                    (place, named, self.last, self.last, at),
                ).fetchone()
            )
        ]
        return max((Anchor(*row) for row in found), key=lambda anchor: anchor[:3], default=None)

    def anchors(self, place: str, material: str, until: int) -> list[Anchor]:
        """All counts in force up to an instant, in order."""
        rows = [
            row
            for named in (material, "")
            for row in self.connection.execute(_COUNTS + " AND c.at <= ?", (place, named, self.last, self.last, until))
        ]
        return sorted(Anchor(*row) for row in rows)

    def net_mg(self, place: str, material: str, after: int, until: int) -> int:
        """What moved in less what moved out, in (after, until]."""
        first, last = self._bounds()
        if after <= LONG_AGO and self.last == ALL and until - first > last - until:  # shorter from the other end
            return self._all_net(place, material) - self.net_mg(place, material, until, ALL)
        total = 0
        for span in self._spans(after, until):
            if isinstance(span[0], str):
                total += self._days_net(place, material, *span)
            else:
                total += self._part_net(place, material, *span)
        return total

    def _all_net(self, place: str, material: str) -> int:
        found = self.connection.execute(
            "SELECT mass_mg FROM holding WHERE place = ? AND material = ?", (place, material)
        ).fetchone()
        return found[0] if found else 0

    def _bounds(self) -> tuple[int, int]:
        """Before and at the end of all days with movements; two equal instants where there are none."""
        if self._days is None:
            first, last = self.connection.execute(
                "SELECT (SELECT min(day) FROM flow), (SELECT max(day) FROM flow)"
            ).fetchone()
            if first is None:
                self._days = (0, 0)
            else:
                self._days = (
                    times.day_start(date.fromisoformat(first), self.zone) - 1,
                    times.day_end(date.fromisoformat(last), self.zone),
                )
        return self._days

    def _days_net(self, place: str, material: str, first: str, last: str) -> int:
        within = (material, first, last, self.known_day)
        (into,) = self.connection.execute(
            "SELECT coalesce(SUM(mass_mg), 0) FROM flow WHERE target = ? AND material = ? "
            "AND day >= ? AND day <= ? AND recorded_day <= ?",
            (place, *within),
        ).fetchone()
        (out,) = self.connection.execute(
            "SELECT coalesce(SUM(mass_mg), 0) FROM flow WHERE source = ? AND material = ? "
            "AND day >= ? AND day <= ? AND recorded_day <= ?",
            (place, *within),
        ).fetchone()
        return int(into - out)

    def _part_net(self, place: str, material: str, after: int, until: int) -> int:
        (net,) = self.connection.execute(
            "SELECT coalesce(SUM(CASE WHEN target = ?1 THEN mass_mg ELSE 0 END) "
            "- SUM(CASE WHEN source = ?1 THEN mass_mg ELSE 0 END), 0) FROM movement "
            "WHERE at > ?3 AND at <= ?4 AND material = ?2 AND record <= ?5",
            (place, material, after, until, self.last),
        ).fetchone()
        return int(net)

    def _spans(self, after: int, until: int) -> list[Span]:
        """Cut (after, until] into whole days, answered by the totals, and parts of days, answered by movements."""
        found = self._cut.get((after, until))
        if found is None:
            found = self._cut[after, until] = list(self._cut_up(after, until))
        return found

    def _cut_up(self, after: int, until: int) -> Iterator[Span]:
        begin, end = self._bounds()
        start, stop = max(after, begin), min(until, end)
        if stop <= start:
            return
        first, last = times.day_of(start + 1, self.zone), times.day_of(stop, self.zone)
        head = times.day_start(date.fromisoformat(first), self.zone) - 1 != start and self._moved(
            times.day_start(date.fromisoformat(first), self.zone) - 1, start
        )
        day_end = times.day_end(date.fromisoformat(last), self.zone)
        tail = stop != day_end and self._moved(stop, day_end)
        if first == last:
            yield (start, stop) if head or tail else (first, last)
            return
        whole_from, whole_to = first, last
        if head:
            rest = times.day_end(date.fromisoformat(first), self.zone)
            yield (start, rest)
            whole_from = times.day_of(rest + 1, self.zone)
        if tail:
            before = times.day_start(date.fromisoformat(last), self.zone) - 1
            yield (before, stop)
            whole_to = times.day_of(before, self.zone)
        if whole_from <= whole_to:
            yield (whole_from, whole_to)

    def _moved(self, after: int, until: int) -> bool:
        return (
            self.connection.execute(
                "SELECT 1 FROM movement WHERE at > ? AND at <= ? LIMIT 1", (after, until)
            ).fetchone()
            is not None
        )

    def drawn_by_day(self, place: str, material: str, first: str, last: str) -> dict[str, int]:
        """What was drawn out of a place for use (mixes, transfers, reclaim runs), by day of the shop. [mg]"""
        return dict(
            self.connection.execute(
                "SELECT day, SUM(mass_mg) FROM flow WHERE source = ? AND material = ? AND day >= ? AND day <= ? "
                "AND recorded_day <= ? AND kind IN ('mix', 'transfer', 'reclaim_run') AND target <> 'conversion' "
                "GROUP BY day",
                (place, material, first, last, self.known_day),
            ).fetchall()
        )

    def measured(self, place: str, material: str, after: int | None, until: int) -> list[tuple[str, float, float]]:
        """What moved in or out since, told in the shop's own measures: (measure, kg, kg squared summed)."""
        totals: dict[str, list[float]] = {}
        for span in self._spans(LONG_AGO if after is None else after, until):
            if isinstance(span[0], str):
                rows = self.connection.execute(
                    "SELECT measure, mass_mg, mass_g2 FROM flow WHERE measure <> '' AND material = ? AND day >= ? "
                    "AND day <= ? AND recorded_day <= ? AND ? IN (source, target)",
                    (material, *span, self.known_day, place),
                ).fetchall()
            else:
                found = self._part_flows(*span, _MEASURED, (material, place))
                rows = [(measure, mass, square) for _, _, _, _, measure, _, _, mass, square in found]
            for measure, mass, square in rows:
                total = totals.setdefault(measure, [0.0, 0.0])
                total[0] += mass / 1e6
                total[1] += square / 1e6
        return [(measure, *total) for measure, total in sorted(totals.items())]  # type: ignore[misc]

    # -- blocks -------------------------------------------------------------------------------------------------

    def causes(self, at: int) -> list[tuple[int, str, str, str, int]]:
        """What records in force up to an instant block and release, in order of happening.

        (record, what, key, code, set-up it was booked with)
        """
        return self.connection.execute(
            "SELECT b.record, b.what, b.key, b.code, r.revision FROM block b JOIN record r ON r.seq = b.record "
            "WHERE r.at <= ?1 AND b.record <= ?2 "
            "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = b.record AND v.record <= ?2) "
            "ORDER BY b.code = 'held' DESC, r.at, r.sender, r.id",
            (at, self.last),
        ).fetchall()

    # -- counts -------------------------------------------------------------------------------------------------

    def differences(self, since: int, until: int) -> list[Difference]:
        """Differences that belong to counts in (since, until], by place, material and time."""
        found: list[Difference] = []
        for place, material in self.holdings():
            before: Anchor | None = None
            for anchor in self.anchors(place, material, until):
                if anchor.at > since:
                    booked = before.mass_mg if before else 0
                    booked += self.net_mg(place, material, before.at if before else LONG_AGO, anchor.at)
                    error = math.hypot(before.error_mg if before else 0.0, anchor.error_mg)
                    since_before = before.at if before else None
                    difference = Difference(
                        place, material, anchor.at, since_before, anchor.mass_mg, booked, anchor.record, error
                    )
                    if before is not None or difference.mass_mg or anchor.mass_mg:
                        found.append(difference)
                before = anchor
        return found

    # -- moulds -------------------------------------------------------------------------------------------------

    def mould_contents_mg(self, at: int | None = None) -> dict[str, dict[str, int]]:
        """What each mould holds at an instant (or by all that is booked): mould → material → mass."""
        until = ALL if at is None else at
        if self.last == ALL and not self._moved(until, ALL):
            return standing.held_now(self.connection)
        return standing.held_at(self.connection, until, self.last)

    def filled_with(self, moulds: Iterable[str], at: int) -> set[str]:
        """Materials that went into some moulds since each was last emptied before an instant."""
        materials: set[str] = set()
        for mould in moulds:
            rows = self.connection.execute(
                "SELECT DISTINCT m.material FROM movement m WHERE m.mould = ?1 AND m.at <= ?2 AND m.target = ?3 "
                "AND m.record <= ?4 AND m.at > coalesce((SELECT max(e.at) FROM ending e WHERE e.mould = ?1 "
                "AND e.at < ?2 AND e.record <= ?4 "
                "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = e.record AND v.record <= ?4)), ?5)",
                (mould, at, MOULDS, self.last, LONG_AGO),
            )
            materials |= {row[0] for row in rows}
        return materials

    # -- flows --------------------------------------------------------------------------------------------------

    def flows(self, after: int, until: int) -> list[Flow]:
        """Totals of movements in (after, until], by kind, way, material and measure."""
        totals: dict[tuple[Any, ...], list[int]] = {}
        for span in self._spans(after, until):
            rows = self._days_flows(*span) if isinstance(span[0], str) else self._part_flows(*span)
            for *key, records, mass, squares in rows:
                total = totals.setdefault(tuple(key), [0, 0, 0])
                total[0] += records
                total[1] += mass
                total[2] += squares
        return [Flow(*key, *total) for key, total in sorted(totals.items()) if any(total)]

    def _days_flows(self, first: str, last: str) -> list[tuple[Any, ...]]:
        """Totals of whole days: of whole months within them as one, where everything recorded counts."""
        months = whole_months(first, last) if self.last == ALL else None
        if months is None:
            return self._sum_days(first, last)
        rows = self.connection.execute(
            "SELECT kind, source, target, material, measure, revision, SUM(records), SUM(mass_mg), "
            "SUM(mass_g2_millions), SUM(mass_g2_rest) FROM flow_month WHERE month >= ? AND month <= ? "
            "GROUP BY kind, source, target, material, measure, revision",
            (months.first, months.last),
        ).fetchall()
        found = [(*key, 1_000_000 * millions + rest) for *key, millions, rest in rows]
        if first < months.first:
            found += self._sum_days(first, months.day_before)
        if months.day_after <= last:
            found += self._sum_days(months.day_after, last)
        return found

    def _sum_days(self, first: str, last: str) -> list[tuple[Any, ...]]:
        # Squares are added in two parts: those of many years may be more than SQLite's integers hold.
        rows = self.connection.execute(
            "SELECT kind, source, target, material, measure, revision, SUM(records), SUM(mass_mg), "
            "SUM(mass_g2 / 1000000), SUM(mass_g2 % 1000000) FROM flow "
            "WHERE day >= ? AND day <= ? AND recorded_day <= ? "
            "GROUP BY kind, source, target, material, measure, revision",
            (first, last, self.known_day),
        ).fetchall()
        return [(*key, 1_000_000 * millions + rest) for *key, millions, rest in rows]

    def _part_flows(
        self, after: int, until: int, only: str = "", values: tuple[str, ...] = ()
    ) -> list[tuple[Any, ...]]:
        """The totals of a part of a day, worked out from its movements as the writer does for whole days."""
        rows = self.connection.execute(
            "SELECT r.kind, m.source, m.target, m.material, coalesce(m.measure, ''), "
            "CASE WHEN m.measure IS NULL THEN 0 ELSE r.revision END, m.event, SUM(m.mass_mg), "
            "MAX(m.record = m.event AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = m.event AND v.record <= ?3)) "
            "FROM movement m JOIN record r ON r.seq = m.event WHERE m.at > ?1 AND m.at <= ?2 AND m.record <= ?3 "
            f"{only} GROUP BY m.event, m.source, m.target, m.material, m.mould, m.measure",
            (after, until, self.last, *values),
        ).fetchall()
        found: list[tuple[Any, ...]] = []
        seen: set[tuple[Any, ...]] = set()
        for *key, event, mass, live in rows:
            line = (event, *key)
            found.append((*key, 0 if line in seen or not live else 1, mass, squared(mass)))
            if live:
                seen.add(line)
        return found


_MEASURED = "AND m.measure IS NOT NULL AND m.material = ?4 AND ?5 IN (m.source, m.target)"
_COUNTS = (
    "SELECT c.at, r.sender, r.id, c.record, c.mass_mg, c.error_pct FROM count c JOIN record r ON r.seq = c.record "
    "WHERE c.place = ? AND c.material = ? AND c.record <= ? "
    "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = c.record AND v.record <= ?)"
)
