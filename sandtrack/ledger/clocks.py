"""A computer's clock that is far past the last record: one bad battery must not date the book years ahead for good.

No record is dated before the one before it, so what is once recorded in a wrong year keeps all that follows there.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

from sandtrack.errors import ClockAhead
from sandtrack.records import times

MOST_DAYS = 400
_DAY_US = 86_400_000_000


def ahead(now: int, last: int, zone: ZoneInfo) -> ClockAhead | None:
    """The error where `now` is over 400 days past the last record; else None."""
    days = (now - last) // _DAY_US
    if now - last <= MOST_DAYS * _DAY_US:
        return None
    shown, before = times.minute(now, zone), times.minute(last, zone)
    return ClockAhead(
        f"this computer's clock shows {shown}, {days:,} days after the last record ({before}). Nothing was recorded: "
        "set the clock and send it again, or confirm that the clock is right",
        now=shown,
        last=before,
        days=days,
    )
