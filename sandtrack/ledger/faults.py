"""Every failure of SQLite, of the file system and of what a damaged file holds, as an error that says what to do."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sandtrack.errors import SandtrackError, ShopBusy, ShopFileError

HEADER = b"SQLite format 3\0"
"""First bytes of every SQLite file (sqlite.org/fileformat2.html, 1.3)."""
ROOM_BYTES = 1 << 20
_RESTORE = (
    "leave it as it is, see what `sandtrack verify` still finds in it, and put a backup in its place with "
    "`sandtrack restore`, which keeps the damaged file beside it"
)


class Unreadable(Exception):
    """Something in a shop file is not what sandtrack wrote; the text names it. It becomes a ShopFileError."""


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn what SQLite raises inside the block into a ShopFileError; what the schema refuses is raised as it is."""
    try:
        yield
    except Unreadable as problem:
        raise damaged(path, str(problem)) from problem
    except UnicodeDecodeError as problem:  # even what SQLite says of a damaged file may be no text
        raise damaged(path, f"a name in it is no text: {problem.object!r}") from problem
    except sqlite3.IntegrityError:
        raise
    except sqlite3.DatabaseError as problem:
        if not getattr(problem, "sqlite_errorname", "") and not isinstance(problem, sqlite3.OperationalError):
            raise  # a slip in the calling program, as the use of a closed connection
        raise explain(path, problem) from problem


def unforeseen(problem: Exception) -> bool:
    """Whether an error may come of a damaged file: whatever is not an error of our own or of the system."""
    return not isinstance(problem, SandtrackError | Unreadable | OSError)


def damaged(path: Path, what: str) -> ShopFileError:
    """The error of a file in which something is not as it was written."""
    return ShopFileError(f"{path} is damaged ({what}): {_RESTORE}", path=path, fault="damaged", cause=what)


def explain(path: Path, problem: sqlite3.DatabaseError) -> ShopFileError:
    """The error that a person can act on."""
    name = getattr(problem, "sqlite_errorname", "")
    fault, reason = _reason(path, name, str(problem))
    kind = ShopBusy if fault == "busy" else ShopFileError
    return kind(f"{path} {reason}", path=path, fault=fault, cause=f"{problem} ({name})" if name else str(problem))


def _reason(path: Path, name: str, text: str) -> tuple[str, str]:
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return "busy", "is busy: another program holds it and did not let go in time; nothing was written, try again"
    if name.startswith("SQLITE_FULL") or (name.startswith("SQLITE_IOERR") and _no_room(path)):
        return (
            "full",
            "cannot grow: the disk is full. This was not recorded; all that was recorded before is there. "
            "Make room on the disk and send it again",
        )
    if name.startswith("SQLITE_READONLY"):
        return "read_only", read_only(_unwritable(path))
    if name.startswith(("SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        return (
            "not_opened",
            f"cannot be opened ({text}): check that you may read it, and write to the folder that it is in",
        )
    if name == "SQLITE_NOTADB" and not _starts_as_sqlite(path):
        return (
            "not_a_shop",
            "is not a shop file of sandtrack, or its beginning is destroyed; name another file, or restore a backup",
        )
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) or text.startswith("Could not decode"):
        return "damaged", f"is damaged ({text}): {_RESTORE}"
    if name.startswith("SQLITE_IOERR"):
        return (
            "drive",
            f"cannot be read or written: its drive reports an error ({text}). This was not recorded. Check the drive "
            "and its cable, and copy the file away before anything else",
        )
    return "unusable", f"cannot be used ({text}); run `sandtrack verify`, or restore a backup"


def read_only(why: str) -> str:
    """What is said of a file that answers questions and takes nothing."""
    return (
        f"can be read, not written: {why}. Questions are answered; to record, give this user the right to write both, "
        "or copy the file to a folder of your own"
    )


def _unwritable(path: Path) -> str:
    """Which of the files that are written may not be."""
    for suffix in ("-wal", "-shm"):
        other = path.with_name(path.name + suffix)
        if _writable(path) and other.exists() and not _writable(other):
            return f"{other.name} beside it may not be written"
    return "it or its folder may not be written"


def _writable(path: Path) -> bool:
    return os.access(path, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def _no_room(path: Path) -> bool:
    try:
        return shutil.disk_usage(path.parent).free < ROOM_BYTES
    except OSError:
        return False


def _starts_as_sqlite(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(HEADER)) == HEADER
    except OSError:
        return False
