"""Checking a shop file: everything in it that is not what was accepted, as far as the file can still be read.

Each check walks the file in the order of an index, so that memory does not grow with the ledger.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from decimal import Decimal
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING

import orjson

from sandtrack.errors import FieldError, InputErrors, SandtrackError
from sandtrack.ledger import chain, derived, faults, migrations
from sandtrack.ledger.chain import GENESIS, chained
from sandtrack.ledger.entries import squared
from sandtrack.ledger.picture import Picture, Row, Violation, differs, flow_named, named, shown, side_by_side
from sandtrack.ledger.views import zone_offsets
from sandtrack.plant import MOULDS, Plant
from sandtrack.records import canonical, times

if TYPE_CHECKING:
    pass

Check = Callable[[Picture], Iterator[Violation]]
_SHOWN_EVERY = 500


def as_far_as_possible(check: Check, picture: Picture) -> Iterator[Violation]:
    """What a check finds, and that it could not go on: on what a damaged file holds, any step of it may fail."""
    try:
        yield from check(picture)
    except Exception as problem:
        if not faults.unforeseen(problem) and not isinstance(problem, SandtrackError | faults.Unreadable):
            raise
        what = (getattr(check, "func", check).__doc__ or "").split(":")[0]
        reason = str(problem) if isinstance(problem, sqlite3.Error | SandtrackError) else repr(problem)
        yield Violation("unreadable", shown(f"{what} cannot be checked to the end: {reason}"), "file")


# -- the file ---------------------------------------------------------------------------------------------------


def _pages(picture: Picture) -> Iterator[Violation]:
    """The pages of the file: whole, every index complete, every reference there."""
    try:
        yield from _damage(picture, "1000", "file")
    except sqlite3.DatabaseError:  # too much of it to be listed: which tables are whole can be told all the same
        for (table,) in picture.connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            try:
                yield from _damage(picture, "'{}'".format(table.replace("'", "''")), f"table {table}")
            except sqlite3.DatabaseError:
                yield Violation("damaged", "cannot be read to the end", f"table {table}")
    for table, row, parent, _ in picture.connection.execute("PRAGMA foreign_key_check"):
        yield Violation("orphan", f"names a {parent} that is not there", f"{table} row {row or '?'}")


def _damage(picture: Picture, of: str, subject: str) -> Iterator[Violation]:
    found = [text for (text,) in picture.connection.execute(f"PRAGMA integrity_check({of})") if text != "ok"]
    for text in found:
        yield Violation("damaged", text, subject)


def _schema(picture: Picture) -> Iterator[Violation]:
    """Tables, indexes and triggers: as the migrations made them, and no trigger besides."""
    query = "SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT GLOB '_sqlite_migrations*'"
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as model:
        migrations.apply(model, migrations.applied(picture.connection))  # all, where the file could be migrated
        wanted = {(kind, name): sql for kind, name, sql in model.execute(query)}
    found = {(kind, name): sql for kind, name, sql in picture.connection.execute(query)}
    for (kind, name), sql in wanted.items():
        if (kind, name) not in found:
            yield Violation("schema_missing", f"the {kind} {name} is missing", f"{kind} {name}")
        elif found[kind, name] != sql:
            yield Violation("schema_changed", f"the {kind} {name} is not as it was made", f"{kind} {name}")
    for kind, name in found:
        if kind == "trigger" and (kind, name) not in wanted:
            yield Violation("schema_added", f"the trigger {name} was added", f"trigger {name}")


# -- the chain --------------------------------------------------------------------------------------------------


def chain_of_records(picture: Picture) -> Iterator[Violation]:
    """The chain of records: none missing, times in order, each as its hash says, each still passing its checks."""
    last, recorded, possible, version = 0, -(2**63), [GENESIS], chain.FIRST
    for row in _records(picture):
        seq, subject = row[0], named(row[0], row[2], row[3])
        if seq != last + 1:
            span = f"record {last + 1}" if seq == last + 2 else f"records {last + 1} to {seq - 1}"
            yield Violation("record_missing", f"{span}: not in the file", f"record {last + 1}")
        elif row[11] not in (hashes := [_hash(before, row) for before in possible]):
            yield Violation("hash", "its content, times or names are not those its hash was made of", subject)
            possible = hashes  # the next one is right if it follows from the hash that this one should have
        else:
            possible = []
        possible = [row[11], *filter(None, possible)]
        if not version <= row[15] <= chain.VERSION or (row[15] == chain.FIRST and row[12:] != chain.NOTHING_BROUGHT):
            yield Violation("version", "it does not say as it should how its hash was made", subject)
        version = row[15]
        if row[7] < recorded:
            yield Violation("recorded_backwards", "was recorded before the record before it", subject)
        if row[8] != times.day_of(row[7], picture.zone):
            yield Violation("recorded_day", f"{row[8]} is not the shop's day of its recording", subject)
        for digest, file in picture.heads.get(seq, ()):
            if not row[11].hex().startswith(digest):
                where = f"that {file} keeps" if file else "that was printed"
                yield Violation("head_kept" if file else "printed", f"its hash is not the one {where}", subject)
        for reason in _content(picture, row[1], row[10]) if seq > picture.since else ():
            yield Violation("content", reason, subject)
        last, recorded = seq, row[7]
        if seq % _SHOWN_EVERY == 0:
            picture.done(seq)
    for records, (*_, (_, file)) in picture.heads.items():
        if records > last and file:
            text = (
                f"the file ends at record {last}, and there were {records} by {file}: what came after record {last} "
                "was lost. Restore a backup that has it, or record it again"
            )
            yield Violation("cut_off", text, f"records {last + 1} to {records}")
        elif records > last:
            text = f"the file ends at record {last}, a report was printed at {records}"
            yield Violation("printed", text, f"record {records}")
        elif records < 1:
            yield Violation("printed", "no head has so few records", f"record {records}")


def _records(picture: Picture) -> Iterator[Row]:
    """All records in order; where the file ends to be readable, the error says after which one."""
    last = 0
    try:
        for row in picture.connection.execute(f"SELECT {chain.SENT}, hash, {chain.BROUGHT} FROM record ORDER BY seq"):
            yield row
            last = row[0]
    except sqlite3.DatabaseError as problem:
        raise sqlite3.DatabaseError(f"{problem}, after record {last}") from problem


def _hash(before: bytes, row: Row) -> bytes:
    try:
        return chained(before, row[:11], row[12:])
    except orjson.JSONEncodeError:  # no text any more, so no hash either
        return b""


def _content(picture: Picture, kind: str, text: str) -> Iterator[str]:
    try:
        content = json.loads(text, parse_float=Decimal)
        if canonical(content) != text:
            yield "its content is not in canonical form"
    except (ValueError, FieldError, RecursionError) as problem:
        yield f"its content is not JSON: {shown(str(problem))}"
        return
    if not isinstance(content, dict):
        yield "its content is not an object with fields"
        return
    try:
        if kind == "plant":
            zone = Plant.read(content, stored=True).shop.time_zone
            if zone != picture.zone.key:
                yield f"its time zone {zone} is not {picture.zone.key}, which the file says the shop has"
        else:
            picture.forms.require(kind, content)
    except (InputErrors, FieldError) as problem:
        yield f"its content does not pass its checks: {shown(str(problem))}"


def _zone(picture: Picture) -> Iterator[Violation]:
    """The shop's time zone, as its first set-up says, and when its clocks change by that, up to the last record."""
    settings = picture.connection.execute("SELECT name, value FROM setting ORDER BY name").fetchall()
    (first,) = picture.connection.execute("SELECT content FROM record WHERE seq = 1").fetchone()
    if settings != [("time_zone", json.loads(first)["shop"]["time_zone"].strip())]:
        text = f"are {shown(str(dict(settings)))}, not what the first set-up says"
        yield Violation("setting", text, "settings")
    (last,) = picture.connection.execute("SELECT coalesce(max(recorded), 0) FROM record").fetchone()
    query = "SELECT since, offset_s FROM zone_offset WHERE since <= ? ORDER BY since"
    found = picture.connection.execute(query, (last,)).fetchall()
    if found != [change for change in zone_offsets(picture.zone) if change[0] <= last]:
        yield Violation("zone_offset", f"are not those of {picture.zone.key}", "offsets to UTC")


# -- totals -----------------------------------------------------------------------------------------------------


def _flows(picture: Picture) -> Iterator[Violation]:
    """The totals of each day: the sums of its movements, and what goes through conversion comes out again."""
    movements = picture.connection.execute(
        "SELECT m.at, m.record, m.event, m.source, m.target, m.material, m.mass_mg, m.mould, coalesce(m.measure, ''), "
        "e.kind, e.revision, e.recorded_day, r.recorded_day, w.recorded_day FROM movement m "
        "LEFT JOIN record e ON e.seq = m.event LEFT JOIN record r ON r.seq = m.record "
        "LEFT JOIN reversal v ON v.of = m.event LEFT JOIN record w ON w.seq = v.record ORDER BY m.at, m.record"
    )
    by_day = groupby(movements, lambda row: times.day_of(row[0], picture.zone))
    totals = groupby(picture.connection.execute("SELECT * FROM flow ORDER BY day"), itemgetter(0))
    summed = ((day, *_summed(rows)) for day, rows in by_day)
    kept = ((day, {row[1:8]: row[8:] for row in rows if any(row[8:])}) for day, rows in totals)
    for day, ours, theirs in side_by_side(kept, summed, 1):
        sums, through = theirs[1:] if theirs else ({}, {})
        flows = ours[1] if ours else {}
        for key in sorted({*sums, *flows}, key=str):
            kept_total, total = flows.get(key, (0, 0, 0)), tuple(sums.get(key, (0, 0, 0)))
            if kept_total != total:
                names = ("records", "mass_mg", "mass_g2")
                yield Violation("flow", differs(names, kept_total, total), flow_named(day[0], key))
        for record, net in through.items():
            if net:
                yield Violation("conversion", f"leaves {net} mg in conversion", picture.subject(record))


def _summed(rows: Iterable[Row]) -> tuple[dict[Row, list[int]], dict[int, int]]:
    """Totals of one day's movements by key, and what each record leaves in conversion."""
    totals: dict[Row, list[int]] = {}
    lines: dict[Row, int] = {}
    counted: set[Row] = set()
    through: dict[int, int] = {}

    def add(key: Row, records: int, mass: int, square: int) -> None:
        total = totals.setdefault(key, [0, 0, 0])
        for index, more in enumerate((records, mass, square)):
            total[index] += more

    for _, record, event, *way, mass, mould, measure, kind, revision, event_day, record_day, back_day in rows:
        key = (*way, kind, measure, revision if measure else 0)
        before = lines.get((event, mould, *key), 0)
        after = lines[event, mould, *key] = before + mass
        add((*key, record_day), 0, mass, squared(after) - squared(before))
        if record == event and (event, *key) not in counted:
            counted.add((event, *key))
            add((*key, event_day), 1, 0, 0)
            if back_day is not None:
                add((*key, back_day), -1, 0, 0)
        if "conversion" in way:
            through[record] = through.get(record, 0) + (mass if way[1] == "conversion" else -mass)
    return {key: total for key, total in totals.items() if any(total)}, through


def _moulds(picture: Picture) -> Iterator[Violation]:
    """What moulds hold: the sums of their movements."""
    movements = picture.connection.execute(
        "SELECT mould, material, CASE WHEN target = ? THEN mass_mg ELSE -mass_mg END FROM movement "
        "WHERE mould IS NOT NULL ORDER BY mould",
        (MOULDS,),
    )
    kept = picture.connection.execute("SELECT mould, material, mass_mg FROM mould_content ORDER BY mould")
    told = ((mould, _held(rows)) for mould, rows in groupby(kept, itemgetter(0)))
    summed = ((mould, _held(rows)) for mould, rows in groupby(movements, itemgetter(0)))
    for (mould,), ours, theirs in side_by_side(told, summed, 1):
        held, moved = (side[1] if side else {} for side in (ours, theirs))
        for material in sorted({*held, *moved}):
            if held.get(material, 0) != moved.get(material, 0):
                text = f"holds {held.get(material, 0)} mg of {material}, its movements say {moved.get(material, 0)} mg"
                yield Violation("mould_content", text, f"mould {shown(mould)}")


def _held(rows: Iterable[Row]) -> dict[str, int]:
    held: dict[str, int] = {}
    for _, material, mass in rows:
        held[material] = held.get(material, 0) + mass
    return held


CHECKS: tuple[Check, ...] = (
    _pages,
    _schema,
    chain_of_records,
    _zone,
    _flows,
    _moulds,
    derived.months,
    derived.lives,
)
AGAIN: tuple[Check, ...] = (_pages, _schema, chain_of_records, _zone, derived.months, derived.lives)
"""Before the rows are compared with those of the run before, totals and moulds too."""
