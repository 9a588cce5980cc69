"""The shop file's tables, as numbered migrations in SQL. A migration that has been released is never edited."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Mapping
from typing import Any

from sandtrack.ledger import views
from sandtrack.plant import MOULDS

_APPEND_ONLY = ("setting", "record", "movement", "count", "ending", "reversal", "revision", "block", "zone_offset")

_TABLES = """
CREATE TABLE setting (
  name TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- What was sent, in the order in which it was accepted. Times are microseconds since 1970, UTC.
CREATE TABLE record (
  seq INTEGER PRIMARY KEY CHECK (seq > 0),
  kind TEXT NOT NULL,
  sender TEXT NOT NULL CHECK (sender <> ''),
  id TEXT NOT NULL CHECK (id <> ''),
  at INTEGER NOT NULL,
  own_at INTEGER,                       -- by the sender's clock, where that was off
  offset_us INTEGER,                    -- how far the sender's clock was seen to be off
  recorded INTEGER NOT NULL,
  recorded_day TEXT NOT NULL,
  revision INTEGER NOT NULL,            -- record of the set-up it was booked with; 0 for the first one itself
  content TEXT NOT NULL CHECK (content <> ''),
  hash BLOB NOT NULL CHECK (length(hash) = 32),
  UNIQUE (sender, id)
) STRICT;
CREATE INDEX record_kind_at ON record (kind, at);

-- An exact mass of one material from one place to another. `event` is the record whose movement it is, `record` the
-- one that wrote it: they differ where a reversal takes a movement back or a late record completes an ending.
-- The names of SQLite's own row number are taken, so that no row can be written over by its number
-- (sqlite.org/lang_createtable.html#rowid): a trigger that looks for one costs as much as two indexes.
CREATE TABLE movement (
  record INTEGER NOT NULL REFERENCES record (seq),
  event INTEGER NOT NULL REFERENCES record (seq),
  at INTEGER NOT NULL,
  source TEXT NOT NULL,
  target TEXT NOT NULL,
  material TEXT NOT NULL,
  mass_mg INTEGER NOT NULL CHECK (mass_mg <> 0),
  mould TEXT,
  measure TEXT,
  rowid INTEGER AS (NULL) VIRTUAL,
  oid INTEGER AS (NULL) VIRTUAL,
  _rowid_ INTEGER AS (NULL) VIRTUAL,
  CHECK (source <> target)
) STRICT;
CREATE INDEX movement_at ON movement (at);
CREATE INDEX movement_mould ON movement (mould, at) WHERE mould IS NOT NULL;

-- Counts anchor: from here on the book goes by this. An empty material means every material of the place.
CREATE TABLE count (
  record INTEGER PRIMARY KEY REFERENCES record (seq),
  place TEXT NOT NULL,
  material TEXT NOT NULL,
  at INTEGER NOT NULL,
  mass_mg INTEGER NOT NULL CHECK (mass_mg >= 0),
  error_pct REAL
) STRICT;
CREATE INDEX count_place ON count (place, material, at);

-- Knock-outs and scrapped moulds, one row a mould.
CREATE TABLE ending (
  mould TEXT NOT NULL,
  at INTEGER NOT NULL,
  sender TEXT NOT NULL,
  id TEXT NOT NULL,
  record INTEGER NOT NULL REFERENCES record (seq),
  PRIMARY KEY (mould, at, sender, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE reversal (
  of INTEGER PRIMARY KEY REFERENCES record (seq),
  record INTEGER NOT NULL UNIQUE REFERENCES record (seq)
) STRICT;

CREATE TABLE revision (
  record INTEGER PRIMARY KEY REFERENCES record (seq),
  valid_from INTEGER NOT NULL
) STRICT;

-- Totals of the movements, by the shop's days; all moulds are one place. Squares are in whole grams squared.
CREATE TABLE flow (
  day TEXT NOT NULL,
  source TEXT NOT NULL,
  target TEXT NOT NULL,
  material TEXT NOT NULL,
  kind TEXT NOT NULL,
  measure TEXT NOT NULL,
  revision INTEGER NOT NULL,
  recorded_day TEXT NOT NULL,
  records INTEGER NOT NULL,
  mass_mg INTEGER NOT NULL,
  mass_g2 INTEGER NOT NULL,
  PRIMARY KEY (day, source, target, material, kind, measure, revision, recorded_day)
) STRICT, WITHOUT ROWID;
CREATE INDEX flow_in ON flow (target, material, day, recorded_day, mass_mg);
CREATE INDEX flow_out ON flow (source, material, day, recorded_day, mass_mg);
CREATE INDEX flow_measured ON flow (material, day) WHERE measure <> '';

-- Every (place, material) that the book has met, and what all movements leave there.
CREATE TABLE holding (
  place TEXT NOT NULL,
  material TEXT NOT NULL,
  mass_mg INTEGER NOT NULL,
  PRIMARY KEY (place, material)
) STRICT, WITHOUT ROWID;

-- What a record blocks, or releases again: a place, lot or mould.
CREATE TABLE block (
  record INTEGER NOT NULL REFERENCES record (seq),
  what TEXT NOT NULL,
  code TEXT NOT NULL,
  key TEXT NOT NULL,
  PRIMARY KEY (record, what, code)
) STRICT, WITHOUT ROWID;

-- What each open mould contains by all that is booked.
CREATE TABLE mould_content (
  mould TEXT NOT NULL,
  material TEXT NOT NULL,
  mass_mg INTEGER NOT NULL,
  PRIMARY KEY (mould, material)
) STRICT, WITHOUT ROWID;
"""


def _guards(table: str) -> str:
    refuse = f"SELECT RAISE(ABORT, 'the ledger only grows: {table} cannot be changed');"
    guards = f"""
CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} BEGIN {refuse} END;
CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} BEGIN {refuse} END;
"""
    key = {
        "setting": "name = NEW.name",
        "record": "seq = NEW.seq OR (sender = NEW.sender AND id = NEW.id)",
        "count": "record = NEW.record",
        "reversal": "of = NEW.of OR record = NEW.record",
        "revision": "record = NEW.record",
        "block": "record = NEW.record AND what = NEW.what AND code = NEW.code",
        "ending": "mould = NEW.mould AND at = NEW.at AND sender = NEW.sender AND id = NEW.id",
        "zone_offset": "since = NEW.since",
    }.get(table)
    if key is None:  # it has no key that a row could be written over by
        return guards
    # An INSERT OR REPLACE over an existing row walks past a delete trigger unless recursive_triggers is on.
    return (
        f"{guards}CREATE TRIGGER {table}_no_overwrite BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {key}) BEGIN {refuse} END;\n"
    )


_GROWTH = """
-- Totals by month, added up from the totals by day: what a report of many years reads. The squares are kept in two
-- parts, millions and the rest: those of a month may be more than an integer of SQLite holds.
CREATE TABLE flow_month (
  month TEXT NOT NULL,
  source TEXT NOT NULL,
  target TEXT NOT NULL,
  material TEXT NOT NULL,
  kind TEXT NOT NULL,
  measure TEXT NOT NULL,
  revision INTEGER NOT NULL,
  records INTEGER NOT NULL,
  mass_mg INTEGER NOT NULL,
  mass_g2_millions INTEGER NOT NULL,
  mass_g2_rest INTEGER NOT NULL,
  PRIMARY KEY (month, source, target, material, kind, measure, revision)
) STRICT, WITHOUT ROWID;
INSERT INTO flow_month
  SELECT substr(day, 1, 7), source, target, material, kind, measure, revision, SUM(records), SUM(mass_mg),
    SUM(mass_g2 / 1000000), SUM(mass_g2 % 1000000)
  FROM flow GROUP BY 1, 2, 3, 4, 5, 6, 7;

-- When a mould may have held sand: from its first sand to the knock-out that took it, and between which records that
-- was so. It only narrows down which moulds to look at: what they held is always added up from the movements.
-- `lasting` and `spanning` are the lengths of both in binary digits, so that what covers an instant is found by an
-- index: of each length, only what began less than that long before.
CREATE TABLE mould_life (
  mould TEXT NOT NULL,
  since INTEGER NOT NULL,
  until INTEGER NOT NULL,
  opened INTEGER NOT NULL,
  closed INTEGER NOT NULL,
  lasting INTEGER NOT NULL,
  spanning INTEGER NOT NULL
) STRICT;
CREATE INDEX mould_life_time ON mould_life (lasting, since, until, mould);
CREATE INDEX mould_life_known ON mould_life (spanning, opened, closed, mould);
"""


def growth() -> list[str]:
    """Tables that keep questions over many years quick."""
    return split(_GROWTH)


def fill_lives(connection: sqlite3.Connection) -> None:
    """Lives of the moulds of a file that has none yet: all sand that an ending may ever have taken, and until when."""
    rows: list[tuple[Any, ...]] = []
    for mould, until, ending, withdrawn in connection.execute(
        "SELECT e.mould, e.at, e.record, coalesce(v.record, 0) FROM ending e LEFT JOIN reversal v ON v.of = e.record"
    ).fetchall():
        (before,) = connection.execute(
            "SELECT max(at) FROM ending WHERE mould = ? AND at < ? AND record NOT IN (SELECT of FROM reversal)",
            (mould, until),
        ).fetchone()
        since, opened, last = connection.execute(
            "SELECT min(at), min(record), max(record) FROM movement WHERE mould = ? AND at > ? AND at <= ?",
            (mould, -(2**62) if before is None else before, until),
        ).fetchone()
        if since is not None:
            rows.append((mould, since, until, opened, max(last, ending, withdrawn)))
    rows += connection.execute(
        "SELECT m.mould, m.at, m.at, m.event, v.record FROM movement m JOIN reversal v ON v.of = m.event "
        "WHERE m.mould IS NOT NULL AND m.record = m.event AND m.target = ?",
        (MOULDS,),
    ).fetchall()
    connection.executemany("INSERT INTO mould_life VALUES (?, ?, ?, ?, ?, ?, ?)", [life(*row) for row in rows])


def life(mould: str, since: int, until: int, opened: int, closed: int) -> tuple[str, int, int, int, int, int, int]:
    """A row of `mould_life`."""
    return mould, since, until, opened, closed, (until - since).bit_length(), (closed - opened).bit_length()


def statements() -> list[str]:
    """The first migration's statements, one by one."""
    return split(_TABLES + views.TABLES + "".join(_guards(table) for table in _APPEND_ONLY) + views.VIEWS)


def split(text: str) -> list[str]:
    """SQL cut into its statements; a trigger ends with END."""
    found: list[str] = []
    pending = ""
    for line in text.splitlines():
        pending += line + "\n"
        body = pending.strip()
        if body.endswith("END;") or (body.endswith(";") and "CREATE TRIGGER" not in body):
            found.append(body)
            pending = ""
    return found


def _who_brought() -> list[str]:
    """With each record, who brought it and how its time and id came about; old rows keep the hash they have.

    `token`: id of the service's token. `marks`: codes, parted by blanks. `own_id`: the sender's id, where another
    record had it. `version`: how the hash was made (ledger/chain.py).
    """
    return [
        "ALTER TABLE record ADD COLUMN token TEXT",
        "ALTER TABLE record ADD COLUMN marks TEXT",
        "ALTER TABLE record ADD COLUMN own_id TEXT",
        "ALTER TABLE record ADD COLUMN version INTEGER NOT NULL DEFAULT 1",
        "DROP VIEW records_readable",
        views.RECORDS_WITH_TOKEN,
    ]


_OF_OLD_FILES = """
CREATE TEMP VIEW record AS
SELECT *, NULL AS token, NULL AS marks, NULL AS own_id, 1 AS version FROM main.record
"""


def let_old_file_be_read(connection: sqlite3.Connection) -> None:
    """Show a file that cannot be migrated, because nothing may be written there, as if it had been."""
    steps = applied(connection)
    if "002_who_brought" not in steps:
        connection.execute(_OF_OLD_FILES)
    if "004_growth" not in steps:
        for statement in split(_GROWTH.replace("CREATE TABLE", "CREATE TEMP TABLE").replace("INDEX ", "INDEX temp.")):
            connection.execute(statement)
        fill_lives(connection)


SET = "sandtrack"


def _blocks_by_key() -> list[str]:
    """What blocks one place, lot or mould is asked of every record that draws from it or pours it."""
    return ["CREATE INDEX block_key ON block (key)"]


STEPS: Mapping[str, Callable[[], list[str]]] = {
    "001_ledger": statements,
    "002_who_brought": _who_brought,
    "003_blocks_by_key": _blocks_by_key,
    "004_growth": growth,
}
"""Migrations by name, in order, each as its SQL statements."""
FILLS: Mapping[str, Callable[[sqlite3.Connection], None]] = {"004_growth": fill_lives}
"""What is worked out from the records of a file that was there before."""


def apply(connection: sqlite3.Connection, only: Collection[str] | None = None) -> None:
    """Apply what is pending, inside the caller's write transaction, and keep a note of it in the file.

    With `only`, no other step than those.
    """
    # sqlite-utils takes a third of a second to import: only shops that are made or migrated pay for it.
    from sqlite_utils import Database, Migrations

    steps = Migrations(SET)
    for name, sql in STEPS.items():
        if only is not None and name not in only:
            continue

        def step(db: Database, name: str = name, sql: Callable[[], list[str]] = sql) -> None:
            for statement in sql():
                db.conn.execute(statement)
            if name in FILLS:
                FILLS[name](db.conn)

        steps(name=name)(step)
    steps.apply(Database(connection))


def applied(connection: sqlite3.Connection) -> set[str]:
    """Names of the migrations that a shop file has had."""
    query = "SELECT name FROM _sqlite_migrations WHERE migration_set = ?"
    return {name for (name,) in connection.execute(query, (SET,))}
