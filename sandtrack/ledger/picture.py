"""What the checks of a shop file share: what they find, the picture they look at, and how both are named."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sandtrack.records import Forms

Row = tuple[Any, ...]


@dataclass(frozen=True)
class Violation:
    """One thing that is not as it was accepted."""

    code: str
    text: str
    subject: str
    """What it is about: "record 17: SENDER/ID", "flow …", "trigger …", "file"."""


class Picture(NamedTuple):
    """One unchanging picture of the file under check."""

    connection: sqlite3.Connection
    zone: ZoneInfo
    forms: Forms
    heads: Mapping[int, Sequence[tuple[str, str]]]
    """Heads that the chain should hold, by number of records: beginning of the digest, and the file that keeps it."""
    since: int = 0
    """Records up to this one were worked out by an earlier `verify`, and are compared with the copy that it kept."""
    progress: Callable[[int, int], None] | None = None
    """What is called now and then with what is done, of how much."""

    def done(self, steps: int) -> None:
        """Say how far it is: the records are walked twice, once for the chain and once to append them again."""
        if self.progress is not None:
            (last,) = self.connection.execute("SELECT max(seq) FROM record").fetchone()
            self.progress(steps, 2 * last)

    def subject(self, record: int) -> str:
        """Name a record for people."""
        found = self.connection.execute("SELECT sender, id FROM record WHERE seq = ?", (record,)).fetchone()
        return named(record, *found) if found else f"record {record}"


def side_by_side(ours: Iterable[Row], theirs: Iterable[Row], keys: int) -> Iterator[tuple[Row, Row | None, Row | None]]:
    """Walk two sorted sides together: key, our row or None, their row or None."""
    left, right = iter(ours), iter(theirs)
    one, other = next(left, None), next(right, None)
    while one is not None or other is not None:
        key = min(row[:keys] for row in (one, other) if row is not None)
        mine = one if one is not None and one[:keys] == key else None
        wanted = other if other is not None and other[:keys] == key else None
        yield key, mine, wanted
        one = next(left, None) if mine is not None else one
        other = next(right, None) if wanted is not None else other


def shown(text: str) -> str:
    """Text that can be printed, whatever the file holds."""
    return text.encode("utf-8", "replace").decode()


def named(record: int, sender: str, record_id: str) -> str:
    """Name a record for people."""
    return shown(f"record {record}: {sender}/{record_id}")


def differs(names: Sequence[str], ours: Row | None, theirs: Row | None) -> str:
    """Say how a row of the file differs from the one that it should be."""
    if ours is None or theirs is None:
        return "is missing" if ours is None else "should not be there"
    told = [
        f"{name} is {mine!r}, should be {wanted!r}"
        for name, mine, wanted in zip(names, ours, theirs, strict=True)
        if mine != wanted and not isinstance(mine, bytes)
    ]
    return shown("; ".join(told))


def flow_named(day: str, key: Row) -> str:
    """Name one of the totals for people."""
    source, target, material, kind, measure, revision, recorded_day = key
    told = f" in {measure} of set-up {revision}" if measure else ""
    return shown(f"flow {day} {source} → {target} {material} ({kind}{told}), recorded {recorded_day}")
