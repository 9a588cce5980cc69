"""Bad days of a shop file: a clear error, nothing lost, and what can still be answered is answered."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path

import pytest

from sandtrack.errors import ShopBusy, ShopFileError
from sandtrack.ledger import Ledger
from sandtrack.ledger.faults import explain

from .shops import new_shop, stock_kg, tell

PAGE = 4096


def delivery(ledger: Ledger, record_id: str, mass_kg: int = 5, note: str = "") -> None:
    """A delivery of new sand."""
    content = {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": mass_kg}
    tell(ledger, "delivery", record_id, {**content, "note": note} if note else content)


def filled(folder: Path, records: int = 50) -> Path:
    """A shop file with some deliveries of 5 kg, closed."""
    ledger, _ = new_shop(folder)
    for number in range(records):
        delivery(ledger, f"d{number}", note="x" * 300)
    ledger.close()
    return folder / "test.shop"


def refusal(path: Path) -> ShopFileError:
    """The error of opening a file."""
    with pytest.raises(ShopFileError) as caught:
        Ledger.open(path)
    return caught.value


# -- what is not a shop, or not a whole one ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "words"),
    [
        (
            "text",
            "is not a shop file of sandtrack, or its beginning is destroyed; name another file, or restore a backup",
        ),
        ("other", "is not a shop file of sandtrack; name another file"),
        ("empty", "is empty: it is no shop, or lost all that was in it; restore a backup, or name another file"),
        ("folder", "is a folder; name the shop file in it"),
        ("nothing", "is not there; make a shop with `sandtrack init`, or name another file"),
    ],
)
def test_what_is_not_a_shop_is_named(tmp_path: Path, what: str, words: str):
    """A text, another SQLite file, an empty file, a folder, nothing at all; none is changed by looking."""
    path = tmp_path / "thing"
    if what == "text":
        path.write_text("at;place;mass\n" * 400)
    elif what == "other":
        with closing(sqlite3.connect(path)) as raw:
            raw.execute("CREATE TABLE song (title)")
    elif what == "empty":
        path.touch()
    elif what == "folder":
        path.mkdir()
    before = path.read_bytes() if path.is_file() else b""
    assert str(refusal(path)) == f"{path} {words}"
    assert (path.read_bytes() if path.is_file() else b"") == before
    assert sorted(tmp_path.iterdir()) == ([path] if what != "nothing" else [])


def test_a_newer_shop_wants_a_newer_program(tmp_path: Path):
    """A file with a migration that we do not know is left alone."""
    path = filled(tmp_path, 1)
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('sandtrack', '007', '')")
    error = refusal(path)
    assert str(error) == f"{path} was written by a newer sandtrack (007); update this one"
    assert error.details["fault"] == "newer"


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9])
def test_a_truncated_file_is_told_and_left_as_it_is(tmp_path: Path, share: float):
    """Cut off at any page: an error that says damaged, when opened or when asked; never a wrong answer."""
    path = filled(tmp_path)
    whole = path.read_bytes()
    cut = max(int(len(whole) * share) // PAGE, 1) * PAGE
    path.write_bytes(whole[:cut])
    with pytest.raises(ShopFileError, match="is damaged") as caught:
        look(path)
    assert "put a backup in its place with `sandtrack restore`" in str(caught.value)
    assert path.read_bytes() == whole[:cut]


def look(path: Path) -> None:
    """Open a shop file, verify it and ask it."""
    with closing(Ledger.open(path)) as ledger:
        assert list(ledger.verify()) != []
        stock_kg(ledger, "silo_new", "new_sand")
        ledger.head()


def test_any_page_overwritten_is_noticed(tmp_path: Path):
    """Noise over each page in turn: opening, asking or verifying tells; no page is missed."""
    path = filled(tmp_path, 12)
    whole = path.read_bytes()
    missed = []
    for page in range(len(whole) // PAGE):
        path.write_bytes(whole[: page * PAGE] + bytes([0xA5]) * PAGE + whole[(page + 1) * PAGE :])
        try:
            with closing(Ledger.open(path)) as ledger:
                told = bool(next(ledger.verify(), None))
        except ShopFileError as problem:
            told = problem.details["fault"] in ("damaged", "not_a_shop")
        if not told:
            missed.append(page)
    assert missed == []


def test_much_damage_is_told_table_by_table(tmp_path: Path):
    """More than SQLite can list: which tables are hurt and which are not, and up to where the chain reads."""
    path = filled(tmp_path, 300)
    noisy = bytearray(path.read_bytes())
    first = 46  # the pages before it hold the beginnings of all tables
    for page in range(first, len(noisy) // PAGE, 2):
        noisy[page * PAGE : (page + 1) * PAGE] = bytes([0xA5]) * PAGE
    path.write_bytes(noisy)
    with closing(Ledger.open(path)) as ledger:
        told = [(one.code, one.subject, one.text) for one in ledger.verify()]
        readable = [seq for (seq,) in as_far_as_possible(ledger, "SELECT seq FROM record ORDER BY seq")]
    hurt = {subject for code, subject, _ in told if code == "damaged"}
    assert "table record" in hurt
    assert not {"table setting", "table revision", "table count"} & hurt
    assert 1 < len(readable) < 301
    chain = "The chain of records cannot be checked to the end: database disk image is malformed, after record "
    assert ("unreadable", "file", f"{chain}{readable[-1]}") in told


def as_far_as_possible(ledger: Ledger, query: str) -> list[tuple[int]]:
    """Rows up to where the file can no longer be read."""
    rows: list[tuple[int]] = []
    with suppress(sqlite3.DatabaseError):
        for row in ledger.store.connection.execute(query):
            rows.append(row)
    return rows


# -- a full disk ------------------------------------------------------------------------------------------------


@contextmanager
def small_disk(folder: Path) -> Iterator[Path | None]:
    """A file system of 2 MB, where we may mount one."""
    folder.mkdir()
    mount = shutil.which("mount")
    done = mount and subprocess.run(
        [mount, "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)], check=False, capture_output=True
    )
    if not done or done.returncode:
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def test_a_full_disk_loses_nothing(tmp_path: Path):
    """What does not fit is refused and said; all before it is there; with room again, writing goes on."""
    with small_disk(tmp_path / "disk") as disk, ExitStack() as stack:
        if disk is None:
            pytest.skip("no file system can be mounted here: see the test of a file that may not grow")
        ledger = stack.enter_context(closing(new_shop(disk)[0]))
        ballast = disk / "ballast"
        ballast.write_bytes(bytes(shutil.disk_usage(disk).free - 400_000))
        told = until_full(ledger)
        assert list(ledger.verify()) == []  # replayed elsewhere: the temporary folder has room
        ballast.unlink()
        goes_on(ledger, told)


def test_a_file_that_may_not_grow_loses_nothing(tmp_path: Path):
    """The same where SQLite itself is told that the disk ends here (max_page_count)."""
    ledger, _ = new_shop(tmp_path)
    (pages,) = ledger.store.connection.execute("PRAGMA page_count").fetchone()
    ledger.store.connection.execute(f"PRAGMA max_page_count={pages + 8}")
    told = until_full(ledger)
    ledger.store.connection.execute("PRAGMA max_page_count=1000000")
    goes_on(ledger, told)


def until_full(ledger: Ledger) -> int:
    """Record until the disk is full; how many records were acknowledged."""
    for taken in range(10_000):
        try:
            delivery(ledger, f"d{taken}", note="x" * 2000)
        except ShopFileError as problem:
            told = problem
            break
    assert taken > 3
    assert told.details["fault"] == "full"
    assert "cannot grow: the disk is full. This was not recorded; all that was recorded before is there" in str(told)
    assert stock_kg(ledger, "silo_new", "new_sand") == 5 * taken
    with pytest.raises(ShopFileError, match="the disk is full"):
        delivery(ledger, f"d{taken}", note="x" * 2000)
    return taken


def goes_on(ledger: Ledger, taken: int) -> None:
    """Sent again, the refused record is taken, and the whole file is right."""
    delivery(ledger, f"d{taken}", note="x" * 2000)
    assert stock_kg(ledger, "silo_new", "new_sand") == 5 * (taken + 1)
    assert ledger.head().records == 1 + taken + 1
    assert list(ledger.verify()) == []
    ledger.close()


# -- what may not be written ------------------------------------------------------------------------------------


@contextmanager
def ordinary_user() -> Iterator[Path]:
    """A folder that anyone may enter, and the rights of an ordinary user within: root is refused nothing."""
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    folder = Path(tempfile.mkdtemp(dir="/tmp" if root else None))
    folder.chmod(0o755)
    if root:
        os.chown(folder, 65534, 65534)
        os.seteuid(65534)
    try:
        yield folder
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
        shutil.rmtree(folder)


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
@pytest.mark.parametrize("what", ["file", "folder", "both"])
def test_what_may_not_be_written_still_answers(what: str):
    """A read-only file, folder or both: the same stock as before, and a clear error where something is recorded."""
    with ordinary_user() as folder:
        path = filled(folder, 10)
        (folder / "test.shop-lock").unlink()
        if what != "folder":
            path.chmod(0o444)
        if what != "file":
            folder.chmod(0o555)
        with closing(Ledger.open(path)) as ledger:
            assert stock_kg(ledger, "silo_new", "new_sand") == 50
            assert ledger.head().records == 11
            with pytest.raises(ShopFileError) as caught:
                delivery(ledger, "more")
            assert caught.value.details["fault"] == "read_only"
            assert "can be read, not written" in str(caught.value)
            assert "Questions are answered; to record, give this user the right to write both" in str(caught.value)
            assert stock_kg(ledger, "silo_new", "new_sand") == 50
            assert list(ledger.verify()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_a_file_given_back_its_rights_takes_records_again():
    """Asked while it could only be read, it has a log with the rights of then; what was said to help does help."""
    with ordinary_user() as folder:
        path = filled(folder, 10)
        path.chmod(0o444)
        with closing(Ledger.open(path)) as ledger:
            assert stock_kg(ledger, "silo_new", "new_sand") == 50
        assert (folder / "test.shop-shm").stat().st_mode & 0o777 == 0o444
        path.chmod(0o644)
        with closing(Ledger.open(path)) as ledger:
            delivery(ledger, "more")
            assert stock_kg(ledger, "silo_new", "new_sand") == 55


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_a_log_of_another_user_is_named():
    """Where it is the log beside the file that may not be written, that is what is said."""
    with ordinary_user() as folder:
        path = filled(folder, 1)
        path.chmod(0o444)
        with closing(Ledger.open(path)) as ledger:
            ledger.head()
        path.chmod(0o644)
        folder.chmod(0o555)  # so that nobody can make the log anew
        if os.getuid() != 0:
            pytest.skip("only root can give a file away")
        os.seteuid(0)
        for suffix in ("-wal", "-shm"):
            os.chown(folder / f"test.shop{suffix}", 0, 0)
        os.seteuid(65534)
        with closing(Ledger.open(path)) as ledger, pytest.raises(ShopFileError) as caught:
            delivery(ledger, "more")
        assert "test.shop-wal beside it may not be written" in str(caught.value)


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_the_lock_of_another_user_counts_too():
    """Whoever may not write into the lock waits for it all the same, and a new one belongs to whom the shop belongs."""
    import fcntl

    with ordinary_user() as folder:
        path = filled(folder, 1)
        lock = folder / "test.shop-lock"
        lock.chmod(0o444)
        with lock.open() as held, closing(Ledger.open(path, wait_s=0.05)) as ledger:
            fcntl.flock(held, fcntl.LOCK_EX)
            with pytest.raises(ShopBusy, match="another program, which does not say who it is, is writing"):
                delivery(ledger, "more")
            fcntl.flock(held, fcntl.LOCK_UN)
            delivery(ledger, "more")
        lock.unlink()
        os.seteuid(os.getuid())
        with closing(Ledger.open(path)) as ledger:
            delivery(ledger, "by root")
        assert lock.stat().st_uid == path.stat().st_uid


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_a_file_read_as_it_lies_is_seen_to_change():
    """In a folder that we may not write, another user records: the next question knows it, once it is in the file."""
    with ordinary_user() as folder:
        path = filled(folder, 10)
        with closing(Ledger.open(path)) as writer:
            folder.chmod(0o555)
            with suppress(ShopFileError), closing(Ledger.open(path)) as while_open:
                assert stock_kg(while_open, "silo_new", "new_sand") == 50
            folder.chmod(0o755)
        folder.chmod(0o555)
        with closing(Ledger.open(path)) as reader:
            assert reader.store.read_only
            assert stock_kg(reader, "silo_new", "new_sand") == 50
            folder.chmod(0o755)
            with closing(Ledger.open(path)) as writer:
                delivery(writer, "more", 7)
            folder.chmod(0o555)
            assert stock_kg(reader, "silo_new", "new_sand") == 57


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_latest_records_in_a_log_that_cannot_be_opened_are_not_passed_over():
    """A copied file with its log in a read-only folder: refused with the way out, never answered without the log."""
    with ordinary_user() as folder:
        ledger, _ = new_shop(folder)
        delivery(ledger, "d1")
        copied = folder / "copy"
        copied.mkdir()
        for suffix in ("", "-wal"):
            shutil.copy(folder / f"test.shop{suffix}", copied)
        ledger.close()
        copied.chmod(0o555)
        try:
            error = refusal(copied / "test.shop")
            assert "its latest records are still in test.shop-wal, and this folder cannot be written" in str(error)
        finally:
            copied.chmod(0o755)


def test_a_write_protected_drive_still_answers(tmp_path: Path):
    """A read-only mount, as of a card with its lock on, where we may mount one."""
    path = filled(tmp_path, 10)
    mount = shutil.which("mount")
    point = tmp_path / "card"
    point.mkdir()
    if not mount or subprocess.run([mount, "--bind", tmp_path, point], check=False, capture_output=True).returncode:
        pytest.skip("no file system can be mounted here: see the tests with rights taken away")
    try:
        subprocess.run([mount, "-o", "remount,bind,ro", point], check=True, capture_output=True)
        with closing(Ledger.open(point / path.name)) as ledger:
            assert stock_kg(ledger, "silo_new", "new_sand") == 50
            with pytest.raises(ShopFileError, match="can be read, not written"):
                delivery(ledger, "more")
        with pytest.raises(ShopFileError, match="Read-only file system"):
            Ledger.create(point / "other.shop", _plant(path), sender="office")
    finally:
        subprocess.run(["umount", point], check=True)


def _plant(path: Path) -> dict[str, object]:
    import json

    with closing(sqlite3.connect(path)) as raw:
        found: dict[str, object] = json.loads(raw.execute("SELECT content FROM record WHERE seq = 1").fetchone()[0])
    return found


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_what_may_not_even_be_read_is_told():
    """No right to read the file, or to enter its folder."""
    with ordinary_user() as folder:
        path = filled(folder, 1)
        path.chmod(0)
        assert "cannot be opened (" in str(refusal(path))
        inner = folder / "inner"
        inner.mkdir()
        (inner / "test.shop").write_bytes(b"any file will do")
        inner.chmod(0)
        try:
            error = refusal(inner / "test.shop")
            assert str(error) == (
                f"{inner / 'test.shop'} cannot be opened (Permission denied): check that you may read it and its folder"
            )
        finally:
            inner.chmod(0o755)


def test_a_shop_taken_away_while_open_is_missed(tmp_path: Path):
    """Deleted or renamed under a running program: the next question says so instead of answering from nowhere."""
    ledger, _ = new_shop(tmp_path)
    ledger.store.path.rename(tmp_path / "elsewhere")
    with pytest.raises(ShopFileError, match="is not there"):
        stock_kg(ledger, "silo_new", "new_sand")
    with pytest.raises(ShopFileError, match="is not there"):
        delivery(ledger, "d1")
    (tmp_path / "elsewhere").rename(ledger.store.path)
    delivery(ledger, "d1")
    ledger.close()


def test_a_shop_in_no_folder_is_not_made(tmp_path: Path):
    """The folder's name is told."""
    with pytest.raises(ShopFileError, match=r"cannot be made: there is no folder .*nowhere; make that first"):
        new_shop(tmp_path / "nowhere")


# -- messages, read as their user would -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "fault", "words"),
    [
        ("SQLITE_BUSY", "busy", "is busy: another program holds it"),
        ("SQLITE_BUSY_RECOVERY", "busy", "try again"),
        ("SQLITE_FULL", "full", "Make room on the disk and send it again"),
        ("SQLITE_READONLY", "read_only", "can be read, not written"),
        ("SQLITE_READONLY_DBMOVED", "read_only", "can be read, not written"),
        ("SQLITE_CANTOPEN", "not_opened", "check that you may read it, and write to the folder"),
        ("SQLITE_CORRUPT", "damaged", "put a backup in its place with `sandtrack restore`"),
        ("SQLITE_CORRUPT_INDEX", "damaged", "see what `sandtrack verify` still finds"),
        ("SQLITE_NOTADB", "not_a_shop", "is not a shop file of sandtrack"),
        ("SQLITE_IOERR_READ", "drive", "its drive reports an error"),
        ("SQLITE_ERROR", "unusable", "run `sandtrack verify`, or restore a backup"),
    ],
)
def test_each_failure_of_sqlite_says_what_to_do(tmp_path: Path, name: str, fault: str, words: str):
    """By SQLite's own names of its result codes (sqlite.org/rescode.html)."""
    problem = sqlite3.OperationalError("as SQLite words it")
    problem.sqlite_errorname = name
    error = explain(tmp_path / "foundry.sandtrack", problem)
    assert error.details["fault"] == fault
    assert words in str(error)
    assert str(error).startswith(f"{tmp_path / 'foundry.sandtrack'} ")
