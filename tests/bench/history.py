"""An invented shop's history of any length and number of movements, written by the bulk path and kept for the next run.

Each working day has the same records: mixes of four streams, and once a day three moulds poured, counted and knocked
out, a run of the reclaimer and four deliveries. The counts, one a month of every place drawn from, are recorded a day
after the last movement: known on the day before, the same book has no count at all.
"""

from __future__ import annotations

import os
import tempfile
import time
import zlib
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

from sandtrack.ledger import Ledger, migrations
from sandtrack.plant import read_toml
from sandtrack.records import times

PLANT = Path(__file__).parents[2] / "demo_data" / "plant.toml"
LAST = date(2025, 12, 31)
MOVEMENTS_A_PORTION = 10_000
MOVEMENTS_A_MIX = 4
MOVEMENTS_A_DAY_BESIDES = 26
DRAWN = {"silo_new": "100.5", "silo_f": "400.25", "tank_resin_f": "5.5", "tank_acid": "1.9"}
_FORM = 1
"""To be raised when the records of a day change, so that a history kept from before is not taken for the new one."""
COUNTED = (*DRAWN, "heap_f", "skip_dust")

Record = tuple[str, dict[str, Any]]


class History(NamedTuple):
    """A built book, and what it takes to ask it."""

    path: Path
    days: int
    movements: int
    known_without_counts: str

    def open(self) -> Ledger:
        """Open it as of the evening after its counts were recorded."""
        return Ledger.open(self.path, clock=lambda: _evening(LAST + timedelta(days=1)))


def bench_folder() -> Path:
    """Folder of everything large: SANDTRACK_BENCH_FOLDER, else the system's for temporary files."""
    folder = Path(os.environ.get("SANDTRACK_BENCH_FOLDER") or tempfile.gettempdir())
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def plant(valid_from: date) -> dict[str, Any]:
    """Set-up of the invented foundry, in force from a day on."""
    content = dict(read_toml(PLANT))
    content["shop"] = {**content["shop"], "valid_from": valid_from}
    return content


def mix(at: str, mould: str) -> dict[str, Any]:
    """A mix of four streams into one mould."""
    return {
        "at": at,
        "mixer": "m1",
        "binder_system": "furan",
        "moulds": [mould],
        "sand_temp_c": Decimal("18.5"),
        "streams": [{"place": place, "mass_kg": Decimal(mass)} for place, mass in DRAWN.items()],
    }


def built(movements: int, days: int) -> History:
    """The history of so many movements over so many days up to the last one; made once for each form of the tables."""
    form = zlib.crc32("".join([str(_FORM), *migrations.statements()]).encode())
    path = bench_folder() / f"history-{movements}-{days}-{form:08x}.sandtrack"
    if not path.exists():
        _build(path, movements, days)
    ledger = Ledger.open(path)
    with ledger.reader() as reader:
        found = reader.connection.execute("SELECT max(rowid) FROM movement").fetchone()[0]
    ledger.close()
    return History(path, days, found, LAST.isoformat())


def _build(path: Path, movements: int, days: int) -> None:
    making = path.with_suffix(".making")
    for suffix in ("", "-wal", "-shm"):
        Path(f"{making}{suffix}").unlink(missing_ok=True)
    first = LAST - timedelta(days=days - 1)
    now = _evening(first)
    ledger = Ledger.create(making, plant(first), sender="bench", clock=lambda: now)
    mixes = max(1, (movements // days - MOVEMENTS_A_DAY_BESIDES) // MOVEMENTS_A_MIX)
    began, records, waiting, booked = time.perf_counter(), 0, [], 0
    for day in (first + timedelta(days=number) for number in range(days)):
        for kind, content in _of_day(day, mixes):
            records += 1
            waiting.append(ledger.entry(kind, content, sender="m1", record_id=f"r{records}"))
        booked += mixes * MOVEMENTS_A_MIX + MOVEMENTS_A_DAY_BESIDES
        if booked >= MOVEMENTS_A_PORTION or day == LAST:
            now = _evening(day)
            _append(ledger, waiting)
            waiting, booked = [], 0
    took = time.perf_counter() - began
    print(
        f"built a history of {days:,} days: {records:,} records, about {movements:,} movements in {took:,.0f} s "
        f"({records / took:,.0f} records/s, {movements / took:,.0f} movements/s), "
        f"load {os.getloadavg()[0]:.1f}, {making.stat().st_size / 1e6:,.0f} MB",
        flush=True,
    )
    now = _evening(LAST + timedelta(days=1))
    counts = [
        {"at": day.isoformat(), "place": place, "mass_kg": Decimal(20_000), "error_pct": Decimal("1.5")}
        for day in (first + timedelta(days=number) for number in range(days))
        if day.day == 1
        for place in COUNTED
    ]
    _append(
        ledger,
        [ledger.entry("count", content, sender="ida", record_id=f"c{n}") for n, content in enumerate(counts)],
    )
    ledger.close()
    making.rename(path)
    Path(f"{making}-lock").unlink(missing_ok=True)


def _append(ledger: Ledger, entries: list[Any]) -> None:
    accepted, refused = ledger.append_all(entries)
    assert not refused, refused[0].error
    assert all(one is not None and one.new for one in accepted)


def _of_day(day: date, mixes: int) -> Iterator[Record]:
    """The records of one day; what is drawn is delivered, and what is knocked out reclaimed."""
    date_text = day.isoformat()
    moulds = [str(number) for number in range(1, 4)]
    for place, mass in DRAWN.items():
        if place != "silo_f":
            yield "delivery", {"at": f"{date_text} 06:00", "place": place, "mass_kg": Decimal(mass) * mixes}
    start = datetime(day.year, day.month, day.day, 6, 30)
    for number in range(mixes):
        at = start + timedelta(seconds=30_000 * number // mixes)
        yield "mix", mix(at.isoformat(sep=" "), moulds[number % len(moulds)])
    yield "pour", {"at": f"{date_text} 16:00", "moulds": moulds, "metal": "iron", "poured_kg": Decimal(150) * mixes}
    yield "knock_out", {"at": f"{date_text} 20:00", "moulds": moulds, "to": "heap_f"}
    yield "castings", {"at": f"{date_text} 21:00", "moulds": moulds, "good_kg": Decimal(100) * mixes}
    fed = (Decimal(DRAWN["silo_new"]) + Decimal(DRAWN["silo_f"])) * mixes
    yield (
        "reclaim_run",
        {
            "at": f"{date_text} 22:00",
            "source": "heap_f",
            "reclaimer": "reclaimer_f",
            "fed_kg": fed,
            "returned_kg": Decimal(DRAWN["silo_f"]) * mixes,
            "to": "silo_f",
            "dust_kg": fed / 10,
            "dust_to": "skip_dust",
        },
    )


def _evening(day: date) -> int:
    """Late in the evening of a day of the shop. [µs since 1970, UTC]"""
    return times.instant(f"{day.isoformat()} 23:30", times.zone(read_toml(PLANT)["shop"]["time_zone"]))
