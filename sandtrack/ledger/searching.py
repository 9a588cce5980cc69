"""How far back a search through records goes at once."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable


def searching_edge(
    connection: sqlite3.Connection, kinds: Iterable[str], position: tuple[int, int] | None, until: int | None, most: int
) -> int | None:
    """The instant from which on there are at most so many records of each kind; None where there are no more at all.

    Counted back from `position` (an instant and a place in the chain), or from `until`. [µs since 1970, UTC]
    """
    start = min(2**62 if until is None else until, 2**62 if position is None else position[0])
    edges = [
        row[0] + 1  # all of one instant or none of it
        for kind in kinds
        if (
            row := connection.execute(
                "SELECT at FROM record WHERE kind = ? AND at <= ? ORDER BY at DESC LIMIT 1 OFFSET ?",
                (kind, start, most),
            ).fetchone()
        )
    ]
    if not edges:
        return None
    # Where more than `most` have one instant, they are searched together: else the search would stand still.
    return max(edges) if max(edges) < start else start - 1
