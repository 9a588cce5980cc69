"""What is kept so that long histories stay quick, held against what it was made from."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from itertools import groupby
from operator import itemgetter

from sandtrack.ledger.picture import Picture, Row, Violation, shown, side_by_side
from sandtrack.plant import MOULDS

_MONTHS = """
WITH summed AS (
  SELECT substr(day, 1, 7) AS month, source, target, material, kind, measure, revision, SUM(records) AS records,
    SUM(mass_mg) AS mass_mg, SUM(mass_g2 / 1000000) AS millions, SUM(mass_g2 % 1000000) AS rest
  FROM flow GROUP BY 1, 2, 3, 4, 5, 6, 7
), kept AS (
  SELECT month, source, target, material, kind, measure, revision, records, mass_mg,
    1000000 * mass_g2_millions + mass_g2_rest AS squares FROM flow_month
), days AS (
  SELECT month, source, target, material, kind, measure, revision, records, mass_mg,
    1000000 * millions + rest AS squares FROM summed
)
SELECT DISTINCT month, source, target, material, kind FROM (
  SELECT * FROM (SELECT * FROM kept EXCEPT SELECT * FROM days)
  UNION ALL SELECT * FROM (SELECT * FROM days EXCEPT SELECT * FROM kept)
) WHERE records <> 0 OR mass_mg <> 0 OR squares <> 0 ORDER BY 1, 2, 3, 4, 5
"""
_NO_LIFE = """
SELECT mould, at FROM (
  SELECT e.mould, e.at FROM ending e WHERE EXISTS (
    SELECT 1 FROM movement m WHERE m.mould = e.mould AND m.at = e.at AND m.event = e.record AND m.source = ?)
  EXCEPT SELECT mould, until FROM mould_life
)
"""
_WRONG_LENGTH = """
SELECT mould, until FROM mould_life WHERE until < since OR closed < opened
  OR until - since >= 1 << lasting OR (lasting > 0 AND until - since < 1 << (lasting - 1))
  OR closed - opened >= 1 << spanning OR (spanning > 0 AND closed - opened < 1 << (spanning - 1))
"""


_ENDED = """
SELECT e.mould, e.at, e.record,
  CASE WHEN NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = e.record) THEN (
    SELECT min(m.at) FROM movement m WHERE m.mould = e.mould AND m.target = ?1 AND m.at <= e.at
      AND m.at > coalesce((SELECT max(b.at) FROM ending b WHERE b.mould = e.mould AND (b.at, b.sender, b.id)
        < (e.at, e.sender, e.id) AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = b.record)), -1 << 62)) END,
  (SELECT min(m.event) FROM movement m WHERE m.mould = e.mould AND m.target = ?1 AND m.at <= e.at
      AND m.record < e.record
      AND m.at > coalesce((SELECT max(b.at) FROM ending b WHERE b.mould = e.mould AND (b.at, b.sender, b.id)
        < (e.at, e.sender, e.id) AND b.record < e.record
        AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = b.record AND v.record < e.record)), -1 << 62))
FROM ending e
UNION ALL
SELECT m.mould, NULL, v.record, NULL, m.event FROM movement m JOIN reversal v ON v.of = m.event
  WHERE m.mould IS NOT NULL AND m.record = m.event AND m.target = ?1
ORDER BY 1
"""
"""Endings, with the first sand that each takes by all records, and the first record of such sand by those before it;
and sand that was withdrawn."""
_LIVES = "SELECT mould, since, until, opened, closed FROM mould_life ORDER BY mould, closed DESC"


def months(picture: Picture) -> Iterator[Violation]:
    """The totals of each month are the sums of those of its days."""
    for month, *way, kind in picture.connection.execute(_MONTHS):
        text = f"its totals are not the sums of its days for {shown(' → '.join(way))} by {shown(kind)}"
        yield Violation("flow_month", text, f"month {shown(month)}")


def lives(picture: Picture) -> Iterator[Violation]:
    """Each knock-out or scrapped mould that took sand has the life of that mould."""
    for mould, _ in picture.connection.execute(_NO_LIFE, (MOULDS,)):
        yield Violation("mould_life", "a life that ended is missing: past moulds may not be shown", _mould(mould))
    for mould, _ in picture.connection.execute(_WRONG_LENGTH):
        yield Violation("mould_life", "the length of a life is not right: past moulds may not be shown", _mould(mould))
    kept = groupby(picture.connection.execute(_LIVES), itemgetter(0))
    ended = groupby(picture.connection.execute(_ENDED, (MOULDS,)), itemgetter(0))
    for (mould,), ours, theirs in side_by_side(
        ((mould, _reaches(rows)) for mould, rows in kept), ((mould, list(rows)) for mould, rows in ended), 1
    ):
        since, closed, opened = ours[1] if ours else ({}, [], [])
        for _, until, record, sand, event in theirs[1] if theirs else ():
            last = bisect_right(closed, -record)  # lives that were closed by this record or later
            short = sand is not None and since.get(until, sand + 1) > sand
            if short or (event is not None and (not last or opened[last - 1] > event)):
                text = "a life is shorter than its movements say: past moulds may not be shown"
                yield Violation("mould_life", text, _mould(mould))
                break


def _reaches(rows: Iterable[Row]) -> tuple[dict[int, int], list[int], list[int]]:
    """Of one mould's lives: the earliest sand by its end, and, the one closed last first, the first record so far."""
    since: dict[int, int] = {}
    closed, opened = list[int](), list[int]()
    for _, begin, end, first, last in rows:
        since[end] = min(begin, since.get(end, begin))
        closed.append(-last)
        opened.append(min(first, opened[-1] if opened else first))
    return since, closed, opened


def _mould(number: str) -> str:
    return f"mould {shown(number)}"
