"""Who brought a record is kept in the chain, and a file from before that was kept stays as it was."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from sandtrack.ledger import Head, Ledger, migrations
from sandtrack.ledger.backup import backup, restore
from sandtrack.ledger.store import Store

from .shops import PLANT, Clock, micros, new_shop, take_back, tell

SENT = "seq, kind, sender, id, at, own_at, offset_us, recorded, recorded_day, revision, content"
DELIVERY = {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25000}


@pytest.fixture(scope="module")
def _old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop file as the first migration alone made it: each hash is of the hash before and eleven columns."""
    folder = tmp_path_factory.mktemp("old")
    ledger, clock = new_shop(folder)
    clock.now = micros("2025-03-10 12:00")
    tell(ledger, "delivery", "d1", DELIVERY)
    tell(ledger, "count", "c1", {"at": "2025-03-06", "place": "silo_new", "mass_kg": 24000})
    tell(ledger, "delivery", "d2", {**DELIVERY, "place": "tank_resin", "mass_kg": 1000})
    take_back(ledger, "d2")
    ledger.close()
    path = folder / "old.shop"
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        migrations.apply(old, ["001_ledger"])
        old.execute(f"ATTACH '{ledger.store.path}' AS made")
        own = "SELECT name FROM main.sqlite_master WHERE type = 'table' AND name NOT GLOB '_sqlite*'"
        tables = old.execute(own).fetchall()
        for (table,) in tables:
            columns = ", ".join(row[1] for row in old.execute(f"PRAGMA table_info({table})"))
            if table != "record":
                old.execute(f"INSERT INTO {table} SELECT {columns} FROM made.{table}")
        digest = b"\0" * 32
        for row in old.execute(f"SELECT {SENT} FROM made.record ORDER BY seq").fetchall():
            text = json.dumps(row, ensure_ascii=False, separators=(",", ":"))
            digest = hashlib.sha256(digest + text.encode()).digest()
            old.execute(f"INSERT INTO record VALUES ({', '.join('?' * 12)})", (*row, digest))
        old.execute("PRAGMA application_id=0x53414E44")
    return path


@pytest.fixture
def old(_old: Path, tmp_path: Path) -> Path:
    """A copy of that file."""
    return Path(shutil.copy(_old, tmp_path / "old.shop"))


def head_of(path: Path) -> Head:
    """The end of the chain, by plain SQL."""
    with closing(sqlite3.connect(path)) as raw:
        seq, digest = raw.execute("SELECT seq, hash FROM record ORDER BY seq DESC LIMIT 1").fetchone()
    return Head(seq, digest.hex())


def found(path: Path, *printed: Head) -> list[tuple[str, str]]:
    """Code and subject of every violation."""
    with closing(Ledger.open(path)) as ledger:
        return [(one.code, one.subject) for one in ledger.verify(printed)]


def test_an_old_file_opens_with_its_hashes_and_printed_heads(old: Path):
    """Migrated, its records keep their hashes, the head printed before still holds, and new records chain on."""
    printed = head_of(old)
    with closing(Ledger.open(old, clock=Clock(micros("2025-03-11 12:00")))) as ledger:
        assert ledger.head() == printed
        entry = ledger.entry("delivery", {**DELIVERY, "mass_kg": 7}, sender="op", record_id="d3")
        ledger.append(entry._replace(token="0a1b2c3d"))
        assert ledger.append(ledger.entry("delivery", DELIVERY, sender="op", record_id="d1")).new is False
    assert found(old, printed) == []
    with closing(sqlite3.connect(old)) as raw:
        assert raw.execute("SELECT version, token FROM record ORDER BY seq").fetchall() == [
            *[(1, None)] * 5, (2, "0a1b2c3d"),
        ]  # fmt: skip
        (row,) = raw.execute("SELECT token FROM records_readable WHERE id = 'd3'").fetchall()
    assert row == ("0a1b2c3d",)


def test_the_token_that_brought_a_record_is_in_its_hash(old: Path):
    """The hash of a new record, made by hand: SHA-256 of the hash before and JSON of its columns and who brought it."""
    before = bytes.fromhex(head_of(old).digest)
    with closing(Ledger.open(old, clock=Clock(micros("2025-03-11 12:00")))) as ledger:
        ledger.append(ledger.entry("delivery", DELIVERY, sender="op", record_id="d3")._replace(token="0a1b2c3d"))
    with closing(sqlite3.connect(old)) as raw:
        row = raw.execute(f"SELECT {SENT}, token, marks, own_id, version FROM record WHERE seq = 6").fetchone()
    assert row[11:] == ("0a1b2c3d", None, None, 2)
    text = json.dumps(row, ensure_ascii=False, separators=(",", ":"))
    assert head_of(old).digest == hashlib.sha256(before + text.encode()).hexdigest()


@pytest.mark.parametrize(
    ("statement", "code"),
    [
        ("UPDATE record SET token = 'ffffffff' WHERE seq = 3", "version"),
        ("UPDATE record SET version = 2 WHERE seq = 3", "hash"),
        ("UPDATE record SET version = 1, token = NULL WHERE seq = 6", "hash"),
        ("UPDATE record SET token = 'ffffffff' WHERE seq = 6", "hash"),
        ("UPDATE record SET version = 9 WHERE seq = 6", "version"),
    ],
)
def test_a_forged_token_is_found(old: Path, statement: str, code: str):
    """A token put to an old record, another put to a new one, a version that hides it: verify names that record."""
    with closing(Ledger.open(old, clock=Clock(micros("2025-03-11 12:00")))) as ledger:
        ledger.append(ledger.entry("delivery", DELIVERY, sender="op", record_id="d3")._replace(token="0a1b2c3d"))
    with closing(sqlite3.connect(old, isolation_level=None)) as raw:
        trigger = raw.execute("SELECT sql FROM sqlite_master WHERE name = 'record_no_update'").fetchone()[0]
        for one in ("DROP TRIGGER record_no_update", statement, trigger):
            raw.execute(one)
    record = "record 3: op/c1" if "seq = 3" in statement else "record 6: op/d3"
    assert (code, record) in found(old)


def test_an_old_backup_is_put_back(old: Path, tmp_path: Path):
    """A backup from before the migration is restored with its head, and becomes a shop of today."""
    printed = head_of(old)
    assert restore(old, tmp_path / "shop").head == printed
    assert found(tmp_path / "shop", printed) == []
    with closing(Ledger.open(tmp_path / "shop")) as ledger:
        assert backup(ledger, tmp_path / "again") == printed
    assert found(tmp_path / "again", printed) == []


def test_an_old_file_that_may_not_be_written_can_be_read(old: Path):
    """Opened for reading only it is not migrated: its records are those that nobody's token brought."""
    printed = old.read_bytes()
    with closing(Store(old, only_read=True)) as store, store.reading() as connection:
        rows = connection.execute("SELECT seq, token, marks, own_id, version FROM record ORDER BY seq").fetchall()
    assert rows == [(seq, None, None, None, 1) for seq in range(1, 6)]
    assert old.read_bytes() == printed


def test_an_old_file_in_a_folder_of_others_is_verified(old: Path, monkeypatch: pytest.MonkeyPatch):
    """Where nothing may be written the file stays as it was made, and verify asks no more of it."""
    monkeypatch.setattr("sandtrack.ledger.drives.network", lambda path: "smb" * (path == old))
    with closing(sqlite3.connect(old)) as raw:
        raw.execute("PRAGMA journal_mode=DELETE")
    assert found(old, head_of(old)) == []
    with closing(sqlite3.connect(old)) as raw:
        assert len(raw.execute("PRAGMA table_info(record)").fetchall()) == 12


def test_repeats_do_not_ask_who_brings_them(tmp_path: Path):
    """The same content by another token, or by none, is known: who brought it is no part of the content."""
    ledger, _ = new_shop(tmp_path, plant=PLANT)
    with closing(ledger):
        entry = ledger.entry("delivery", DELIVERY, sender="op", record_id="d1")
        assert ledger.append(entry._replace(token="0a1b2c3d", marks="by_not_proven")).new is True
        for again in (entry, entry._replace(token="ffffffff")):
            assert ledger.append(again).new is False
        with ledger.store.reading() as connection:
            assert connection.execute("SELECT count(*), max(token) FROM record").fetchone() == (2, "0a1b2c3d")
