"""Whose turn it is to write: one writer at a time per shop file, named while others wait, each wait bounded.

SQLite lets one transaction write at a time, but does not say who holds it. So a writer first locks a small file beside
the shop (`…-lock`) and writes its name and the time into it; whoever waits in vain reads them. The operating system
lets go of the lock when its program ends, however that ends.

The lock is held until the commit's checkpoint is done. That also keeps two programs from writing and checkpointing at
one instant, which up to SQLite 3.51.2 could in rare cases damage a file (sqlite.org/wal.html, "The WAL-Reset Bug").
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from weakref import WeakValueDictionary

from sandtrack.errors import ShopBusy

POLL_S = 0.002
_WAL_WRITE_LOCK = 120  # byte of the -shm file that SQLite locks for writing (sqlite.org/walformat.html, 2.3.1)

Identity = tuple[int, int]


class _Threads:
    """The turn among this program's own threads on one file."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.since = 0.0


_threads: WeakValueDictionary[Identity, _Threads] = WeakValueDictionary()
_guard = threading.Lock()
_held: set[int] = set()


def _after_fork() -> None:
    """A forked program holds nothing: the threads that did are not in it."""
    global _guard
    _guard = threading.Lock()
    _threads.clear()
    _myself.cache_clear()
    for descriptor in _held:
        with suppress(OSError):
            os.close(descriptor)
    _held.clear()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_after_fork)


@contextmanager
def turn(path: Path, identity: Identity, wait_s: float) -> Iterator[float]:
    """Hold the turn to write a file; yields until when (monotonic) to go on waiting. Raises ShopBusy."""
    started = time.monotonic()
    until = started + wait_s
    with _guard:
        threads = _threads.setdefault(identity, _Threads())
    if not threads.lock.acquire(timeout=wait_s):
        for_s = time.time() - threads.since
        raise _busy(path, wait_s, f"another thread of this program has been writing for {_seconds(for_s)}")
    try:
        threads.since = time.time()
        descriptor = _lock_file(path, until, wait_s)
        try:
            yield until
        finally:
            if descriptor is not None:
                _release(descriptor)
    finally:
        threads.lock.release()


def _lock_file(path: Path, until: float, wait_s: float) -> int | None:
    try:
        descriptor = _open(path)
    except OSError:  # SQLite's own lock is still to come, and tells why the folder cannot be written
        return None
    _held.add(descriptor)
    try:
        while not _try(descriptor):
            if time.monotonic() >= until:
                raise _busy(path, wait_s, _named(_read(descriptor)))
            time.sleep(POLL_S)
        with suppress(OSError):  # a note that cannot be written, as on a full disk, is only missed
            os.ftruncate(descriptor, 0)
            os.write(descriptor, _note())
    except BaseException:
        _close(descriptor)
        raise
    return descriptor


def _open(path: Path) -> int:
    name = lock_name(path)
    try:
        return os.open(name, os.O_RDWR)
    except FileNotFoundError:
        shop = path.stat()
        mode = shop.st_mode & 0o666  # whoever may write the shop may lock it
        descriptor = os.open(name, os.O_RDWR | os.O_CREAT, mode)
        with suppress(OSError, AttributeError):
            os.fchmod(descriptor, mode)
            os.fchown(descriptor, shop.st_uid, shop.st_gid)
        return descriptor
    except PermissionError:
        if sys.platform == "win32":
            raise
        return os.open(name, os.O_RDONLY)  # another user's: it can be locked, if not written into


def lock_name(path: Path) -> Path:
    """The small file beside a shop file that a writer locks."""
    return path.with_name(path.name + "-lock")


def _read(descriptor: int) -> bytes:
    try:
        os.lseek(descriptor, 0, os.SEEK_SET)
        return os.read(descriptor, 4096)
    except OSError:
        return b""


def _release(descriptor: int) -> None:
    with suppress(OSError):
        os.ftruncate(descriptor, 0)
    _close(descriptor)


def _close(descriptor: int) -> None:
    _held.discard(descriptor)
    os.close(descriptor)  # and with it the lock


if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30  # Windows keeps others from reading locked bytes: lock one that is not there

    def _try(descriptor: int) -> bool:
        os.lseek(descriptor, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(descriptor, 0, os.SEEK_SET)
        return True
else:
    import fcntl

    def _try(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


# -- who it is --------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _myself() -> dict[str, object]:
    import getpass

    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = ""
    program = Path(sys.argv[0]).name if sys.argv and sys.argv[0] not in ("", "-", "-c") else "python"
    return {"pid": os.getpid(), "program": program, "user": user}


def _note() -> bytes:
    return json.dumps({**_myself(), "since": time.time()}).encode()


def _named(note: bytes) -> str:
    """Who holds the lock, and for how long, as far as its note says."""
    try:
        held = json.loads(note)
        since, program, pid = float(held["since"]), str(held["program"]), int(held["pid"])
        user = f", user {held['user']}" if held.get("user") else ""
    except (ValueError, KeyError, TypeError):
        return "another program, which does not say who it is, is writing"
    return f"{program} (process {pid}{user}) has been writing for {_seconds(time.time() - since)}"


def _seconds(span: float) -> str:
    return f"{span:.0f} s" if span >= 1 else "less than a second, after others before it"


def _busy(path: Path, wait_s: float, who: str) -> ShopBusy:
    return ShopBusy(
        f"{path} is busy: {who}. Nothing was written in {wait_s:g} s of waiting; try again when it is done",
        path=path,
        fault="busy",
        who=who,
        waited_s=wait_s,
    )


def busy_elsewhere(path: Path, wait_s: float) -> ShopBusy:
    """The error where it is our turn, and yet SQLite says that someone writes: a program that is not sandtrack."""
    pid = _locker(path)
    who = f"{_command(pid)} (process {pid})" if pid else "a program that is not sandtrack"
    return _busy(path, wait_s, f"{who} holds it for writing, for as long as this one has waited")


def _locker(path: Path) -> int:
    """The process that holds SQLite's lock for writing, where Linux's /proc/locks tells; else 0."""
    try:
        inode = path.with_name(path.name + "-shm").stat().st_ino
        lines = Path("/proc/locks").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0
    for line in lines:
        words = line.split()
        if len(words) >= 8 and words[3] == "WRITE" and words[5].endswith(f":{inode}"):
            first, last = words[6], words[7]
            if int(first) <= _WAL_WRITE_LOCK and (last == "EOF" or int(last) >= _WAL_WRITE_LOCK):
                return max(int(words[4]), 0)
    return 0


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return "a program"
