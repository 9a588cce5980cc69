"""The shop file: opening, migrating, transactions.

Each thread has a connection of its own, none outlives a fork, and a file that was put in the place of the one that is
open is seen before the next transaction. Written through SQLite's write-ahead log with synchronous=FULL: what is
acknowledged is on the disk (sqlite.org/pragma.html#pragma_synchronous), and readers and the writer do not wait for
each other (sqlite.org/wal.html).
"""

from __future__ import annotations

import errno
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

from sandtrack.errors import ShopFileError
from sandtrack.ledger import drives, faults, migrations, turns
from sandtrack.ledger.connections import Connection, Identity, connect
from sandtrack.ledger.faults import explained

APPLICATION_ID = 0x53414E44  # "SAND", so that a shop file can be told from any other SQLite file
WAIT_S = 30.0
_NOT_OPENED = ("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_PERM", "SQLITE_IOERR_SHM", "SQLITE_IOERR_LOCK")


class _Opened(NamedTuple):
    """One thread's connection, with what it was opened on."""

    connection: Connection
    identity: Identity
    pid: int
    frozen: bool


class Store:
    """One shop file, as this program uses it from any of its threads."""

    def __init__(
        self, path: str | Path, *, create: bool = False, only_read: bool = False, wait_s: float = WAIT_S
    ) -> None:
        """Open a file, or make one that nobody else knows of yet; `wait_s` bounds each wait for other programs.

        With `only_read` nothing in the file changes, not even what the first one to record would change.
        """
        self.path = followed(path)
        self.wait_s = wait_s
        self.read_only = "it was opened for reading only" if only_read else ""
        """Why nothing can be recorded; "" where it can."""
        self.alone = create
        self._local = threading.local()
        self._sound: Identity = ()
        """State of the file in which nothing was damaged when an error made us look."""
        self._look(create)
        try:
            with explained(self.path):
                if not create and self._one("PRAGMA application_id") != APPLICATION_ID:
                    raise not_a_shop(self.path)
                if not self.read_only:
                    self._migrate(create)
        except BaseException:
            self.close()
            raise

    def _look(self, create: bool) -> None:
        path = self.path
        with _reachable(path):
            if create:
                if path.exists():
                    raise there_already(path)
                if not path.parent.is_dir():
                    raise no_folder(path)
            elif path.is_dir():
                raise ShopFileError(f"{path} is a folder; name the shop file in it", path=path, fault="not_a_shop")
            elif not path.is_file():
                raise _not_there(path)
            elif path.stat().st_size == 0:
                raise ShopFileError(
                    f"{path} is empty: it is no shop, or lost all that was in it; restore a backup, or name another "
                    "file",
                    path=path,
                    fault="not_a_shop",
                )
        if found := drives.network(path):
            if create or _has_log(path):
                drives.refuse_network(path)
            self.read_only = f"it lies on a network drive ({found})"  # a backup: it can be read and restored from

    # -- connections --------------------------------------------------------------------------------------------

    @property
    def connection(self) -> sqlite3.Connection:
        """This thread's connection."""
        found: _Opened | None = getattr(self._local, "opened", None)
        if found is not None and found.pid == os.getpid() and not found.connection.closed:
            return found.connection
        return self._open()

    def _open(self) -> sqlite3.Connection:
        with explained(self.path):
            _share_rights(self.path)
            try:
                mode = "rwc" if self.alone else "rw"  # "ro" would leave a log beside the file
                opened = _Opened(connect(self.path, mode, self.wait_s), self._identity(), os.getpid(), False)
            except sqlite3.OperationalError as problem:
                if self.alone or not getattr(problem, "sqlite_errorname", "").startswith(_NOT_OPENED):
                    raise
                opened = _Opened(self._connect_as_it_lies(problem), self._identity(True), os.getpid(), True)
        if self.read_only and opened.connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,):
            migrations.let_old_file_be_read(opened.connection)
        self._local.opened = opened
        return opened.connection

    def _connect_as_it_lies(self, problem: sqlite3.OperationalError) -> Connection:
        """A connection that writes nothing at all, for a file in a folder that cannot be written."""
        with _reachable(self.path), self.path.open("rb"):
            pass
        if _size(beside(self.path, "-wal")):
            raise ShopFileError(
                f"{self.path} cannot be read here: its latest records are still in {self.path.name}-wal, and this "
                "folder cannot be written. Copy both files to a folder of your own and open the copy, or let the "
                "program that writes it end first",
                path=self.path,
                fault="not_opened",
                cause=str(problem),
            ) from problem
        self.read_only = "its folder cannot be written"
        return connect(self.path, "ro&immutable=1", self.wait_s)

    def _identity(self, frozen: bool = False) -> Identity:
        """What tells one file from another put in its place; of a file read as it lies, also what tells a change."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            raise _not_there(self.path) from None
        if not frozen:
            return (found.st_dev, found.st_ino)
        return (found.st_dev, found.st_ino, found.st_mtime_ns, found.st_size, _size(beside(self.path, "-wal")))

    def _current(self) -> sqlite3.Connection:
        """This thread's connection, to the file that now has the name."""
        connection = self.connection
        opened: _Opened = self._local.opened
        with _reachable(self.path):
            if not connection.in_transaction and self._identity(opened.frozen) != opened.identity:
                self.close()
                return self.connection
        return connection

    def _one(self, sql: str) -> Any:
        return self.connection.execute(sql).fetchone()[0]

    def close(self) -> None:
        """Close this thread's connection; those of other threads are closed as these end."""
        found: _Opened | None = getattr(self._local, "opened", None)
        if found is not None and found.pid == os.getpid():
            found.connection.close()
            self._local.opened = None

    # -- migrating ----------------------------------------------------------------------------------------------

    def _migrate(self, create: bool) -> None:
        if create:
            self.connection.execute("PRAGMA journal_mode=WAL")
        elif self._pending() is False:
            self._log_ahead()
            return
        with self.writing() as connection:
            if create:
                connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
                migrations.apply(connection)
            elif self._pending():  # nobody else did it meanwhile
                migrations.apply(connection)
        self._log_ahead()

    def _pending(self) -> bool:
        """Whether the file waits for migrations; raises ShopFileError where it knows some that we do not."""
        found = migrations.applied(self.connection)
        newer = sorted(found - set(migrations.STEPS))
        if newer:
            raise ShopFileError(
                f"{self.path} was written by a newer sandtrack ({', '.join(newer)}); update this one",
                path=self.path,
                fault="newer",
            )
        return found != set(migrations.STEPS)

    def _log_ahead(self) -> None:
        """A backup is kept without a log beside it; where records are to come, it gets one."""
        if not self.read_only and self._one("PRAGMA journal_mode") != "wal":
            with suppress(sqlite3.OperationalError):  # may not be written, or is being read: the next to open it does
                self.connection.execute("PRAGMA busy_timeout=0")
                self.connection.execute("PRAGMA journal_mode=WAL")
            self.connection.execute(f"PRAGMA busy_timeout={int(self.wait_s * 1000)}")

    # -- transactions -------------------------------------------------------------------------------------------

    @contextmanager
    def writing(self, after: Callable[[], None] | None = None) -> Iterator[sqlite3.Connection]:
        """A write transaction: all of it or nothing; acknowledged means committed.

        `after` is called once it is committed, while nobody else can write yet.
        """
        if self.connection.in_transaction:
            raise ShopFileError(
                f"{self.path} cannot be written inside another transaction of this thread", path=self.path
            )
        self._current()
        if self.read_only:
            raise ShopFileError(f"{self.path} {faults.read_only(self.read_only)}", path=self.path, fault="read_only")
        if self.alone:
            with explained(self.path):
                self.connection.execute("BEGIN IMMEDIATE")
            yield from self._written()
            return
        with turns.turn(self.path, self._identity()[:2], self.wait_s) as until:  # type: ignore[arg-type]
            self._begin(until)
            yield from self._written()
            if after is not None:
                after()

    def _begin(self, until: float) -> None:
        """Begin writing the file that now has the name. The turn is ours: only what is not sandtrack can hold it."""
        while True:
            connection = self._current()
            with explained(self.path):
                connection.execute("PRAGMA busy_timeout=0")
                try:
                    connection.execute("BEGIN IMMEDIATE")
                except sqlite3.OperationalError as problem:
                    if not getattr(problem, "sqlite_errorname", "").startswith("SQLITE_BUSY"):
                        raise
                    if time.monotonic() >= until:
                        raise turns.busy_elsewhere(self.path, self.wait_s) from problem
                    time.sleep(turns.POLL_S)
                    continue
                finally:
                    connection.execute(f"PRAGMA busy_timeout={int(self.wait_s * 1000)}")
            if self._identity() == self._local.opened.identity:
                return
            connection.execute("ROLLBACK")

    def _written(self) -> Iterator[sqlite3.Connection]:
        connection = self.connection
        try:
            with explained(self.path):
                yield connection
                connection.execute("COMMIT")
        except BaseException as problem:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            self._suspect(problem)
            raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """A read transaction: one unchanging picture, however many queries."""
        connection = self._current()
        if connection.in_transaction:
            yield connection
            return
        with explained(self.path):
            connection.execute("BEGIN")
            try:
                yield connection
            except BaseException as problem:
                self._suspect(problem)
                raise
            finally:
                if connection.in_transaction:
                    connection.execute("COMMIT")

    def _suspect(self, problem: BaseException) -> None:
        """Look for damage after an error that nobody foresaw; what SQLite says by itself is explained already."""
        by_sqlite = isinstance(problem, sqlite3.Error) and not isinstance(problem, sqlite3.IntegrityError)
        if isinstance(problem, Exception) and faults.unforeseen(problem) and not by_sqlite and not self.alone:
            self.look_for_damage(problem)

    def look_for_damage(self, problem: Exception) -> None:
        """Raise ShopFileError where an error may come of damage, and the whole file, looked through, has some.

        Where the file is as it was written the error is a defect of the program, and stays what it is.
        """
        from sandtrack.ledger.verification import damage

        state = self._identity(True)
        if state != self._sound:
            if what := damage(self.path):
                raise faults.damaged(self.path, what) from problem
            self._sound = state


def _share_rights(path: Path) -> None:
    """Let whoever may write a file write its log too: SQLite may have made that while the file was for reading only."""
    with suppress(OSError):
        rights = path.stat().st_mode & 0o666
        for suffix in ("-wal", "-shm"):
            with suppress(OSError):  # it is not there, or is another user's
                other = beside(path, suffix)
                mode = other.stat().st_mode
                if rights & ~mode:
                    other.chmod(mode & 0o777 | rights)


def followed(path: str | Path) -> Path:
    """A file by its own name, where a link names it: what lies beside it has that name, whoever opens it by which."""
    return Path(os.path.realpath(path) if os.path.islink(path) else path)  # noqa: PTH114, where pathlib raises


def there_already(path: Path) -> ShopFileError:
    """The error of a file that would be made and is there."""
    return ShopFileError(f"{path} is there already; choose another name, or open it", path=path)


def no_folder(path: Path) -> ShopFileError:
    """The error of a file that would be made in a folder that is not there."""
    return ShopFileError(f"{path} cannot be made: there is no folder {path.parent}; make that first", path=path)


def cannot_write(path: Path, problem: OSError) -> ShopFileError:
    """The error of a file that the system does not let us write."""
    fault = "full" if problem.errno == errno.ENOSPC else "not_written"
    return ShopFileError(
        f"{path} cannot be written ({problem.strerror}): make room there or check the folder's rights",
        path=path,
        fault=fault,
        cause=str(problem),
    )


def not_a_shop(path: Path) -> ShopFileError:
    """The error of a file of something else."""
    return ShopFileError(f"{path} is not a shop file of sandtrack; name another file", path=path, fault="not_a_shop")


def _not_there(path: Path) -> ShopFileError:
    return ShopFileError(
        f"{path} is not there; make a shop with `sandtrack init`, or name another file", path=path, fault="not_there"
    )


@contextmanager
def _reachable(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise _not_there(path) from None
    except OSError as problem:
        raise ShopFileError(
            f"{path} cannot be opened ({problem.strerror}): check that you may read it and its folder",
            path=path,
            fault="not_opened",
            cause=str(problem),
        ) from problem


def beside(path: Path, suffix: str) -> Path:
    """The file beside another whose name goes on with a suffix."""
    return path.with_name(path.name + suffix)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _has_log(path: Path) -> bool:
    """Whether a SQLite file is written by a log beside it (sqlite.org/fileformat2.html, 1.3.3: bytes 18 and 19)."""
    try:
        with path.open("rb") as file:
            return 2 in file.read(20)[18:]
    except OSError:
        return False
