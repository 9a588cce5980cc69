"""A shop file against what SQLite's own documents say of durable, shared and portable files.

Documents, as read at sqlite.org: pragma.html (synchronous), wal.html (write-ahead log), walformat.html (its locks),
fileformat2.html (header), lockingv3.html (a process that dies lets go of its locks), isolation.html (snapshots).
"""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from sandtrack.ledger import Ledger
from sandtrack.ledger.backup import backup
from sandtrack.plant import read_toml

ROOT = Path(__file__).parents[2]
PLANT = ROOT / "demo_data" / "plant.toml"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A shop file with twenty deliveries, closed."""
    with closing(Ledger.create(tmp_path / "a.shop", read_toml(PLANT), sender="office")) as ledger:
        for number in range(20):
            deliver(ledger, number)
    return tmp_path / "a.shop"


def deliver(ledger: Ledger, number: int) -> None:
    """One delivery of new sand."""
    content = {"at": "2025-03-03 08:00", "place": "silo_new", "mass_kg": 1000}
    ledger.append(ledger.entry("delivery", content, sender="gate", record_id=f"d{number}"))


def test_every_connection_that_writes_is_durable(path: Path):
    """pragma.html: in WAL mode FULL (2) "adds a sync of the WAL file after each transaction commit"; NORMAL loses."""
    with closing(Ledger.open(path)) as ledger:
        asked = {
            name: ledger.store.connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "recursive_triggers")
        }
    assert asked == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "recursive_triggers": 1}


@pytest.mark.skipif(not shutil.which("strace"), reason="needs strace to see what the system is asked for")
def test_the_log_is_synced_before_a_record_is_acknowledged(path: Path, tmp_path: Path):
    """The system's own calls: between the write to the log and the answer lies a sync of the log, for each record."""
    program = (
        "import os, sys\nfrom sandtrack.ledger import Ledger\nledger = Ledger.open(sys.argv[1])\n"
        "for n in range(5):\n"
        "    content = {'at': '2025-03-04 08:00', 'place': 'silo_new', 'mass_kg': 1}\n"
        "    ledger.append(ledger.entry('delivery', content, sender='gate', record_id=f's{n}'))\n"
        "    os.write(1, b'taken')\n"
        "ledger.close()\n"
    )
    trace = tmp_path / "trace"
    command = ["strace", "-f", "-y", "-e", "trace=pwrite64,write,fsync,fdatasync", "-o", str(trace)]
    done = subprocess.run(
        [*command, sys.executable, "-c", program, str(path)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
        capture_output=True,
    )
    if done.returncode:
        pytest.skip("strace may not be used here")
    unsynced, acknowledged = False, 0
    for line in trace.read_text(encoding="utf-8").splitlines():
        if "pwrite64(" in line and "a.shop-wal>" in line:
            unsynced = True
        elif "sync(" in line and "a.shop-wal>" in line:
            unsynced = False
        elif "write(1<" in line and '"taken"' in line:
            assert not unsynced
            acknowledged += 1
    assert acknowledged == 5


def test_sqlite_itself_finds_the_file_whole(path: Path, tmp_path: Path):
    """pragma.html: integrity_check and foreign_key_check of the shop and of its backup, by a plain connection."""
    with closing(Ledger.open(path)) as ledger:
        backup(ledger, tmp_path / "b.shop")
    for one in (path, tmp_path / "b.shop"):
        with closing(sqlite3.connect(one)) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert raw.execute("PRAGMA foreign_key_check").fetchall() == []


def test_the_header_is_as_the_format_says(path: Path, tmp_path: Path):
    """fileformat2.html, 1.3: magic, application id at 68, versions at 18 and 19: 2 with a log, 1 without one."""
    with closing(Ledger.open(path)) as ledger:
        backup(ledger, tmp_path / "b.shop")
    header, copied = path.read_bytes()[:100], (tmp_path / "b.shop").read_bytes()[:100]
    assert header[:16] == b"SQLite format 3\0"
    assert header[68:72] == copied[68:72] == b"SAND"
    assert (header[18:20], copied[18:20]) == (b"\2\2", b"\1\1")


def test_the_log_goes_with_the_last_connection(path: Path):
    """wal.html, 4: the last to close checkpoints and removes the log, so that a closed shop is one file to copy."""
    ledger = Ledger.open(path)
    deliver(ledger, 99)
    assert path.with_name("a.shop-wal").stat().st_size > 0
    ledger.close()
    assert not path.with_name("a.shop-wal").exists()
    assert not path.with_name("a.shop-shm").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="Linux lists its locks")
def test_the_writer_holds_the_lock_that_the_format_names(path: Path):
    """walformat.html, 2.3.1: WAL_WRITE_LOCK is byte 120 of the shared memory; who waits is told its process."""
    with closing(Ledger.open(path)) as ledger, ledger.store.writing():
        inode = path.with_name("a.shop-shm").stat().st_ino
        lines = [line.split() for line in Path("/proc/locks").read_text(encoding="ascii").splitlines()]
        held = [
            (int(words[4]), int(words[6]), int(words[7]))
            for words in lines
            if words[3] == "WRITE" and words[5].endswith(f":{inode}") and words[7] != "EOF"
        ]
    assert (os.getpid(), 120, 120) in held


def test_a_reader_sees_one_moment_and_the_writer_goes_on(path: Path):
    """isolation.html: a read transaction sees the file as it was when it began; wal.html, 1: nobody waits."""
    with closing(Ledger.open(path, wait_s=0)) as one, closing(sqlite3.connect(path, timeout=0)) as raw:
        raw.isolation_level = None
        raw.execute("BEGIN")
        before = raw.execute("SELECT count(*) FROM record").fetchone()
        deliver(one, 98)
        assert raw.execute("SELECT count(*) FROM record").fetchone() == before == (21,)
        raw.execute("COMMIT")
        assert raw.execute("SELECT count(*) FROM record").fetchone() == (22,)


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_what_was_acknowledged_survives_a_kill(path: Path):
    """lockingv3.html, wal.html: killed at any moment, the log is read again by the next to open, nobody waits."""
    program = (
        "import sys\nfrom sandtrack.ledger import Ledger\nledger = Ledger.open(sys.argv[1])\nn = 0\nwhile True:\n"
        "    content = {'at': '2025-03-04 08:00', 'place': 'silo_new', 'mass_kg': 1}\n"
        "    ledger.append(ledger.entry('delivery', content, sender='gate', record_id=f'k{n}'))\n"
        "    print(n, flush=True)\n    n += 1\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    ) as writer:
        assert writer.stdout
        told = [writer.stdout.readline() for _ in range(25)]
        writer.send_signal(signal.SIGKILL)
        told += writer.stdout.readlines()
    acknowledged = 1 + int(told[-1])
    with closing(Ledger.open(path, wait_s=0.5)) as ledger:
        assert ledger.head().records - 21 in (acknowledged, acknowledged + 1)  # the last may not have been told yet
        assert list(ledger.verify()) == []
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
