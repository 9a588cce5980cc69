"""Keeping a shop's book safe: backup, restore, verify."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from sandtrack.ledger import WAIT_S, Head, Ledger, backup
from sandtrack.ledger.backup import Restored
from sandtrack.ledger.picture import Violation
from sandtrack.ledger.verification import Verification
from sandtrack.shop import proof
from sandtrack.shop.answer import Answer
from sandtrack.shop.picture import picture
from sandtrack.shop.trusted import question


class Keeping:
    """What a Shop does for its file."""

    ledger: Ledger

    @question
    def head(self, head: str | None = None) -> Answer:
        """The end of the chain of records, and whether the chain holds a head that was printed.

        At least eight digits of its hash: "302 records, c44a7323". Raises InputErrors.
        """
        with picture(self.ledger) as seen:
            return proof.head(seen, head)

    def backup(self, to: str | Path) -> tuple[Head, Path]:
        """Copy the shop to a new file while others read and write it; the copy's head of the chain, and its path."""
        return backup.backup(self.ledger, to), Path(to)

    @staticmethod
    def restore(source: str | Path, path: str | Path, *, older_too: bool = False, wait_s: float = WAIT_S) -> Restored:
        """Verify a backup and put it in the place of a shop file, which is kept; raises ShopFileError."""
        return backup.restore(source, path, older_too=older_too, wait_s=wait_s)

    def verify(
        self,
        heads: str | Head | Iterable[str | Head] = (),
        *,
        whole: bool = False,
        progress: Callable[[int, int], None] | None = None,
    ) -> list[Violation]:
        """Recompute the book: everything that does not agree, heads that reports have printed among it.

        Unless `whole`, it goes on from the last clean run, as `verification` says. Raises InputErrors.
        """
        return list(self.verification(heads, whole=whole, progress=progress))

    def verification(
        self,
        heads: str | Head | Iterable[str | Head] = (),
        *,
        whole: bool = False,
        progress: Callable[[int, int], None] | None = None,
    ) -> Verification:
        """A run of `verify`: iterate over it for what it finds, then ask it how much it worked out again."""
        return Verification(self.ledger, proof.heads(heads), whole=whole, progress=progress)
