"""SQLite connections of this program, each used by one thread, and what becomes of them when the program forks.

SQLite keeps what it knows of a file's locks per program, and a fork copies that knowledge without the locks
(sqlite.org/howtocorrupt.html, 2.6). So the forking thread's idle connections are closed before a fork. Where one is
left, in use or of another thread, the new program must not open that file at all, and is told so.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote
from weakref import WeakSet

from sandtrack.errors import ShopFileError

_PRAGMAS = ("foreign_keys=ON", "synchronous=FULL", "recursive_triggers=ON")

Identity = tuple[int, ...]


class Connection(sqlite3.Connection):
    """A connection that knows its thread, and is closed with it."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.thread = threading.get_ident()
        self.file: Identity = ()
        self.closed = False

    def close(self) -> None:
        """Close it, and remember that."""
        self.closed = True
        super().close()

    def __del__(self) -> None:
        with suppress(sqlite3.Error):
            super().close()


_open: WeakSet[Connection] = WeakSet()
_inherited: list[Connection] = []
_spoiled: set[Identity] = set()


def connect(path: Path, mode: str, wait_s: float) -> Connection:
    """Open a file in one of SQLite's modes, settings made and its log opened; the caller explains what is raised."""
    if mode != "rwc":
        refuse_spoiled(path)
    connection = sqlite3.connect(
        f"{uri(path)}?mode={mode}",
        uri=True,
        timeout=wait_s,
        isolation_level=None,
        check_same_thread=False,
        factory=Connection,
    )
    try:
        for pragma in _PRAGMAS:
            connection.execute(f"PRAGMA {pragma}")
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except BaseException:
        connection.close()
        raise
    found = path.stat()
    connection.file = (found.st_dev, found.st_ino)
    _open.add(connection)
    return connection


def uri(path: Path) -> str:
    """A path as SQLite's own form of address, without its parameters (sqlite.org/uri.html)."""
    plain = path.absolute().as_posix()
    return "file://" + ("" if plain.startswith("/") else "/") + quote(os.fsencode(plain))


def refuse_spoiled(path: Path) -> None:
    """Raise ShopFileError where this program was forked while the file was in use."""
    if not _spoiled:
        return
    found = path.stat()
    if (found.st_dev, found.st_ino) in _spoiled:
        raise ShopFileError(
            f"{path} cannot be used here: this program was forked while another part of it was using the file. "
            "Fork before the shop is opened, or start new programs instead of forking",
            path=path,
            fault="forked",
        )


def _before_fork() -> None:
    for connection in list(_open):
        if connection.thread == threading.get_ident() and not connection.closed and not connection.in_transaction:
            connection.close()


def _in_child() -> None:
    for connection in list(_open):
        if not connection.closed:
            _spoiled.add(connection.file)
            _inherited.append(connection)
            with suppress(ImportError, AttributeError):
                import ctypes

                ctypes.pythonapi.Py_IncRef(ctypes.py_object(connection))  # not even closed as the program ends
    _open.clear()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(before=_before_fork, after_in_child=_in_child)
