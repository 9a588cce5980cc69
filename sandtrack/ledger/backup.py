"""Backups made while the shop works, and putting one back without losing what it replaces."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sandtrack.errors import ShopFileError
from sandtrack.ledger import outside
from sandtrack.ledger.chain import Head
from sandtrack.ledger.connections import uri
from sandtrack.ledger.faults import explained
from sandtrack.ledger.making import begin_like, check_place, made_whole, publish, say_of, second_name, to_disk
from sandtrack.ledger.picture import Violation
from sandtrack.ledger.store import WAIT_S, Store, beside, cannot_write, followed
from sandtrack.ledger.verification import Verification

if TYPE_CHECKING:
    from sandtrack.ledger import Ledger

_SHOWN = 5


@dataclass(frozen=True)
class Restored:
    """What a restore did."""

    head: Head
    """End of the chain of what now stands under the name."""
    kept: Path | None
    """Where the file that stood there before is kept."""
    before: Head | None
    """End of its chain, where it could still be read."""
    note: str
    """How the two compare, in words."""


def backup(ledger: Ledger, to: str | Path) -> Head:
    """Copy a shop to a new file while others read and write it; returns the head of the copy's chain.

    The copy is one moment of the shop, is checked page by page, and needs no other file beside it. Raises
    ShopFileError, with nothing left behind, if it cannot be written or the shop is damaged.
    """
    known = _known(ledger.store.path)  # before the copy, which so holds all that was not lost
    with made_whole(to, local=False) as making:
        with ledger.store.reading() as connection:
            copy(connection, making, like=ledger.store.path)
        with closing(sqlite3.connect(f"{uri(making)}?mode=ro&nolock=1", uri=True)) as made, explained(making):
            _whole(made, ledger.store.path)
            head, lost = _head(made), _in_none([_Chain(made)], known)
    outside.begin(Path(to), head, (gone for gone, _ in lost))
    return head


def copy(connection: sqlite3.Connection, to: Path, *, like: Path) -> None:
    """Copy what a connection sees to a new file with the rights of another, which is left without a log beside it."""
    try:
        begin_like(to, like)
        # Nobody else knows of the file: it needs no lock, which a network drive may not have.
        with explained(to), closing(sqlite3.connect(f"{uri(to)}?mode=rwc&nolock=1", uri=True)) as made:
            made.execute("PRAGMA synchronous=FULL")
            connection.backup(made)
        with to.open("r+b") as file:  # written without a log from here on (sqlite.org/fileformat2.html, 1.3.3)
            file.seek(18)
            file.write(b"\1\1")
        to_disk(to)
    except ShopFileError as problem:
        if problem.details.get("fault") in ("damaged", "not_a_shop"):
            raise
        why = "the disk is full" if problem.details.get("fault") == "full" else problem.details.get("cause")
        raise ShopFileError(
            f"no copy could be made in {to.parent} ({why}); nothing was changed", path=to.parent, **_cause(problem)
        ) from problem
    except OSError as problem:
        raise cannot_write(to.parent, problem) from problem


def _cause(problem: ShopFileError) -> dict[str, Any]:
    return {name: problem.details.get(name) for name in ("fault", "cause")}


def _whole(connection: sqlite3.Connection, path: Path) -> None:
    try:
        found = [text for (text,) in connection.execute("PRAGMA integrity_check(5)") if text != "ok"]
    except sqlite3.DatabaseError as problem:
        found = [str(problem)]
    if found:
        raise ShopFileError(
            f"{path} is damaged, and so would be its backup ({found[0]}): no backup was made. See what `sandtrack "
            "verify` finds, and keep the backups that you have",
            path=path,
            fault="damaged",
        )


def _head(connection: sqlite3.Connection) -> Head:
    seq, digest = connection.execute("SELECT seq, hash FROM record ORDER BY seq DESC LIMIT 1").fetchone()
    return Head(seq, digest.hex())


# -- putting one back -------------------------------------------------------------------------------------------


def restore(source: str | Path, path: str | Path, *, older_too: bool = False, wait_s: float = WAIT_S) -> Restored:
    """Put a backup in the place of a shop file; raises ShopFileError, and then nothing has changed.

    The backup is copied beside `path` and verified there. It is refused if anything in it is not as it was accepted,
    if it is of another shop, if other programs have the shop open, and, without `older_too`, if the shop holds records
    that the backup lacks. The file that stood there is kept beside it under a name with the time. What no file holds
    any more is named in the note; from then on the head of what was restored counts.
    """
    source, path = Path(source), followed(path)
    check_place(path)
    if path.exists() and source.resolve() == path.resolve():
        raise ShopFileError(f"{source} is the shop file itself; name a backup of it", path=path)
    known = _known(path, source)
    with _made(path) as making:
        head = _verified(source, making, path if path.exists() else source, wait_s)
        if not path.exists():
            lost = _lost(making, None, known)
            publish(making, path)
            outside.begin(path, head, ())
            return Restored(head, None, None, "there was no shop file under that name" + _missing(lost, head))
        with _alone_with(path, wait_s) as now:
            note, before = _compared(making, now, path, older_too)
            lost = _lost(making, now, known)
            note += _missing(lost, head)
            if now is not None and os.name == "nt":  # Windows gives no other name to a file that is open
                now.close()
            try:
                kept = _keep(path)
                making.replace(path)
                outside.begin(path, head, ())
                to_disk(path.parent)
            except OSError as problem:
                raise cannot_write(path, problem) from problem
        return Restored(head, kept, before, note)


def _verified(source: Path, making: Path, like: Path, wait_s: float) -> Head:
    """Copy a backup, with the rights of another file, and verify the copy; returns the end of its chain."""
    from sandtrack.ledger import Ledger

    try:
        with closing(Store(source, only_read=True, wait_s=wait_s)) as store, store.reading() as connection:
            copy(connection, making, like=like)
        with closing(Ledger.open(making)) as ledger:
            found = _first(iter(Verification(ledger, keep=False)))
            head = ledger.head()
    except ShopFileError as problem:
        say_of(problem, making, source)
        if problem.details.get("fault") != "damaged":
            raise
        cause = problem.details.get("cause")
        raise ShopFileError(
            f"{source} is damaged ({cause}), so it was not put in place; try an older backup",
            path=source,
            fault="damaged",
            cause=cause,
        ) from problem
    if found:
        listed = "\n".join(f"  {one.subject}: {one.text}" for one in found)
        raise ShopFileError(
            f"{source} is not as it was accepted, so it was not put in place:\n{listed}\nTry an older backup",
            path=source,
            fault="damaged",
            violations=found,
        )
    return head


@contextmanager
def _made(path: Path) -> Iterator[Path]:
    """A name beside `path` for the copy; what is left under it goes at the end."""
    making = path.with_name(f".{path.name}.{time.time_ns()}.restoring")
    try:
        yield making
    finally:
        for suffix in ("", "-wal", "-shm", "-journal", "-lock"):
            beside(making, suffix).unlink(missing_ok=True)


def _first(violations: Iterator[Violation]) -> list[Violation]:
    found = []
    for one in violations:
        found.append(one)
        if len(found) == _SHOWN:
            break
    return found


@contextmanager
def _alone_with(path: Path, wait_s: float) -> Iterator[sqlite3.Connection | None]:
    """The file to be replaced, which nobody else may use meanwhile; None if it is too damaged for that.

    Leaving the write-ahead log is only possible for the one connection that a file has, and puts all that is in the
    log into the file (sqlite.org/pragma.html#pragma_journal_mode).
    """
    try:
        connection = sqlite3.connect(f"{uri(path)}?mode=rw", uri=True, isolation_level=None, timeout=min(wait_s, 5.0))
    except sqlite3.DatabaseError:
        yield None
        return
    with closing(connection):
        usable: sqlite3.Connection | None = connection
        try:
            connection.execute("PRAGMA journal_mode=DELETE")
            connection.execute("BEGIN EXCLUSIVE")
            if connection.execute("PRAGMA journal_mode").fetchone() != ("delete",):
                raise _in_use(path)  # opened by another program between the two
        except sqlite3.DatabaseError as problem:
            if getattr(problem, "sqlite_errorname", "").startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
                raise _in_use(path) from problem
            usable = None
        try:
            yield usable
        except BaseException:
            if usable is not None:  # as it was: its programs go on with a log
                usable.execute("ROLLBACK")
                usable.execute("PRAGMA journal_mode=WAL")
            raise


def _in_use(path: Path) -> ShopFileError:
    return ShopFileError(
        f"{path} is in use: close every program that has it open (the service, notebooks), and restore again; "
        "nothing was changed",
        path=path,
        fault="busy",
    )


def _compared(making: Path, now: sqlite3.Connection | None, path: Path, older_too: bool) -> tuple[str, Head | None]:
    """How a backup and the file that it is to replace compare; raises ShopFileError where that would lose records."""
    with closing(sqlite3.connect(f"{uri(making)}?mode=ro", uri=True)) as made:
        theirs, head = _Chain(made), _head(made)
        try:
            ours, before = (_Chain(now), _head(now)) if now is not None else (None, None)
        except (sqlite3.DatabaseError, TypeError):
            ours = before = None
        if ours is None or before is None:
            return "the file that stood there can no longer be read, so the two could not be compared", None
        shared = min(head.records, before.records)
        if ours.get(shared) == theirs.get(shared):
            if before.records <= head.records:
                more = head.records - before.records
                return (f"the backup holds {_records(more)} more" if more else "both end at the same record"), before
            text = f"the backup is older: {path.name} holds {_records(before.records - head.records)} that it lacks"
        elif ours.get(1) != theirs.get(1):
            raise ShopFileError(
                f"{path} is another shop than the backup's: their first records differ. Restore under another name",
                path=path,
                fault="another_shop",
            )
        else:
            alike, parted = 1, shared
            while parted - alike > 1:  # each hash holds all before it, so once they part they stay so
                middle = (alike + parted) // 2
                alike, parted = (middle, parted) if ours.get(middle) == theirs.get(middle) else (alike, middle)
            text = (
                f"the two part at record {parted}: {path.name} holds {_records(before.records - parted + 1)} that "
                "the backup lacks"
            )
    if not older_too:
        raise ShopFileError(
            f"{text}. Nothing was changed; to put it in place all the same, say --older-too (the present file is kept)",
            path=path,
            fault="older",
        )
    return text, before


def _known(*paths: Path) -> dict[Head, str]:
    """Heads kept beside files, each with the name of the file that keeps it."""
    return {head: outside.head_name(path).name for path in paths for head in outside.kept(path).heads}


def _lost(making: Path, now: sqlite3.Connection | None, known: Mapping[Head, str]) -> list[tuple[Head, str]]:
    """Heads that neither the backup's chain holds nor that of the file it replaces."""
    with closing(sqlite3.connect(f"{uri(making)}?mode=ro", uri=True)) as made:
        return _in_none([_Chain(made), *([] if now is None else [_Chain(now)])], known)


def _in_none(chains: list[_Chain], known: Mapping[Head, str]) -> list[tuple[Head, str]]:
    """Heads that no chain holds."""
    return sorted((head, name) for head, name in known.items() if not any(chain.holds(head) for chain in chains))


def _missing(lost: list[tuple[Head, str]], head: Head) -> str:
    """What is lost, in words; "" where nothing is."""
    if not lost:
        return ""
    last, name = lost[-1]
    if last.records > head.records:
        return f"; by {name} there were {_records(last.records)}: what is missing is in no file at hand"
    return f"; by {name} record {last.records:,} was another: what is missing is in no file at hand"


def _records(number: int) -> str:
    return f"{number:,} record{'s' * (number != 1)}"


class _Chain:
    """Hashes of the records by their number."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection

    def get(self, seq: int) -> bytes | None:
        found = self.connection.execute("SELECT hash FROM record WHERE seq = ?", (seq,)).fetchone()
        return found[0] if found else None

    def holds(self, head: Head) -> bool:
        """Whether a head is of this chain; not where that cannot be read."""
        try:
            return self.get(head.records) == bytes.fromhex(head.digest)
        except sqlite3.DatabaseError:
            return False


def _keep(path: Path) -> Path:
    """Give the present file, and what lies beside it, a second name."""
    stamp = time.strftime("%Y%m%d-%H%M%S")
    kept, turn = beside(path, f".before-restore-{stamp}"), 1
    while kept.exists():
        turn += 1
        kept = beside(path, f".before-restore-{stamp}-{turn}")
    for suffix in ("-wal", "-shm", "-journal"):  # of a damaged file: the backup must not meet them
        if beside(path, suffix).exists():
            beside(path, suffix).rename(beside(kept, suffix))
    with suppress(OSError):
        outside.head_name(path).replace(outside.head_name(kept))
    return second_name(path, kept)
