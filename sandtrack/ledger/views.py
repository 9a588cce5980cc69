"""Views for who reads a shop file without sandtrack: plain SQL, a notebook, a spreadsheet.

Masses are kilograms. Days and months are the shop's own; times are given in the shop's time with its offset and in UTC.
SQLite knows no time zones, so the file holds when the shop's clocks change.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from sandtrack.plant import OUTSIDE
from sandtrack.records import times

TABLES = """
-- When the shop's clocks change: the offset to UTC that holds from an instant on.
CREATE TABLE zone_offset (
  since INTEGER PRIMARY KEY,
  offset_s INTEGER NOT NULL
) STRICT;
"""


def _offset(at: str) -> str:
    return f"(SELECT offset_s FROM zone_offset WHERE since <= {at} ORDER BY since DESC LIMIT 1)"


def _day(at: str) -> str:
    return f"date({at} / 1000000 + {_offset(at)}, 'unixepoch')"


def _text(at: str) -> str:
    offset = _offset(at)
    return (
        f"strftime('%Y-%m-%dT%H:%M:%S', {at} / 1000000 + {offset}, 'unixepoch') || "
        f"printf('%s%02d:%02d', iif({offset} < 0, '-', '+'), abs({offset}) / 3600, abs({offset}) / 60 % 60)"
    )


def _utc(at: str) -> str:
    return f"strftime('%Y-%m-%dT%H:%M:%SZ', {at} / 1000000, 'unixepoch')"


_NOWHERE = ", ".join(f"'{place}'" for place in sorted(OUTSIDE))
_DAY_US = 26 * 3_600_000_000  # no day of any time zone is longer

VIEWS = f"""
-- What is where by the book, now: the last count in force of each place and material, plus what moved since.
-- Whole days are answered by their totals, the rest of the day of the count and today by their movements.
CREATE VIEW stock_now AS
WITH clock AS (
  SELECT CAST(strftime('%s', 'now') AS INTEGER) * 1000000 + 999999 AS now
), today AS (
  SELECT now, {_day("now")} AS day FROM clock
), counted AS (
  SELECT h.place, h.material, (
    SELECT c.record FROM count c JOIN record r ON r.seq = c.record
    WHERE c.place = h.place AND c.material IN (h.material, '') AND c.at <= (SELECT now FROM clock)
    AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = c.record)
    ORDER BY c.at DESC, r.sender DESC, r.id DESC LIMIT 1
  ) AS record
  FROM holding h WHERE h.place NOT IN ({_NOWHERE})
), anchor AS (
  SELECT n.place, n.material, c.record, coalesce(c.mass_mg, 0) AS mass_mg, coalesce(c.at, -4611686018427387904) AS at,
  CASE WHEN c.at IS NULL THEN '' ELSE {_day("c.at")} END AS day
  FROM counted n LEFT JOIN count c ON c.record = n.record
), book AS (
  SELECT a.place, a.material, a.record, a.at,
  a.mass_mg
  + coalesce((SELECT SUM(f.mass_mg) FROM flow f WHERE f.target = a.place AND f.material = a.material
    AND f.day > a.day AND f.day < t.day), 0)
  - coalesce((SELECT SUM(f.mass_mg) FROM flow f WHERE f.source = a.place AND f.material = a.material
    AND f.day > a.day AND f.day < t.day), 0)
  + coalesce((SELECT SUM(iif(m.target = a.place, m.mass_mg, -m.mass_mg)) FROM movement m
    WHERE m.at > a.at AND m.at <= min(a.at + {_DAY_US}, t.now) AND a.place IN (m.source, m.target)
    AND m.material = a.material AND {_day("m.at")} = a.day), 0)
  + coalesce((SELECT SUM(iif(m.target = a.place, m.mass_mg, -m.mass_mg)) FROM movement m
    WHERE m.at > max(a.at, t.now - {_DAY_US}) AND m.at <= t.now AND a.place IN (m.source, m.target)
    AND m.material = a.material AND t.day > a.day AND {_day("m.at")} = t.day), 0) AS mass_mg
  FROM anchor a, today t
)
SELECT place, material, mass_mg / 1e6 AS stock_kg,
CASE WHEN record IS NULL THEN NULL ELSE {_text("at")} END AS counted_at,
CASE WHEN record IS NULL THEN NULL ELSE {_utc("at")} END AS counted_at_utc
FROM book WHERE mass_mg <> 0 OR record IS NOT NULL
ORDER BY place, material;

-- What moved in each month of the shop, by kind of record, way and material; withdrawn records are not in it.
CREATE VIEW flow_by_month AS
SELECT substr(day, 1, 7) AS month, kind, source, target, material,
SUM(mass_mg) / 1e6 AS mass_kg, SUM(records) AS records
FROM flow GROUP BY 1, 2, 3, 4, 5 HAVING SUM(mass_mg) <> 0 OR SUM(records) <> 0
ORDER BY 1, 2, 3, 4, 5;

-- Every record as it was sent, in the order of recording; `content` is JSON: json_extract(content, '$.place').
CREATE VIEW records_readable AS
SELECT seq, kind, sender, id, {_text("at")} AS at, {_utc("at")} AS at_utc,
{_text("recorded")} AS recorded, {_utc("recorded")} AS recorded_utc,
EXISTS (SELECT 1 FROM reversal v WHERE v.of = record.seq) AS withdrawn, content
FROM record;
"""


RECORDS_WITH_TOKEN = f"""CREATE VIEW records_readable AS
SELECT seq, kind, sender, id, {_text("at")} AS at, {_utc("at")} AS at_utc,
{_text("recorded")} AS recorded, {_utc("recorded")} AS recorded_utc,
EXISTS (SELECT 1 FROM reversal v WHERE v.of = record.seq) AS withdrawn, token, marks, own_id, content
FROM record"""


@lru_cache(maxsize=8)
def zone_offsets(zone: ZoneInfo) -> tuple[tuple[int, int], ...]:
    """Every change of a time zone's offset in the years served: (first instant in µs, seconds east of UTC)."""

    def offset(second: int) -> int:
        shift = times.from_microseconds(second * 1_000_000, zone).utcoffset()
        return round(shift.total_seconds()) if shift is not None else 0

    # No two changes of any zone since 1970 are less than 6 days apart: none is stepped over.
    step = 3 * 86_400
    last = int(datetime(times.LAST_YEAR + 2, 1, 1, tzinfo=UTC).timestamp())
    found = [(-(2**62), offset(-step))]
    for second in range(0, last, step):
        if offset(second) == found[-1][1]:
            continue
        low, high = second - step, second  # the first second of the new offset lies in (low, high]
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if offset(middle) != found[-1][1] else (middle, high)
        found.append((high * 1_000_000, offset(high)))
    return tuple(found)
