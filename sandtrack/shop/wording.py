"""How days, masses and chances are said in a sentence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import tzinfo

from sandtrack.records import times

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day(at: int, zone: tzinfo) -> str:
    """The shop's day of an instant, as "31 May 2025"."""
    when = times.day(times.day_of(at, zone))
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def clock(at: int, zone: tzinfo) -> str:
    """An instant, as "31 May 2025 14:05"."""
    return f"{day(at, zone)} {times.show(at, zone)[11:16]}"


def kg(mass_kg: float) -> str:
    """A mass, as "24,900 kg"; with a decimal below 100 kg."""
    return f"{mass_kg:,.0f} kg" if abs(mass_kg) >= 100 else f"{mass_kg:,.1f} kg"


def chance(share: float) -> str:
    """An estimated chance, as "79 %": rounded down, so that what falls short of 80 % is not shown as 80 %.

    It ends at "under 1 %" and "over 99 %": no estimate is sure.

    >>> chance(0.7999), chance(0.0), chance(1.0)
    ('79 %', 'under 1 %', 'over 99 %')
    """
    tenths = math.floor(1000 * share + 1e-5)
    if tenths < 10:
        return "under 1 %"
    return "over 99 %" if tenths > 990 else f"{tenths // 10} %"


def aim(share: float) -> str:
    """A chance that somebody asks for, as it was asked: "80 %" or "99.5 %"."""
    return f"{100 * share:.6g} %"


def listed(names: Sequence[str]) -> str:
    """Several names, as "facing, backing and core"."""
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def several(count: int, what: str) -> str:
    """A number of things, as "1 mix" or "3 mixes"."""
    ending = "" if count == 1 else "es" if what.endswith(("x", "s", "ch")) else "s"
    return f"{count:,} {what}{ending}"
