"""Whole months within a span of days: their totals are kept, so that a report of many years reads few rows."""

from __future__ import annotations

from datetime import date, timedelta
from typing import NamedTuple


class Months(NamedTuple):
    """Whole months, as 2025-03, and the days next to them."""

    first: str
    last: str
    day_before: str
    day_after: str


def whole_months(first: str, last: str) -> Months | None:
    """The whole months from one day to another, both included; None where there is none."""
    begin, end = date.fromisoformat(first), date.fromisoformat(last) + timedelta(days=1)
    if begin.day > 1:
        begin = (begin.replace(day=1) + timedelta(days=32)).replace(day=1)
    end = end.replace(day=1)
    if begin >= end:
        return None
    before_end = (end - timedelta(days=1)).isoformat()
    return Months(begin.isoformat()[:7], before_end[:7], (begin - timedelta(days=1)).isoformat(), end.isoformat())
