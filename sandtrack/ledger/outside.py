"""What lies beside a shop file and is no part of it: the last head of its chain, and when it was last verified.

A chain cannot see that its end was cut off; a head that is kept outside can. Both files are written after the commit,
so they are only ever behind. `SHOP.head` holds a head a line: the last one first, then those that were lost. It is
written over in place and not waited for: what a stopped machine loses of it only makes it older.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from sandtrack.ledger.chain import MOST_RECORDS, Head

_MOST_LOST = 20
_DIGITS = 64


class Kept(NamedTuple):
    """What is kept of the chain's end outside the shop file."""

    last: Head | None
    lost: tuple[Head, ...] = ()
    """Ends that the chain once had and has no more."""
    readable: bool = True

    @property
    def heads(self) -> tuple[Head, ...]:
        """All heads that the chain should hold."""
        return (*([self.last] if self.last else []), *self.lost)


class Verified(NamedTuple):
    """Up to where a shop file was verified last, and when."""

    records: int
    head: str
    at: str
    whole_at: str
    """When all of it was last worked out again, not only what came since."""
    by: str
    """The sandtrack that did it."""
    failed_at: str = ""
    """When something was found that is not as it was accepted; "" where the last run found nothing."""


def head_name(path: Path) -> Path:
    """The file that holds the last head."""
    return path.with_name(path.name + ".head")


def verified_name(path: Path) -> Path:
    """The file that says what was verified."""
    return path.with_name(path.name + ".verified")


def replay_name(path: Path) -> Path:
    """The copy that the last clean `verify` made by appending all records again: the next one goes on from it."""
    return path.with_name(path.name + ".replay")


def _line(head: Head) -> bytes:
    return f"{head.records:>15} {head.digest}\n".encode()


def kept(path: Path) -> Kept:
    """What is kept beside a shop file; nothing where there is no such file."""
    try:
        return _read(head_name(path).read_bytes())
    except FileNotFoundError:
        return Kept(None)
    except OSError:
        return Kept(None, readable=False)


def _read(text: bytes) -> Kept:
    heads = []
    try:
        for line in text.decode("ascii").splitlines():
            records, digest = line.split()
            if len(digest) != _DIGITS or bytes.fromhex(digest).hex() != digest:
                raise ValueError(digest)
            if not 0 < int(records) <= MOST_RECORDS:
                raise ValueError(records)
            heads.append(Head(int(records), digest))
    except ValueError:
        return Kept(None, readable=False)
    return Kept(heads[0], tuple(heads[1:])) if heads else Kept(None, readable=not text)


def keep_head(
    path: Path, before: Head, after: Head, hash_of: Callable[[int], str | None], gone: Iterable[Head] = ()
) -> None:
    """Keep the head after a commit; one that the chain no longer holds, and those `gone`, stay kept as lost.

    What cannot be written is only missed: a record that is in the book stays acknowledged.
    """
    with suppress(OSError):
        descriptor = _open(path)
        try:
            text, lost = os.read(descriptor, 4096), list(gone)
            if text != _line(before):  # else nobody else wrote meanwhile, which is nearly always so
                before_us = _read(text)
                lost += before_us.lost
                if before_us.last is not None and hash_of(before_us.last.records) != before_us.last.digest:
                    lost.append(before_us.last)
            os.lseek(descriptor, 0, os.SEEK_SET)
            written = os.write(descriptor, b"".join(map(_line, [after, *lost[-_MOST_LOST:]])))
            if written < len(text):
                os.ftruncate(descriptor, written)
        finally:
            os.close(descriptor)


def _open(path: Path) -> int:
    name = head_name(path)
    try:
        return os.open(name, os.O_RDWR)
    except FileNotFoundError:
        shop = path.stat()
        mode = shop.st_mode & 0o666  # whoever may write the shop may write its head
        descriptor = os.open(name, os.O_RDWR | os.O_CREAT, mode)
        with suppress(OSError, AttributeError):
            os.fchmod(descriptor, mode)
            os.fchown(descriptor, shop.st_uid, shop.st_gid)
        return descriptor


def begin(path: Path, head: Head, lost: Iterable[Head] = ()) -> None:
    """Begin anew beside a file that was made or put in place: its head, what is lost, and nothing that was verified."""
    for name in (head_name(path), verified_name(path), replay_name(path)):
        with suppress(OSError):
            name.unlink(missing_ok=True)
    keep_head(path, head, head, lambda _: None, lost)


# -- what was verified ------------------------------------------------------------------------------------------


def verified(path: Path) -> Verified | None:
    """What was verified last, as far as it can be read."""
    try:
        content = json.loads(verified_name(path).read_bytes())
        made = Verified(**{name: content[name] for name in Verified._fields})
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None
    return made if isinstance(made.records, int) and all(isinstance(part, str) for part in made[1:]) else None


def keep_verified(path: Path, made: Verified, replay: Path | None) -> None:
    """Keep what was verified, and the copy to go on from; what cannot be written is only missed."""
    if replay is None or _put(path, replay_name(path), lambda making: shutil.copyfile(replay, making)):
        _put(path, verified_name(path), lambda making: making.write_text(json.dumps(made._asdict(), indent=1) + "\n"))


def _put(path: Path, name: Path, make: Callable[[Path], object]) -> bool:
    """Make a file beside the shop file, whole or not at all, with the rights of that; whether it was done."""
    making = name.with_name(f".{name.name}.{os.getpid()}.making")
    try:
        make(making)
        with suppress(OSError):
            making.chmod(path.stat().st_mode & 0o666)
        making.replace(name)
    except OSError:
        with suppress(OSError):
            making.unlink(missing_ok=True)
        return False
    return True
