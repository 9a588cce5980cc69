"""An invented foundry whose days are all alike, as large as wanted: what the benchmarks write and ask about."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("Europe/Stockholm")
PLANT: dict[str, Any] = {
    "shop": {"name": "Days alike (invented)", "time_zone": ZONE.key, "valid_from": "2015-01-01"},
    "materials": {
        "new_sand": {"kind": "sand", "bulk_density_kg_m3": 1600},
        "used": {"kind": "sand"},
        "reclaimed": {"kind": "sand"},
        "dust": {"kind": "sand"},
        "resin": {"kind": "resin", "density_kg_m3": 1150},
        "acid": {"kind": "catalyst", "density_kg_m3": 1220},
    },
    "places": {
        "silo_new": {"kind": "silo", "material": "new_sand", "safe_fill_kg": 60000},
        "silo_back": {"kind": "silo", "material": "reclaimed"},
        "tank_resin": {"kind": "tank", "material": "resin"},
        "tank_acid": {"kind": "tank", "material": "acid"},
        "heap": {"kind": "heap", "material": "used"},
        "reclaimer": {"kind": "reclaimer", "material": "used"},
        "skip_dust": {"kind": "skip", "material": "dust"},
    },
    "binder_systems": {
        "furan": {"family": "furan_acid", "resin": "resin", "catalyst": "acid", "resin_pct": 1.0},
    },
    "mixers": {"m1": {"sand_kg_min": 150, "binder_systems": ["furan"]}},
    "measures": {"bucket": {"mass_kg": 640, "steady_pct": 4, "chance_pct": 6}},
}
AT_ONCE = 50
"""Moulds that are poured, and later knocked out, together."""
COUNTED = ("silo_new", "silo_back", "tank_resin", "tank_acid", "heap", "skip_dust")

Told = tuple[str, str, dict[str, Any]]
"""Kind, id, content."""


def clock(day: date, second: int) -> datetime:
    return datetime(day.year, day.month, day.day, 6, tzinfo=UTC) + timedelta(seconds=second)


def mix(number: int, at: datetime, mould: str) -> dict[str, Any]:
    """One run of the mixer into one mould: four streams, so four movements."""
    return {
        "at": at.isoformat(),
        "mixer": "m1",
        "binder_system": "furan",
        "moulds": [mould],
        "sand_temp_c": 18.5,
        "streams": [
            {"place": "silo_new", "mass_kg": 60.5 + number % 7 / 10},
            {"place": "silo_back", "mass_kg": 240.2},
            {"place": "tank_resin", "mass_kg": 3.02},
            {"place": "tank_acid", "mass_kg": 1.05},
        ],
    }


def mixes(count: int) -> list[dict[str, Any]]:
    """Runs a minute apart, each into a mould of its own."""
    start = datetime(2025, 1, 2, 6, tzinfo=UTC)
    return [mix(number, start + timedelta(minutes=number), str(number)) for number in range(count)]


def working_days(first: date, last: date) -> Iterator[date]:
    day = first
    while day <= last:
        if day.weekday() < 5:
            yield day
        day += timedelta(days=1)


def day_of_work(day: date, moulds: int) -> Iterator[Told]:
    """Mixes into `moulds` moulds over eight hours, all poured and knocked out that day; sand back and forth."""
    name = f"{day:%y%m%d}"
    new, back = 0.0605 * moulds, 0.2402 * moulds
    yield "delivery", f"d{name}", {"at": clock(day, 0).isoformat(), "place": "silo_new", "mass_t": round(new, 3)}
    yield "delivery", f"r{name}", {"at": clock(day, 1).isoformat(), "place": "tank_resin", "mass_kg": 3.02 * moulds}
    yield "delivery", f"a{name}", {"at": clock(day, 2).isoformat(), "place": "tank_acid", "mass_kg": 1.05 * moulds}
    for number in range(moulds):
        yield "mix", f"m{name}-{number}", mix(number, clock(day, 60 + 28_000 * number // moulds), f"{number}")
    for number in range(0, moulds, AT_ONCE):
        listed = [str(mould) for mould in range(number, min(number + AT_ONCE, moulds))]
        poured = {"moulds": listed, "metal": "grey iron", "poured_kg": 90 * len(listed)}
        yield "pour", f"p{name}-{number}", {"at": clock(day, 30_000 + number).isoformat(), **poured}
        at = clock(day, 40_000 + number).isoformat()
        yield "knock_out", f"k{name}-{number}", {"at": at, "moulds": listed, "to": "heap", "carried_out_kg": 4}
    run = {"source": "heap", "reclaimer": "reclaimer", "returned_kg": round(1000 * back, 1), "to": "silo_back"}
    run |= {"fed_amount": max(1, round(300 * moulds / 640)), "fed_measure": "bucket"}
    run |= {"dust_kg": 6 * moulds, "dust_to": "skip_dust", "run_h": 8}
    yield "reclaim_run", f"c{name}", {"at": clock(day, 60_000).isoformat(), **run}
    yield "disposal", f"w{name}", {"at": clock(day, 60_100).isoformat(), "place": "skip_dust", "waste": "dust",
                                   "mass_kg": 6 * moulds}  # fmt: skip


def years(first: date, last: date, moulds: int) -> Iterator[tuple[date, list[Told]]]:
    """All that is recorded on each working day; counts and castings on the last one of a month."""
    days = list(working_days(first, last))
    for day, following in zip(days, [*days[1:], None], strict=True):
        told = list(day_of_work(day, moulds))
        if following is None or following.month != day.month:
            for place in COUNTED:
                count = {"at": f"{day}", "place": place, "mass_kg": 20_000, "error_pct": 3}
                told.append(("count", f"n{day:%y%m%d}-{place}", count))
            good = {"good_kg": 50 * moulds * 21, "rejected_kg": 90, "since": f"{day:%Y-%m}-01", "until": f"{day}"}
            told.append(("castings", f"g{day:%y%m%d}", {"at": clock(day, 61_000).isoformat(), **good}))
        yield day, told
