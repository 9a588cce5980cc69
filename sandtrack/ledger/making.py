"""Files that get their name only when they are whole and on the disk."""

from __future__ import annotations

import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from sandtrack.errors import ShopFileError
from sandtrack.ledger.drives import refuse_network
from sandtrack.ledger.store import beside, cannot_write, no_folder, there_already


@contextmanager
def made_whole(path: str | Path, *, local: bool = True) -> Iterator[Path]:
    """A name beside `path` to make a file under; it becomes `path` at the end, unless that is there by then.

    `local`: the file is to be written to later, so it may not lie on a network drive.
    """
    path = Path(path)
    if path.exists():
        raise there_already(path)
    check_place(path, local=local)
    making = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}.making")
    try:
        making.touch(exist_ok=False)
        making.unlink()
    except OSError as problem:
        raise cannot_write(path, problem) from problem
    try:
        yield making
        publish(making, path)
    except ShopFileError as problem:
        say_of(problem, making, path)
        raise
    finally:
        for suffix in ("", "-wal", "-shm", "-journal"):
            with suppress(OSError):
                beside(making, suffix).unlink(missing_ok=True)


def say_of(problem: ShopFileError, making: Path, path: Path) -> None:
    """Let an error speak of the file by the name that people know."""
    problem.message = str(problem).replace(str(making), str(path))
    problem.args = (problem.message,)


def begin_like(path: Path, like: Path) -> None:
    """Make an empty file that the same people may read and write as another; nobody else ever may."""
    found = like.stat()
    mode = stat.S_IMODE(found.st_mode) & 0o666 | 0o600
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    with suppress(OSError, AttributeError):  # a drive without such rights; a system without owners
        os.chown(path, found.st_uid, found.st_gid)
    with suppress(OSError):
        path.chmod(mode)


def check_place(path: Path, *, local: bool = True) -> None:
    """Raise ShopFileError where no shop file can be put."""
    if not path.parent.is_dir():
        raise no_folder(path)
    if local:
        refuse_network(path)


def publish(making: Path, path: Path) -> None:
    """Give a finished file its name in one step, never over another file; raises ShopFileError."""
    try:
        to_disk(making)
        try:
            os.link(making, path)
        except FileExistsError:
            raise there_already(path) from None
        except OSError:  # a file system without links
            if path.exists():
                raise there_already(path) from None
            making.rename(path)
        making.unlink(missing_ok=True)
        to_disk(path.parent)
    except OSError as problem:
        raise cannot_write(path, problem) from problem


def second_name(path: Path, other: Path) -> Path:
    """Give a file another name, and leave it the first one too where the file system can; returns the other."""
    try:
        os.link(path, other)
    except OSError:
        path.rename(other)
    return other


def to_disk(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk; where the system cannot say, go on."""
    folder = path.is_dir()
    try:
        descriptor = os.open(path, os.O_RDONLY if folder else os.O_RDWR)
    except PermissionError:
        if folder:  # Windows opens no folders
            return
        raise
    try:
        os.fsync(descriptor)
    except OSError:
        if not folder:
            raise
    finally:
        os.close(descriptor)
