"""What one record moved: its movements as they stand in the book."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple


class Moved(NamedTuple):
    """All that one record moved of one material on one way; less than nothing where it takes a movement back."""

    source: str
    target: str
    material: str
    mass_mg: int
    moulds: tuple[str, ...]


def of_record(connection: sqlite3.Connection, record: int) -> list[Moved]:
    """Movements that a record wrote for its own event, or for the one that it withdraws; conversions left out."""
    at, event = connection.execute(
        "SELECT coalesce(o.at, r.at), coalesce(o.seq, r.seq) FROM record r "
        "LEFT JOIN reversal v ON v.record = r.seq LEFT JOIN record o ON o.seq = v.of WHERE r.seq = ?",
        (record,),
    ).fetchone()
    rows = connection.execute(
        "SELECT source, target, material, mass_mg, mould FROM movement WHERE at = ? AND event = ? AND record = ? "
        "AND source <> 'conversion' AND target <> 'conversion' ORDER BY source, target, material, mould",
        (at, event, record),
    ).fetchall()
    ways: dict[tuple[str, str, str], list[tuple[int, str | None]]] = {}
    for source, target, material, mass, mould in rows:
        ways.setdefault((source, target, material), []).append((mass, mould))
    moves = [
        Moved(*way, sum(mass for mass, _ in parts), tuple(dict.fromkeys(mould for _, mould in parts if mould)))
        for way, parts in ways.items()
    ]
    return sorted(moves, key=lambda move: -abs(move.mass_mg))


def totals(connection: sqlite3.Connection, first: int, last: int) -> list[tuple[str, str, str, int]]:
    """What records of a stretch of the chain moved on each way: source, target, material, mass. [mg]"""
    return connection.execute(
        "SELECT m.source, m.target, m.material, SUM(m.mass_mg) FROM record r "
        "LEFT JOIN reversal v ON v.record = r.seq LEFT JOIN record o ON o.seq = v.of "
        "JOIN movement m ON m.at = coalesce(o.at, r.at) AND m.event = coalesce(o.seq, r.seq) AND m.record = r.seq "
        "WHERE r.seq BETWEEN ? AND ? GROUP BY 1, 2, 3",
        (first, last),
    ).fetchall()
