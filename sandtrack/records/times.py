"""Times: read with an offset or in the shop's own zone, kept as whole microseconds in UTC; days are the shop's own."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_FORM = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d([.,]\d{1,6})?)?([Zz]|[+-]\d\d:\d\d)?")
_DATE = re.compile(r"\d{4}-\d\d-\d\d")
FIRST_YEAR, LAST_YEAR = 1970, 2199
_OUTSIDE = f"is outside the years {FIRST_YEAR} to {LAST_YEAR}"


def zone(name: str) -> ZoneInfo:
    """Return the time zone of the IANA database; raise ValueError if it is not there."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError("is not a time zone of the IANA database, such as Europe/Stockholm") from None


def microseconds(moment: datetime) -> int:
    """Return an aware datetime as microseconds since 1970 in UTC."""
    return (moment - _EPOCH) // _MICROSECOND


def from_microseconds(instant_us: int, where: tzinfo) -> datetime:
    """Return the instant as a datetime in a zone."""
    return (_EPOCH + timedelta(microseconds=instant_us)).astimezone(where)


def served(instant_us: int, where: tzinfo) -> bool:
    """Whether an instant lies on a day of the years that can be recorded and asked about."""
    return FIRST_YEAR <= from_microseconds(instant_us, where).year <= LAST_YEAR


def day(text: str) -> date:
    """Read YYYY-MM-DD; raise ValueError."""
    if not _DATE.fullmatch(text):
        raise ValueError("is not a date as YYYY-MM-DD")
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise ValueError("is not a day of the calendar") from None
    if not FIRST_YEAR <= found.year <= LAST_YEAR:
        raise ValueError(_OUTSIDE)
    return found


_HOUR = 3_600_000_000
_QUARTER = _HOUR // 4
_LONGEST_ON_SECONDS = len("2025-03-01T07:45:00+01:00")
_SIXTY = [(f":{number:02}", number) for number in range(60)]
# Microseconds since the full hour of `:mm` and of `:mm:ss`: looked up faster than reckoned.
_PAST_HOUR = {m: 60_000_000 * minute for m, minute in _SIXTY} | {
    m + s: 60_000_000 * minute + 1_000_000 * second for m, minute in _SIXTY for s, second in _SIXTY
}


def instant(raw: str | datetime, where: tzinfo | None, whole_day: str | None = None) -> int:
    """Read an RFC 3339 time with offset, or a local time in `where`, as microseconds since 1970 in UTC.

    `whole_day` says what a bare date means: "start" or "end" of that day; without it a date is refused.
    Raises ValueError, also for a local time that does not exist or exists twice.
    """
    if type(raw) is str and len(raw) <= _LONGEST_ON_SECONDS:
        past_us = _PAST_HOUR.get(raw[13:19])
        if past_us is not None:
            hour_us = _even_hour(raw[:13], raw[19:], where)
            if hour_us is not None:
                return hour_us + past_us
    return _read(raw, where, whole_day)


@lru_cache(maxsize=8192)
def _even_hour(hour: str, offset: str, where: tzinfo | None) -> int | None:
    """The start of an hour through which the clock runs evenly; None where it is changed, or the text is no hour."""
    try:
        first, last = (_read(f"{hour}:{end}{offset}", where) for end in ("00:00", "59:59"))
    except ValueError:
        return None
    # No zone's clock is changed twice within an hour.
    return first if last - first == _HOUR - 1_000_000 else None


def _read(raw: str | datetime, where: tzinfo | None, whole_day: str | None = None) -> int:
    if isinstance(raw, str):
        text = raw.strip()
        if whole_day and _DATE.fullmatch(text):
            if where is None:
                raise ValueError("is a date, and no time zone is known; add the time and its offset")
            return day_start(day(text), where) if whole_day == "start" else day_end(day(text), where)
        if not _FORM.fullmatch(text):
            raise ValueError("is a date without a time" if _DATE.fullmatch(text) else "is not a time")
        try:
            moment = datetime.fromisoformat(text.upper())
        except ValueError:
            raise ValueError("is not a time of the calendar and clock") from None
    else:
        moment = raw
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise ValueError(_OUTSIDE)
    if moment.tzinfo is None:
        if where is None:
            raise ValueError("has no offset, and no time zone is known; add the offset")
        first = moment.replace(tzinfo=where)
        second = first.replace(fold=1)
        before, after = first.utcoffset(), second.utcoffset()
        if before != after:
            if before is not None and after is not None and before < after:
                raise ValueError("does not exist in the shop's time zone (clocks go forward); add the offset")
            raise ValueError("exists twice in the shop's time zone (clocks go back); add the offset")
        moment = first
    found = (moment - _EPOCH) // _MICROSECOND
    if where is not None and not served(found, where):  # told with another offset, on the other side of New Year
        raise ValueError(_OUTSIDE)
    return found


@lru_cache(maxsize=8192)
def day_start(when: date, where: tzinfo) -> int:
    """First microsecond of a day of the shop. [µs since 1970, UTC]"""
    return microseconds(datetime(when.year, when.month, when.day, tzinfo=where).astimezone(UTC))


def day_end(when: date, where: tzinfo) -> int:
    """Last microsecond of a day of the shop. [µs since 1970, UTC]"""
    return day_start(when + timedelta(days=1), where) - 1


def day_of(instant_us: int, where: tzinfo) -> str:
    """The shop's day of an instant, as YYYY-MM-DD."""
    return _day_of_quarter(instant_us // _QUARTER, where) or _day_of(instant_us, where)


@lru_cache(maxsize=8192)
def _day_of_quarter(quarter: int, where: tzinfo) -> str | None:
    """The day that a quarter hour lies in; None where a day begins within it."""
    first, last = (_day_of(instant_us, where) for instant_us in (quarter * _QUARTER, (quarter + 1) * _QUARTER - 1))
    return first if first == last else None


def _day_of(instant_us: int, where: tzinfo) -> str:
    # Where clocks go back just after midnight (St John's until 2011), the day that has begun does not end again.
    found = from_microseconds(instant_us, where).date()
    following = found + timedelta(days=1)
    return (following if instant_us >= day_start(following, where) else found).isoformat()


def show(instant_us: int, where: tzinfo, *, exact: bool = False) -> str:
    """The instant in the shop's time, with its offset, as RFC 3339 has it (5.6: with its seconds)."""
    return from_microseconds(instant_us, where).isoformat(timespec="microseconds" if exact else "seconds")


def minute(instant_us: int, where: tzinfo) -> str:
    """The instant in the shop's time, with its offset, to the minute: for sentences."""
    return from_microseconds(instant_us, where).isoformat(timespec="minutes")
