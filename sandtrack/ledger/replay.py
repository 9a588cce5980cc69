"""Appending all records of a shop file to a new one, as they were once appended, and comparing what they lead to."""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from decimal import Decimal
from itertools import groupby
from operator import itemgetter
from pathlib import Path

from sandtrack.errors import SandtrackError, ShopFileError
from sandtrack.ledger.chain import BROUGHT
from sandtrack.ledger.entries import Entry
from sandtrack.ledger.picture import Picture, Row, Violation, differs, flow_named, shown, side_by_side
from sandtrack.ledger.setups import Setups
from sandtrack.ledger.store import Store
from sandtrack.ledger.writing import Writer
from sandtrack.plant import Plant
from sandtrack.records import times

_FLUSH_EVERY = 5000
_SHOWN_EVERY = 500


def _append_all(picture: Picture, store: Store) -> Iterator[Violation]:
    """Fill a new, passing shop file; complain of each record that is not accepted this time."""
    # What is lost when the machine stops is a copy, so it need not be safe, and no transaction is ever taken back.
    for pragma in ("journal_mode=OFF", "synchronous=OFF"):
        store.connection.execute(f"PRAGMA {pragma}")
    rows = picture.connection.execute(
        "SELECT seq, kind, sender, id, own_at, offset_us, recorded, recorded_day, content, hash, "
        f"{BROUGHT} FROM record WHERE seq > ? ORDER BY seq",
        (picture.since,),
    )
    (total,) = picture.connection.execute("SELECT max(seq) FROM record").fetchone()
    with store.writing() as connection:
        setups = Setups.load(connection) if picture.since else Setups([])
        writer = Writer(connection, picture.forms, setups, picture.zone, 0)
        writer.replaying = True
        before = writer.hash
        for seq, kind, sender, record_id, own_at, offset_us, recorded, day, text, digest, *brought in rows:
            writer.seq, writer.hash = seq - 1, before
            if day != writer.today:  # totals are written under the day on which they were recorded
                writer.flush()
            writer.now, writer.today = recorded, day
            writer.pending.today = day
            before = digest
            try:
                _append(writer, Entry(kind, sender, record_id, text, {}, own_at, offset_us, *brought))
            except SandtrackError as problem:
                yield Violation("not_accepted", f"would not be accepted: {problem}", picture.subject(seq))
            if seq % _FLUSH_EVERY == 0:
                writer.flush()
            if seq % _SHOWN_EVERY == 0:
                picture.done(total + seq)
        writer.flush()


def _append(writer: Writer, entry: Entry) -> None:
    content = json.loads(entry.text, parse_float=Decimal)
    if entry.kind == "plant":
        writer.append_plant(entry, times.day_start(Plant.read(content, stored=True).shop.valid_from, writer.zone))
    else:
        writer.append(entry._replace(values=writer.forms.require(entry.kind, content)))
    if entry.kind in ("plant", "reversal"):
        writer.flush()
        writer.setups = Setups.load(writer.connection)


def replayed(
    picture: Picture, copy: Path | None = None, done: Callable[[Path], None] = lambda _: None
) -> Iterator[Violation]:
    """The replay of all records: it gives the same movements, counts, endings and totals as the file has.

    With a `copy` of the replay up to `picture.since` only the records after that are appended to it. `done` gets the
    file that the replay made, when it was compared.
    """
    with tempfile.TemporaryDirectory(prefix="sandtrack-verify-") as folder:
        path = Path(folder) / "replay.shop"
        store = _begun(path, picture, copy)
        try:
            yield from _append_all(picture, store)
            again = store.connection
            yield from _movements(picture, again)
            for table, keys in _KEYED.items():
                order = ", ".join(str(column + 1) for column in range(keys))
                query = f"SELECT * FROM {table} ORDER BY {order}"
                ours_all, theirs_all = picture.connection.execute(query), again.execute(query)
                names = [column[0] for column in ours_all.description]
                for key, ours, theirs in side_by_side(ours_all, theirs_all, keys):
                    if ours != theirs and (table != "flow" or any((ours or theirs or ())[keys:])):
                        text = differs(names[keys:], ours and ours[keys:], theirs and theirs[keys:])
                        yield Violation(table, text, _row_named(picture, table, key, ours or theirs))
        finally:
            store.close()
        done(path)


def _begun(path: Path, picture: Picture, copy: Path | None) -> Store:
    """The file to append to: a new one, or a copy of the one that ends at the record to go on from."""
    if copy is None:
        return Store(path, create=True)
    try:
        shutil.copyfile(copy, path)
    except OSError as problem:
        raise ShopFileError(f"{copy} cannot be read ({problem.strerror})", path=copy, fault="not_opened") from problem
    store = Store(path, only_read=True)
    store.read_only, store.alone = "", True
    (sound,) = store.connection.execute("PRAGMA quick_check(1)").fetchone()
    (last,) = store.connection.execute("SELECT max(seq) FROM record").fetchone()
    if sound != "ok" or last != picture.since:
        store.close()
        raise ShopFileError(f"{copy} is not what the last verify left", path=copy, fault="damaged")
    return store


# Tables with the number of their first columns that make the key; walked in the order of that key.
_KEYED = {
    "record": 1,
    "count": 1,
    "reversal": 1,
    "revision": 1,
    "ending": 4,
    "flow": 8,
    "block": 3,
    "holding": 2,
    "mould_content": 2,
}


def _movements(picture: Picture, again: sqlite3.Connection) -> Iterator[Violation]:
    """Compare movements record by record, in the order in which they were written."""
    # A table without its indexes is walked in the order in which its rows were written.
    query = "SELECT record, event, at, source, target, material, mass_mg, mould, measure FROM movement NOT INDEXED"
    out_of_order: list[Row] = []

    def ascending() -> Iterator[Row]:
        last = 0
        for row in picture.connection.execute(query):
            if row[0] < last:
                out_of_order.append(row)
            else:
                last = row[0]
                yield row

    written, due = (
        ((record, Counter(rows)) for record, rows in groupby(side, itemgetter(0)))
        for side in (ascending(), again.execute(query))
    )
    for (record,), ours, theirs in side_by_side(written, due, 1):
        mine, wanted = (side[1] if side else Counter[Row]() for side in (ours, theirs))
        for row in out_of_order:
            yield Violation("movement", f"{_move(row)} was not written by it", picture.subject(row[0]))
        out_of_order.clear()
        for row in mine - wanted:
            yield Violation("movement", f"{_move(row)} does not follow from it", picture.subject(record))
        for row in wanted - mine:
            yield Violation("movement", f"{_move(row)} is missing", picture.subject(record))
    for row in out_of_order:
        yield Violation("movement", f"{_move(row)} was not written by it", picture.subject(row[0]))


def _move(row: Row) -> str:
    mould = f" (mould {row[7]})" if row[7] else ""
    return shown(f"the movement of {row[6]} mg {row[5]} {row[3]} → {row[4]}{mould}")


def _row_named(picture: Picture, table: str, key: Row, row: Row | None) -> str:
    if table == "flow":
        return flow_named(key[0], key[1:])
    if table in ("holding", "mould_content"):
        return shown(f"{table.replace('_', ' ')} {key[0]} {key[1]}")
    return picture.subject(row[-1] if row and table in ("ending", "reversal") else key[0])
