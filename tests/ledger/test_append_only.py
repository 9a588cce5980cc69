"""The file only grows; and who changes it all the same is found out, with the name of what was changed."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from sandtrack.errors import ShopFileError
from sandtrack.ledger import Head, Ledger

from .shops import PLANT, knock_out, micros, mix, new_shop, take_back, tell

GUARDED = ("setting", "record", "movement", "count", "ending", "reversal", "revision", "block", "zone_offset")


FAILED = {"certificate": {"passed": False}}
"""So that the delivery blocks its place."""


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop file with some of everything: deliveries, a mix ended and told late, a count, a reversal, a revision."""
    ledger, clock = new_shop(tmp_path_factory.mktemp("kept"))
    clock.now = micros("2025-03-10 12:00")
    tell(
        ledger,
        "delivery",
        "d1",
        {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25000, "note": "wet tarp", **FAILED},
    )
    tell(ledger, "knock_out", "k1", knock_out("2025-03-04 08:00", "101", carried_out_kg=15))
    clock.now = micros("2025-03-11 12:00")
    tell(ledger, "mix", "m1", mix("2025-03-03 08:00", ["101", "102"]))
    tell(ledger, "delivery", "d2", {"at": "2025-03-05 08:00", "place": "tank_resin", "mass_kg": 1000})
    take_back(ledger, "d2")
    tell(ledger, "count", "c1", {"at": "2025-03-06", "place": "silo_new", "mass_kg": 24000})
    tell(ledger, "plant", "p2", {**PLANT, "shop": {**PLANT["shop"], "valid_from": "2025-03-07"}}, "office")
    tell(ledger, "pour", "pour1", {"at": "2025-03-03 12:00", "moulds": ["101"], "metal": "grey iron"})
    assert list(ledger.verify()) == []
    ledger.close()
    return ledger.store.path


@pytest.fixture
def path(kept: Path, tmp_path: Path) -> Path:
    """A copy of that file, to be damaged."""
    return Path(shutil.copy(kept, tmp_path / "damaged.shop"))


@pytest.fixture
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    """A plain connection to the copy, as any program would open it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection


SEQ = {"d1": 2, "k1": 3, "m1": 4, "d2": 5, "back-d2": 6, "c1": 7, "p2": 8, "pour1": 9}


def named(record_id: str) -> str:
    """The subject under which a record is named."""
    return f"record {SEQ[record_id]}: {'office' if record_id == 'p2' else 'op'}/{record_id}"


def found(path: Path, printed: tuple[Head, ...] = ()) -> list[tuple[str, str]]:
    """Code and subject of every violation."""
    ledger = Ledger.open(path)
    try:
        return [(one.code, one.subject) for one in ledger.verify(printed)]
    finally:
        ledger.close()


def unguard(raw: sqlite3.Connection, *tables: str) -> list[str]:
    """Drop the triggers of tables, as someone who holds the file can; return them."""
    triggers = raw.execute("SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    dropped = [(name, sql) for name, table, sql in triggers if table in tables]
    for name, _ in dropped:
        raw.execute(f"DROP TRIGGER {name}")
    return [sql for _, sql in dropped]


def edit(raw: sqlite3.Connection, table: str, *statements: str) -> None:
    """Change a guarded table and put its triggers back as they were."""
    triggers = unguard(raw, table)
    for statement in (*statements, *triggers):
        raw.execute(statement)


# -- what SQLite itself refuses ---------------------------------------------------------------------------------


@pytest.mark.parametrize("table", GUARDED)
def test_no_row_is_changed_or_deleted(raw: sqlite3.Connection, table: str):
    """UPDATE and DELETE fail on every guarded table, through a plain connection."""
    column = raw.execute(f"SELECT name FROM pragma_table_info('{table}') LIMIT 1").fetchone()[0]
    before = raw.execute(f"SELECT * FROM {table}").fetchall()
    assert before
    for statement in (f"UPDATE {table} SET {column} = {column}", f"DELETE FROM {table}"):
        with pytest.raises(sqlite3.IntegrityError, match=f"the ledger only grows: {table} cannot be changed"):
            raw.execute(statement)
    assert raw.execute(f"SELECT * FROM {table}").fetchall() == before


@pytest.mark.parametrize("table", [table for table in GUARDED if table != "movement"])
def test_no_row_is_overwritten(raw: sqlite3.Connection, table: str):
    """INSERT OR REPLACE over a row fails too, although it walks past a delete trigger on a plain connection."""
    assert raw.execute("PRAGMA recursive_triggers").fetchone() == (0,)
    columns = ", ".join(row[1] for row in raw.execute(f"PRAGMA table_info({table})"))
    before = raw.execute(f"SELECT {columns} FROM {table}").fetchall()
    for way in ("INSERT OR REPLACE", "REPLACE", "INSERT OR IGNORE", "INSERT"):
        with pytest.raises(sqlite3.IntegrityError, match=f"the ledger only grows: {table} cannot be changed"):
            raw.execute(f"{way} INTO {table} ({columns}) SELECT {columns} FROM {table} LIMIT 1")
    assert raw.execute(f"SELECT {columns} FROM {table}").fetchall() == before


@pytest.mark.parametrize("name", ["rowid", "oid", "_rowid_"])
def test_no_movement_is_overwritten_by_its_row_number(raw: sqlite3.Connection, name: str):
    """SQLite's names of a row's number are taken in the table of movements: nothing can be written over by it."""
    before = raw.execute("SELECT * FROM movement").fetchall()
    columns = ", ".join(row[1] for row in raw.execute("PRAGMA table_info(movement)"))
    for way in ("INSERT OR REPLACE", "REPLACE", "INSERT"):
        with pytest.raises(sqlite3.OperationalError, match=f'cannot INSERT into generated column "{name}"'):
            raw.execute(f"{way} INTO movement ({name}, {columns}) SELECT 1, {columns} FROM movement LIMIT 1")
    assert raw.execute("SELECT * FROM movement").fetchall() == before
    assert {row[0] for row in raw.execute(f"SELECT {name} FROM movement")} == {None}


def test_a_record_is_not_overwritten_through_its_name(raw: sqlite3.Connection):
    """A new number with the sender and id of another record does not push that out."""
    with pytest.raises(sqlite3.IntegrityError, match="only grows"):
        raw.execute(
            "INSERT OR REPLACE INTO record SELECT 99, kind, sender, id, at, own_at, offset_us, recorded, recorded_day, "
            "revision, '{}', hash, token, marks, own_id, version FROM record WHERE seq = 2"
        )


# -- what verify finds ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("content", "replace(content, '25000', '25001')"),
        ("content", "replace(content, 'wet', 'wEt')"),
        ("kind", "'disposal'"),
        ("sender", "'oq'"),
        ("id", "'d3'"),
        ("at", "at + 1"),
        ("own_at", "at"),
        ("offset_us", "1"),
        ("revision", "2"),
        ("token", "'0a1b2c3d'"),
        ("marks", "'by_not_proven'"),
        ("own_id", "'d4'"),
        ("hash", "zeroblob(32)"),
        ("content", "CAST(replace(CAST(content AS BLOB), CAST('wet' AS BLOB), x'77ff74') AS TEXT)"),
    ],
)
def test_one_byte_of_a_record_names_just_that_record(path: Path, raw: sqlite3.Connection, column: str, value: str):
    """Whatever part of a stored record is changed, verify names it and no other."""
    edit(raw, "record", f"UPDATE record SET {column} = {value} WHERE seq = 2")
    sender, record_id = raw.execute("SELECT sender, id FROM record WHERE seq = 2").fetchone()
    violations = found(path)
    assert ("hash", f"record 2: {sender}/{record_id}") in violations
    assert {subject for code, subject in violations if code != "flow"} == {f"record 2: {sender}/{record_id}"}


def test_content_that_passes_its_checks_no_longer(path: Path, raw: sqlite3.Connection):
    """Content that is no JSON, not canonical or refused today is said to be so."""
    edit(
        raw,
        "record",
        "UPDATE record SET content = substr(content, 2) WHERE seq = 2",
        "UPDATE record SET content = replace(content, '\":', '\": ') WHERE seq = 3",
        "UPDATE record SET content = replace(content, 'tank_resin', 'Tank') WHERE seq = 5",
        "UPDATE record SET content = '[1]' WHERE seq = 9",
    )
    ledger = Ledger.open(path)
    texts = {one.subject: one.text for one in ledger.verify() if one.code == "content"}
    ledger.close()
    assert list(texts) == [named("d1"), named("k1"), named("d2"), named("pour1")]
    assert texts[named("d1")].startswith("its content is not JSON")
    assert texts[named("k1")] == "its content is not in canonical form"
    assert "place: 'Tank' is not a key" in texts[named("d2")]
    assert texts[named("pour1")] == "its content is not an object with fields"


def test_a_set_up_that_cannot_be_read_any_more_is_named(path: Path, raw: sqlite3.Connection):
    """Even the first revision may be damaged: the rest is checked all the same."""
    edit(raw, "record", "UPDATE record SET content = replace(content, '\"silo\"', '\"silk\"') WHERE seq = 1")
    violations = found(path)
    assert {code for code, _ in violations} == {"hash", "content"}
    assert {subject for _, subject in violations} == {"record 1: office/first"}


def test_a_changed_movement_is_named_by_its_record(path: Path, raw: sqlite3.Connection):
    """Its totals and its mould no longer agree with it either."""
    edit(raw, "movement", "UPDATE movement SET mass_mg = mass_mg + 1 WHERE record = 4 AND mould = '102'")
    violations = found(path)
    assert {subject for code, subject in violations if code == "movement"} == {named("m1")}
    assert ("mould_content", "mould 102") in violations
    assert {code for code, _ in violations} == {"movement", "flow", "mould_content"}


def test_a_deleted_and_an_invented_movement_are_named(path: Path, raw: sqlite3.Connection):
    """Each under the record that it belonged to, or pretends to."""
    edit(
        raw,
        "movement",
        "DELETE FROM movement WHERE record = 2",
        "INSERT INTO movement SELECT 3, 3, at, 'heap_f', 'off_site', material, 5, NULL, NULL FROM movement "
        "WHERE record = 3",
    )
    movements = {subject for code, subject in found(path) if code == "movement"}
    assert movements == {named("d1"), named("k1")}


def test_what_is_left_in_conversion_is_named(path: Path, raw: sqlite3.Connection):
    """One half of a pair through conversion gone: the record that wrote it is named."""
    edit(raw, "movement", "DELETE FROM movement WHERE source = 'conversion'")
    assert ("conversion", named("m1")) in found(path)


def test_a_changed_total_is_named_by_its_key(path: Path, raw: sqlite3.Connection):
    """Totals are not guarded, as they grow by being changed; a plain sum of the movements finds them out."""
    raw.execute("UPDATE flow SET mass_mg = mass_mg - 1 WHERE source = 'supplier' AND target = 'silo_new'")
    subject = "flow 2025-03-01 supplier → silo_new new_sand (delivery), recorded 2025-03-10"
    ledger = Ledger.open(path)
    violations = [one for one in ledger.verify() if one.code == "flow"]
    ledger.close()
    assert {one.subject for one in violations} == {subject}
    assert violations[0].text == "mass_mg is 24999999999, should be 25000000000"


@pytest.mark.parametrize(
    ("statement", "code"),
    [
        ("DELETE FROM flow WHERE source = 'supplier' AND target = 'silo_new'", "flow"),
        ("UPDATE mould_content SET mass_mg = 1 WHERE mould = '102' AND material = 'resin'", "mould_content"),
        ("DELETE FROM holding WHERE place = 'heap_f' AND material = 'used_f'", "holding"),
        ("INSERT INTO holding VALUES ('nowhere', 'nothing', 0)", "holding"),
        ("UPDATE holding SET mass_mg = mass_mg + 1 WHERE place = 'silo_new'", "holding"),
    ],
)
def test_every_kept_total_is_compared(path: Path, raw: sqlite3.Connection, statement: str, code: str):
    """Totals, moulds and holdings are worked out again."""
    raw.execute(statement)
    assert {one for one, _ in found(path)} - {"flow_month"} == {code}  # months are added up from the days


@pytest.mark.parametrize(
    ("table", "statement", "record_id"),
    [
        ("count", "UPDATE count SET mass_mg = 1", "c1"),
        ("count", "DELETE FROM count", "c1"),
        ("block", "DELETE FROM block", "d1"),
        ("ending", "DELETE FROM ending", "k1"),
        ("reversal", "DELETE FROM reversal", "back-d2"),
        ("revision", "UPDATE revision SET valid_from = 5 WHERE record = 8", "p2"),
    ],
)
def test_a_changed_row_of_any_table_is_named_by_its_record(
    path: Path, raw: sqlite3.Connection, table: str, statement: str, record_id: str
):
    """Counts, endings, reversals and revisions are worked out again."""
    edit(raw, table, statement)
    assert (table, named(record_id)) in found(path)


def test_a_deleted_record_is_missed(path: Path, raw: sqlite3.Connection):
    """Its number is missing, and what refers to it is without it."""
    edit(raw, "record", "DELETE FROM record WHERE seq IN (2, 3)")
    violations = found(path)
    assert ("record_missing", "record 2") in violations
    assert {code for code, _ in violations} >= {"record_missing", "orphan"}
    assert "hash" not in {code for code, _ in violations}


def test_a_chain_made_anew_must_still_agree_with_its_contents(path: Path, raw: sqlite3.Connection):
    """An instant moved and every hash after it made again: the replay of the content finds it out."""
    edit(raw, "record", "UPDATE record SET at = at + 1 WHERE seq = 2", *rechained(raw, {2: 1}))
    ledger = Ledger.open(path)
    violations = list(ledger.verify())
    ledger.close()
    at = micros("2025-03-01 08:00")
    assert ("record", f"at is {at + 1}, should be {at}", named("d1")) in [
        (one.code, one.text, one.subject) for one in violations
    ]
    assert "hash" not in {one.code for one in violations}


def rechained(raw: sqlite3.Connection, later_us: dict[int, int]) -> list[str]:
    """Statements that give every record the hash it would have had, with some of them happening later."""
    digest, statements = b"\0" * 32, []
    for row in raw.execute(
        "SELECT seq, kind, sender, id, at, own_at, offset_us, recorded, recorded_day, revision, content, token, marks, "
        "own_id, version FROM record"
    ).fetchall():
        row = (*row[:4], row[4] + later_us.get(row[0], 0), *row[5:])
        text = json.dumps(row, ensure_ascii=False, separators=(",", ":"))
        digest = hashlib.sha256(digest + text.encode()).digest()
        statements.append(f"UPDATE record SET hash = x'{digest.hex()}' WHERE seq = {row[0]}")
    return statements


def test_a_chain_made_anew_is_found_by_a_printed_head(path: Path, raw: sqlite3.Connection):
    """Records cut off the end leave a whole chain; a head that a report printed gives it away."""
    ledger = Ledger.open(path)
    head = ledger.head()
    ledger.close()
    assert found(path, (head,)) == []
    edit(raw, "record", "DELETE FROM record WHERE seq = 9")
    assert found(path) == []
    assert found(path, (head,)) == [("printed", "record 9")]
    assert found(path, (Head(8, "00" * 32),)) == [("printed", named("p2"))]


@pytest.mark.parametrize("way", ["dropped", "weakened", "added"])
def test_a_trigger_dropped_changed_or_added_is_named(path: Path, raw: sqlite3.Connection, way: str):
    """The guards themselves are checked."""
    if way == "added":
        name = "helpful"
        raw.execute("CREATE TRIGGER helpful AFTER INSERT ON record BEGIN DELETE FROM flow; END")
    else:
        name = "movement_no_update"
        raw.execute(f"DROP TRIGGER {name}")
    if way == "weakened":
        raw.execute(f"CREATE TRIGGER {name} BEFORE UPDATE ON movement WHEN 0 BEGIN SELECT 1; END")
    code = {"dropped": "schema_missing", "weakened": "schema_changed", "added": "schema_added"}[way]
    assert found(path) == [(code, f"trigger {name}")]


def test_an_index_dropped_is_named(path: Path, raw: sqlite3.Connection):
    """Without it answers are slow, not wrong; it belongs to the file all the same."""
    raw.execute("DROP INDEX flow_in")
    assert found(path) == [("schema_missing", "index flow_in")]


def test_times_of_recording_that_go_backwards_are_named(path: Path, raw: sqlite3.Connection):
    """A record stamped before the one before it, and a day that is not its own."""
    edit(
        raw,
        "record",
        "UPDATE record SET recorded = 0 WHERE seq = 4",
        "UPDATE record SET recorded_day = '2025-03-12' WHERE seq = 9",
    )
    violations = found(path)
    assert ("recorded_backwards", named("m1")) in violations
    assert ("recorded_day", named("pour1")) in violations


def test_the_time_zone_is_held_against_the_set_ups(path: Path, raw: sqlite3.Connection):
    """The setting is in no hash, but every set-up in the chain says it too."""
    edit(raw, "setting", "UPDATE setting SET value = 'Europe/Helsinki'")
    assert {one for one in found(path) if one[0] == "content"} == {
        ("content", "record 1: office/first"),
        ("content", named("p2")),
    }


def test_a_damaged_page_is_reported_and_the_rest_checked(path: Path):
    """Noise in the middle of the file: verify says what cannot be read, and ends."""
    with closing(sqlite3.connect(path)) as raw:
        page, size = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'movement_at'").fetchone()[0], 4096
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xa5" * size)
    codes = [code for code, _ in found(path)]
    assert "damaged" in codes or "unreadable" in codes


def test_a_file_that_is_no_shop_is_not_opened(tmp_path: Path):
    """Not a database, another database, nothing there: each says what to do."""
    other = tmp_path / "other.db"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE t (x)")
    text = tmp_path / "text.shop"
    text.write_text("not a database, " * 500)
    for path, words in (
        (other, "is not a shop file of sandtrack; name another file"),
        (
            text,
            "is not a shop file of sandtrack, or its beginning is destroyed; name another file, or restore a backup",
        ),
        (tmp_path / "none.shop", "is not there; make a shop with `sandtrack init`, or name another file"),
    ):
        with pytest.raises(ShopFileError) as caught:
            Ledger.open(path)
        assert str(caught.value) == f"{path} {words}"


def test_verify_leaves_the_reader_free_to_write(path: Path):
    """Violations come one by one from a picture of their own; the same thread may append meanwhile."""
    ledger = Ledger.open(path)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE flow SET mass_mg = mass_mg + 1")
        raw.commit()
    walk = ledger.verify()
    next(walk)
    tell(ledger, "delivery", "d9", {"at": "2025-03-09 08:00", "place": "silo_new", "mass_kg": 1})
    assert len(list(walk)) > 3
    ledger.close()
