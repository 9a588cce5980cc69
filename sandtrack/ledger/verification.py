"""One run of `verify` over a shop file: what it goes on from, what it finds, what is kept of it for the next one."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from sandtrack.errors import ShopFileError
from sandtrack.ledger import migrations, outside, verify
from sandtrack.ledger.chain import Head, hash_at
from sandtrack.ledger.outside import Kept, Verified
from sandtrack.ledger.picture import Picture, Violation
from sandtrack.ledger.replay import replayed
from sandtrack.ledger.store import Store
from sandtrack.records import times

if TYPE_CHECKING:
    from sandtrack.ledger import Ledger


class Verification:
    """One run over a ledger's file: iterate over it for every violation.

    `heads` are ends of the chain that reports have printed. Unless `whole`, it goes on from what the last clean run
    kept beside the file: each row is read and compared again, but how the rows of records up to `since` follow from
    what was sent is not worked out again. Where that finds anything, the whole is worked out. A clean run is kept for
    the next one and for what answers say, a failed one for what answers say, unless `keep` is false.
    """

    def __init__(
        self,
        ledger: Ledger,
        heads: Iterable[Head] = (),
        *,
        whole: bool = True,
        keep: bool = True,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        self.ledger = ledger
        self.heads = tuple(heads)
        self.whole = whole
        self.keep = keep and not ledger.store.read_only
        self.progress = progress
        self.since = 0
        self.before: Verified | None = None
        """What the run went on from."""

    def __iter__(self) -> Iterator[Violation]:
        before = None if self.whole else outside.verified(self.ledger.store.path)
        if before is not None and before.by == _program() and not before.failed_at:
            with closing(self._run(before)) as run:
                if next(run, None) is None and self.since:
                    return
        self.since, self.before = 0, None
        yield from self._run(None)

    def _run(self, before: Verified | None) -> Generator[Violation, None, None]:
        path = self.ledger.store.path
        kept = outside.kept(path)  # before the picture, so that what it names is in the picture
        store = Store(path)  # a connection of its own: the caller may write while it reads what is found
        try:
            connection = store.connection
            connection.text_factory = partial(str, encoding="utf-8", errors="surrogateescape")
            connection.execute("BEGIN")
            picture = Picture(connection, self.ledger.zone, self.ledger.forms, self._wanted(kept), 0, self.progress)
            if before is not None:
                if hash_at(connection, before.records) != before.head:
                    return  # another file stands there now
                picture = picture._replace(since=before.records)
                self.since, self.before = before.records, before
            is_kept = False
            for violation in self._checked(picture, kept):
                if not is_kept and before is None and violation.code != "printed":  # that may be a slip of who typed it
                    self._failed()
                    is_kept = True
                yield violation
        finally:
            store.close()

    def _wanted(self, kept: Kept) -> dict[int, list[tuple[str, str]]]:
        wanted: dict[int, list[tuple[str, str]]] = {}
        name = outside.head_name(self.ledger.store.path).name
        for head, file in (*((head, "") for head in self.heads), *((head, name) for head in kept.heads)):
            wanted.setdefault(head.records, []).append((head.digest, file))
        return wanted

    def _checked(self, picture: Picture, kept: Kept) -> Iterator[Violation]:
        if not kept.readable:
            name = outside.head_name(self.ledger.store.path).name
            text = f"{name} cannot be read: it cannot tell whether the end of the chain was cut off"
            yield Violation("head_unreadable", text, name)
        whole = clean = True
        for check in verify.AGAIN if picture.since else verify.CHECKS:
            for violation in verify.as_far_as_possible(check, picture):
                whole = whole and check is not verify.chain_of_records and violation.code != "unreadable"
                clean = False
                yield violation
        if whole:
            copy = outside.replay_name(self.ledger.store.path) if picture.since else None

            def done(replay: Path) -> None:
                if clean and kept.readable:
                    self._passed(picture, replay)

            for violation in verify.as_far_as_possible(partial(replayed, copy=copy, done=done), picture):
                clean = False
                yield violation

    # -- what is kept of it -------------------------------------------------------------------------------------

    def _passed(self, picture: Picture, replay: Path) -> None:
        if self.keep:
            (records,) = picture.connection.execute("SELECT max(seq) FROM record").fetchone()
            digest, now = hash_at(picture.connection, records) or "", self._now()
            whole_at = self.before.whole_at if self.before else now
            made = Verified(records, digest, now, whole_at, _program())
            outside.keep_verified(self.ledger.store.path, made, replay)

    def _failed(self) -> None:
        if self.keep:
            made = outside.verified(self.ledger.store.path) or Verified(0, "", "", "", _program())
            outside.keep_verified(self.ledger.store.path, made._replace(failed_at=self._now()), None)

    def _now(self) -> str:
        return times.show(self.ledger.clock(), self.ledger.zone)


def _program() -> str:
    """Which sandtrack it is: another one may work things out differently."""
    try:
        number = version("sandtrack")
    except PackageNotFoundError:  # run from a checkout that is not installed
        number = "0"
    return f"{number} {list(migrations.STEPS)[-1]}"


def damage(path: Path) -> str:
    """The first thing in a shop file that is not as it was accepted, in words; "" where all of it is."""
    from sandtrack.ledger import Ledger

    try:
        with closing(Ledger.open(path)) as ledger:
            first = next(iter(Verification(ledger, keep=False)), None)
    except ShopFileError as problem:
        return str(problem.details.get("cause") or problem)
    return f"{first.subject}: {first.text}" if first else ""
