"""What is kept so that long histories stay quick, held against what it was made from."""

from __future__ import annotations

from collections.abc import Iterator

from sandtrack.ledger.picture import Picture, Violation, shown
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


def _mould(number: str) -> str:
    return f"mould {shown(number)}"
