"""Which moulds stood with sand at an instant, and what they held, without adding up history.

`mould_life` narrows down which moulds to look at; what they held is added up from their own movements since they were
last emptied. So a row too many there costs a moment and changes nothing.
"""

from __future__ import annotations

import sqlite3

from sandtrack.plant import MOULDS

Held = dict[str, dict[str, int]]
"""Mould → material → mass in milligrams."""
_LONG_AGO = -(2**62)
_EVERYTHING = 2**62


def held_now(connection: sqlite3.Connection) -> Held:
    """What each mould holds by all that is booked."""
    return _by_mould(
        connection.execute("SELECT mould, material, mass_mg FROM mould_content ORDER BY mould, material").fetchall()
    )


def held_at(connection: sqlite3.Connection, at: int, last: int) -> Held:
    """What each mould held at an instant, by the records up to number `last`."""
    moulds = sorted(_perhaps_standing(connection, at, last))
    return _by_mould([row for mould in moulds for row in _contents(connection, mould, at, last)])


def _by_mould(rows: list[tuple[str, str, int]]) -> Held:
    held: Held = {}
    for mould, material, mass in rows:
        held.setdefault(mould, {})[material] = mass
    return held


def _perhaps_standing(connection: sqlite3.Connection, at: int, last: int) -> set[str]:
    """Moulds that may have held sand at an instant, by the records known: all that did, and perhaps others."""
    moulds = {mould for (mould,) in connection.execute("SELECT DISTINCT mould FROM mould_content")}
    covering = [("lasting", "since", "until", at)]
    if last < _EVERYTHING:  # a mould that was emptied by a later record still stood by the records known
        covering.append(("spanning", "opened", "closed", last))
    for length, begin, end, point in covering:
        for (digits,) in connection.execute(_LENGTHS.format(length=length)).fetchall():
            rows = connection.execute(
                f"SELECT mould FROM mould_life WHERE {length} = ? AND {begin} > ? AND {begin} <= ? AND {end} > ?",
                (digits, max(point - 2**digits, _LONG_AGO), point, point),
            )
            moulds.update(mould for (mould,) in rows)
    return moulds


# Each next length by one search of the index, instead of a walk through all of it (sqlite.org/lang_with.html).
_LENGTHS = (
    "WITH RECURSIVE length (digits) AS (SELECT min({length}) FROM mould_life UNION ALL "
    "SELECT (SELECT min({length}) FROM mould_life WHERE {length} > digits) FROM length WHERE digits IS NOT NULL) "
    "SELECT digits FROM length WHERE digits IS NOT NULL"
)


def _contents(connection: sqlite3.Connection, mould: str, at: int, last: int) -> list[tuple[str, str, int]]:
    """What one mould held at an instant: all that was booked into it since it was last emptied."""
    (emptied,) = connection.execute(
        "SELECT max(at) FROM ending e WHERE mould = ?1 AND at <= ?2 AND record <= ?3 "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = e.record AND v.record <= ?3)",
        (mould, at, last),
    ).fetchone()
    return connection.execute(
        "SELECT mould, material, SUM(CASE WHEN target = ? THEN mass_mg ELSE -mass_mg END) AS mass FROM movement "
        "WHERE mould = ? AND at > ? AND at <= ? AND record <= ? GROUP BY material HAVING mass <> 0 ORDER BY material",
        (MOULDS, mould, _LONG_AGO if emptied is None else emptied, at, last),
    ).fetchall()
