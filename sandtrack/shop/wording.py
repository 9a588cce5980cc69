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
    """A chance, as "79 %" or "99.5 %": rounded down, so that what falls short of 80 % is not told as 80 %."""
    tenths = math.floor(1000 * share + 1e-5)
    if share > 0 and tenths < 10:
        return "under 1 %"
    return f"{tenths / 10:g} %" if tenths > 990 else f"{tenths // 10} %"


def listed(names: Sequence[str]) -> str:
    """Several names, as "facing, backing and core"."""
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def several(count: int, what: str) -> str:
    """A number of things, as "1 mix" or "3 mixes"."""
    ending = "" if count == 1 else "es" if what.endswith(("x", "s", "ch")) else "s"
    return f"{count:,} {what}{ending}"
