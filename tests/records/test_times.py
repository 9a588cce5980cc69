"""Days of the shop, also where its clocks change close to midnight."""

from datetime import date

import pytest

from sandtrack.records import times

MINUTE_US = 60_000_000


@pytest.mark.parametrize(
    ("zone", "around"),
    [
        ("Europe/Stockholm", "2025-10-26T02:30:00+02:00"),
        ("America/Havana", "2025-11-02T00:30:00-04:00"),  # 1:00 → 0:00: the day begins once
        ("Africa/Cairo", "2025-10-30T23:30:00+03:00"),  # 24:00 → 23:00
        ("America/St_Johns", "2006-10-28T23:55:00-02:30"),  # 0:01 → 23:01 of the day before (tz database, until 2011)
    ],
)
def test_each_minute_lies_in_the_span_of_its_day(zone: str, around: str) -> None:
    """The day of an instant is the one whose first and last microsecond enclose it, whatever the clocks do."""
    where = times.zone(zone)
    middle = times.instant(around, where)
    days = []
    for minute in range(-120, 120):
        at = middle + minute * MINUTE_US
        day = times.day_of(at, where)
        assert times.day_start(date.fromisoformat(day), where) <= at <= times.day_end(date.fromisoformat(day), where)
        days.append(day)
    assert days == sorted(days)
