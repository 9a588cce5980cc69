"""The shop file: opening, migrating, transactions; every failure of SQLite as an error that says what to do."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sandtrack.errors import ShopFileError
from sandtrack.ledger import migrations

APPLICATION_ID = 0x53414E44  # "SAND", so that a shop file can be told from any other SQLite file
BUSY_S = 30.0


class Store:
    """One shop file; each thread has a connection of its own."""

    def __init__(self, path: str | Path, *, create: bool = False) -> None:
        self.path = Path(path)
        self._local = threading.local()
        if create:
            if self.path.exists():
                raise ShopFileError(f"{self.path} is there already; choose another name, or open it", path=self.path)
        elif not self.path.is_file():
            raise ShopFileError(
                f"{self.path} is not there; make a shop with `sandtrack init`, or name another file", path=self.path
            )
        with _explained(self.path):
            if not create and self._one("PRAGMA application_id") != APPLICATION_ID:
                raise ShopFileError(f"{self.path} is not a shop file of sandtrack; name another file", path=self.path)
            self._migrate(create)

    @property
    def connection(self) -> sqlite3.Connection:
        """This thread's connection."""
        found: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if found is None:
            with _explained(self.path):
                found = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None)
                self._local.connection = found
                for pragma in ("foreign_keys=ON", "synchronous=FULL", "recursive_triggers=ON", "temp_store=MEMORY"):
                    found.execute(f"PRAGMA {pragma}")
        return found

    def _one(self, sql: str) -> Any:
        return self.connection.execute(sql).fetchone()[0]

    def _migrate(self, create: bool) -> None:
        connection = self.connection
        if create:
            connection.execute("PRAGMA journal_mode=WAL")
        else:
            found = migrations.applied(connection)
            newer = sorted(found - set(migrations.STEPS))
            if newer:
                raise ShopFileError(
                    f"{self.path} was written by a newer sandtrack ({', '.join(newer)}); update this one",
                    path=self.path,
                )
            if found == set(migrations.STEPS):
                return
        with self.writing():
            if create:
                connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
            migrations.apply(connection)

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A write transaction: all of it or nothing; acknowledged means committed."""
        connection = self.connection
        with _explained(self.path):
            connection.execute("BEGIN IMMEDIATE")
        try:
            with _explained(self.path):
                yield connection
                connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """A read transaction: one unchanging picture, however many queries."""
        connection = self.connection
        if connection.in_transaction:
            yield connection
            return
        with _explained(self.path):
            connection.execute("BEGIN")
            try:
                yield connection
            finally:
                if connection.in_transaction:
                    connection.execute("COMMIT")

    def close(self) -> None:
        """Close this thread's connection."""
        found: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if found is not None:
            found.close()
            self._local.connection = None


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.IntegrityError:
        raise
    except sqlite3.OperationalError as problem:
        text = str(problem)
        if "locked" in text or "busy" in text:
            reason = f"is busy: another program has been writing for {BUSY_S:g} s; try again"
        elif "full" in text:
            reason = "cannot grow: the disk is full; nothing was written, make room and try again"
        elif "readonly" in text or "unable to open" in text:
            reason = f"cannot be written or opened ({text}); check the folder and its rights"
        else:
            reason = f"cannot be used ({text})"
        raise ShopFileError(f"{path} {reason}", path=path, cause=text) from problem
    except sqlite3.DatabaseError as problem:
        raise ShopFileError(
            f"{path} is not a shop file of sandtrack, or is damaged ({problem}); restore a backup",
            path=path,
            cause=str(problem),
        ) from problem
