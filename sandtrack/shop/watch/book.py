"""What the book itself says that deserves a look: stock, cover, counts, levels, late and double records, clocks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

from sandtrack.ledger.brought import AT_ARRIVAL
from sandtrack.records import KINDS, Measured
from sandtrack.shop import cover, stock
from sandtrack.shop.answer import Flag
from sandtrack.shop.circuit.unexplained import difference_flags, unexplained
from sandtrack.shop.picture import Seen
from sandtrack.shop.watch.items import Occurred, occurred
from sandtrack.shop.watch.recent import DAY_US, Recent
from sandtrack.shop.wording import clock, day, several

_MINUTE = 60_000_000
RECORDED_AFTER_MIN = 5.0
"""A record is late only if the count was recorded this much before it: what was loaded together was known together."""


def from_stock(recent: Recent) -> Iterator[Flag | Occurred]:
    """Stock below zero, over safe fill, wrong, blocked, never counted; levels that cannot be, or differ."""
    wrong: set[str] = set()
    for flag in reversed(stock.stock(recent.picture).flags):  # blocks come last: they say who did it and when
        if flag.code == "wrong_material" and flag.subject in wrong:
            continue
        if flag.code == "wrong_material":
            wrong.add(flag.subject)
        yield flag


def from_cover(recent: Recent) -> Iterator[Flag | Occurred]:
    """What is to be ordered, or does not last; what the shop fills itself lasts as long as it goes on doing so."""
    filled = {flow.target for flow in recent.flows if flow.kind in ("reclaim_run", "mix", "transfer")}
    for flag in cover.cover(recent.picture).flags:
        if flag.code == "never_counted":  # the stock says so already
            continue
        if flag.code != "low_cover" or flag.subject not in filled:
            yield flag


def differences(recent: Recent) -> Iterator[Flag | Occurred]:
    """Differences at the window's counts that nothing explains."""
    found = recent.picture.reader.differences(recent.since - 1, recent.picture.at)
    for difference in unexplained(recent.picture, found):
        for flag in difference_flags(recent.picture, [difference]):
            yield Occurred(flag, difference.at)


class _Count(NamedTuple):
    at: int
    seq: int
    place: str
    recorded: int


def _counts(recent: Recent, since: int) -> list[_Count]:
    reader = recent.picture.reader
    rows = reader.connection.execute(
        "SELECT c.at, c.record, c.place, r.recorded FROM count c JOIN record r ON r.seq = c.record "
        "WHERE c.at >= ? AND c.at <= ? AND c.record <= ? "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = c.record AND v.record <= ?) ORDER BY c.at, c.record",
        (since, recent.picture.at, reader.last, reader.last),
    )
    return [_Count(*row) for row in rows]


def late(recent: Recent) -> Iterator[Flag | Occurred]:
    """Records of the window's making that are older than a count which was recorded before them."""
    picture, reader = recent.picture, recent.picture.reader
    first = recent.first_recorded
    rows = reader.connection.execute(
        "SELECT seq, kind, sender, at, recorded FROM record WHERE seq >= ? AND seq <= ? AND at <= ? "
        "AND recorded - at > ? AND kind NOT IN ('plant', 'reversal') "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?)",
        (first, reader.last, picture.at, RECORDED_AFTER_MIN * _MINUTE, reader.last),
    ).fetchall()
    if not rows:
        return
    counts = _counts(recent, min(row[3] for row in rows))
    groups: dict[tuple[str, str, int], list[tuple[int, int, set[str]]]] = {}
    first_counted = min((count.recorded for count in counts), default=picture.at)
    for seq, kind, sender, at, recorded in rows:
        if recorded - first_counted <= RECORDED_AFTER_MIN * _MINUTE:
            continue  # no count was recorded so long before it
        before = [
            count
            for count in counts
            if count.at >= at and count.seq < seq and recorded - count.recorded > RECORDED_AFTER_MIN * _MINUTE
        ]
        touched = _touched(recent, at, seq) if before else set()
        hit = [count for count in before if count.place in touched]
        if hit:
            groups.setdefault((kind, sender, max(count.at for count in hit)), []).append(
                (at, recorded, {count.place for count in hit})
            )
    for (kind, sender, counted), found in groups.items():
        places = sorted(set().union(*(entry[2] for entry in found)))
        names = ", ".join(picture.name("places", place) for place in places)
        days = dict.fromkeys(day(entry[0], picture.zone) for entry in found)
        yield occurred(
            "late",
            f"{several(len(found), kind.replace('_', ' '))} by {sender} of {_span(list(days))} came after the count of "
            f"{day(counted, picture.zone)} had been recorded: today's stock of {names} is unchanged, what that count "
            "did not explain is another figure now",
            places[0],
            at=max(entry[1] for entry in found),
        )


def _touched(recent: Recent, at: int, seq: int) -> set[str]:
    rows = recent.picture.reader.connection.execute(
        "SELECT DISTINCT source, target FROM movement WHERE at = ? AND event = ?", (at, seq)
    )
    return {place for row in rows for place in row}


def _span(days: list[str]) -> str:
    return days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"


def two_counts(recent: Recent) -> Iterator[Flag | Occurred]:
    """Two counts of one place at one instant: the book goes by the last in order of sender and id."""
    picture, reader = recent.picture, recent.picture.reader
    rows = reader.connection.execute(
        "SELECT place, material, at, count(*), min(mass_mg), max(mass_mg) FROM count c WHERE at >= ? AND at <= ? "
        "AND record <= ? AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = c.record AND v.record <= ?) "
        "GROUP BY place, material, at HAVING count(*) > 1",
        (recent.since, picture.at, reader.last, reader.last),
    )
    for place, _, at, counts, low, high in rows:
        yield occurred(
            "two_counts",
            f"{picture.name('places', place)} was counted {counts} times at {clock(at, picture.zone)}, as "
            f"{low / 1e6:,.0f} and {high / 1e6:,.0f} kg: reverse the one that is wrong",
            place,
            at=at,
        )


def count_missing(recent: Recent) -> Iterator[Flag | Occurred]:
    """Places whose next count is overdue."""
    picture = recent.picture
    for key, place in picture.plant.places.items():
        if place.count_every_days is None or not place.material:
            continue
        anchor = picture.reader.anchor(key, place.material, picture.at)
        if anchor is not None and picture.at - anchor.at > place.count_every_days * DAY_US:
            days = (picture.at - anchor.at) // DAY_US
            yield Flag(
                "count_missing",
                f"{picture.name('places', key)} was last counted on {day(anchor.at, picture.zone)}, {days} days ago, "
                f"and is to be counted every {place.count_every_days:g} days",
                key,
            )


def clock_off(recent: Recent) -> Iterator[Flag | Occurred]:
    """Senders whose clock was off."""
    picture, reader = recent.picture, recent.picture.reader
    marks = ", ".join("?" * len(KINDS))
    rows = reader.connection.execute(
        "SELECT sender, count(own_at), max(at), offset_us FROM record WHERE offset_us IS NOT NULL "  # of the latest
        f"AND (marks IS NULL OR NOT instr(marks, '{AT_ARRIVAL}')) "
        f"AND kind IN ({marks}) AND at >= ? AND at <= ? AND seq <= ? GROUP BY sender",
        (*KINDS, recent.since, picture.at, reader.last),
    )
    for sender, records, at, offset in rows:
        fast = "slow" if offset > 0 else "fast"
        yield occurred(
            "clock_off",
            f"the clock of {sender} was {abs(offset) / _MINUTE:,.0f} min {fast} on {clock(at, picture.zone)} "
            f"({several(records, 'record')} corrected): set it",
            sender,
            at=at,
        )


def clock_back(recent: Recent) -> Iterator[Flag | Occurred]:
    """The computer's clock now shows an earlier time than when the last record was taken."""
    picture = recent.picture
    now = picture.ledger.clock()
    (last,) = picture.reader.connection.execute("SELECT recorded FROM record ORDER BY seq DESC LIMIT 1").fetchone()
    if picture.at >= now - _MINUTE and last > now + _MINUTE:
        yield Flag(
            "clock_back",
            f"this computer's clock is {(last - now) / _MINUTE:,.0f} min behind the last record, taken at "
            f"{clock(last, picture.zone)}: set it, for until then every record is stamped with that time",
            "clock",
        )


def in_the_future(recent: Recent) -> Iterator[Flag | Occurred]:
    """Records dated later than they were recorded, by a clock that was not seen to be off."""
    picture, reader = recent.picture, recent.picture.reader
    marks = ", ".join("?" * len(KINDS))
    rows = reader.connection.execute(
        f"SELECT kind, sender, id, at, recorded FROM record WHERE kind IN ({marks}) AND at >= ? AND seq <= ? "
        "AND own_at IS NULL AND at > recorded + ? AND kind NOT IN ('reversal', 'count') "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?) ORDER BY at",
        (*KINDS, recent.since, reader.last, _MINUTE, reader.last),
    )
    for kind, sender, record_id, at, recorded in rows:
        yield occurred(
            "in_the_future",
            f"{kind.replace('_', ' ')} {record_id} by {sender} is dated {clock(at, picture.zone)} and was recorded on "
            f"{clock(recorded, picture.zone)}, before it happened: reverse it and send it again with its time",
            record_id,
            at=recorded,
        )


def double_entry(recent: Recent) -> Iterator[Flag | Occurred]:
    """Two records that look like one event: the same ticket, or the same content within minutes."""
    picture = recent.picture
    within = picture.plant.limits.double_entry_min * _MINUTE
    kinds = ("delivery", "transfer", "reclaim_run", "disposal", "castings", "pour")
    seen_before: dict[tuple[Any, ...], Seen] = {}
    records = sorted(
        [*picture.records(*kinds, since=recent.since), *recent.new_mixes], key=lambda seen: (seen.at, seen.sender)
    )
    for seen in records:
        for key, reach in _likeness(seen, round(within)):
            before = seen_before.get(key)
            seen_before[key] = seen
            if before is None or (reach is not None and seen.at - before.at > reach):
                continue
            if _told_alike(seen) and before.sender == seen.sender:
                continue  # bucket after bucket by one person is work, not a repeat
            why = "bear the same number" if reach is None else "are alike"
            yield occurred(
                "double_entry",
                f"{seen.kind.replace('_', ' ')} {before.id} by {before.sender} of {clock(before.at, picture.zone)} and "
                f"{seen.id} by {seen.sender} of {clock(seen.at, picture.zone)} {why}: if it was one event, reverse one",
                seen.id,
                at=seen.at,
            )
            break


def _likeness(seen: Seen, within: int) -> Iterator[tuple[tuple[Any, ...], int | None]]:
    """What makes a record like another one, and within which time; None for any time."""
    values = seen.values
    for number in ("ticket", "consignment"):
        if number in values:
            yield (seen.kind, number, values[number], values["place"]), None
    yield (seen.kind, *(_frozen(values.get(name)) for name in _SAME[seen.kind])), within


_SAME: Mapping[str, tuple[str, ...]] = {
    "delivery": ("place", "material", "mass_kg", "gross_kg", "tare_kg"),
    "transfer": ("source", "target", "mould", "material", "mass_kg"),
    "mix": ("mixer", "moulds", "destination", "streams"),
    "reclaim_run": ("source", "reclaimer", "fed_kg", "returned_kg"),
    "disposal": ("place", "material", "mass_kg"),
    "castings": ("moulds", "since", "until"),
    "pour": ("moulds",),
}


def _frozen(value: Any) -> Any:
    if isinstance(value, Mapping):
        return tuple(sorted((name, _frozen(entry)) for name, entry in value.items() if name != "lot"))
    if isinstance(value, tuple) and not isinstance(value, Measured):
        return tuple(_frozen(entry) for entry in value)
    return value


def _told_alike(seen: Seen) -> bool:
    return any(isinstance(value, Measured) for value in seen.values.values())


CHECKS: tuple[Callable[[Recent], Iterator[Flag | Occurred]], ...] = (
    from_stock,
    from_cover,
    differences,
    late,
    two_counts,
    count_missing,
    clock_off,
    clock_back,
    in_the_future,
    double_entry,
)
