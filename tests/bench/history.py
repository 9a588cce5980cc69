"""An invented shop's history of any length and number of movements, written by the bulk path and kept for the next run.

Each working day has the same records: mixes of four streams, and once a day three moulds poured, counted and knocked
out, a run of the reclaimer and four deliveries. The counts, one a month of every place drawn from, are recorded a day
after the last movement: known on the day before, the same book has no count at all.
"""

from __future__ import annotations

import os
import time
import zlib
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Any, NamedTuple

from sandtrack.ledger import Ledger, migrations
from sandtrack.plant import read_toml
from sandtrack.records import times

PLANT = Path(__file__).parents[2] / "demo_data" / "plant.toml"
LAST = date(2025, 12, 31)
KNOWN_WITHOUT_COUNTS = LAST.isoformat()
MOVEMENTS_A_PORTION = 10_000
MOVEMENTS_A_MIX = 4
MOVEMENTS_A_DAY_BESIDES = 26
DRAWN = {"silo_new": "100.5", "silo_f": "400.25", "tank_resin_f": "5.5", "tank_acid": "1.9"}
_FORM = 1
"""To be raised when the records of a day change, so that a history kept from before is not taken for the new one."""
COUNTED = (*DRAWN, "heap_f", "skip_dust")

Record = tuple[str, dict[str, Any]]


class Book(NamedTuple):
    """A built book, open as of the evening after its counts were recorded."""

    ledger: Ledger
    movements: int


def bench_folder() -> Path:
    """Folder of everything large: SANDTRACK_BENCH_FOLDER, else the system's for temporary files."""
    folder = Path(os.environ.get("SANDTRACK_BENCH_FOLDER") or gettempdir())
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


def mixes(number: int) -> list[dict[str, Any]]:
    """So many mixes within the last day, into one mould each."""
    midnight = datetime(LAST.year, LAST.month, LAST.day)
    return [mix((midnight + timedelta(seconds=4 * n)).isoformat(sep=" "), str(n % 500)) for n in range(number)]


def write_mixes(ledger: Ledger, contents: list[dict[str, Any]], portion: int) -> None:
    """Check and append mixes, a portion a transaction."""
    for start in range(0, len(contents), portion):
        _append(ledger, (("mix", content) for content in contents[start : start + portion]), "m1", start)


@contextmanager
def book(movements: int, days: int) -> Iterator[Book]:
    """The history of so many movements over so many days up to the last one; built once for each form of the tables."""
    form = zlib.crc32("".join([str(_FORM), *(line for sql in migrations.STEPS.values() for line in sql())]).encode())
    path = bench_folder() / f"history-{movements}-{days}-{form:08x}.sandtrack"
    if not path.exists():
        _build(path, movements, days)
    with closing(Ledger.open(path, clock=lambda: _evening(LAST + timedelta(days=1)))) as ledger:
        with ledger.reader() as reader:
            found = reader.connection.execute("SELECT count(*) FROM movement").fetchone()[0]
        yield Book(ledger, found)


def _build(path: Path, movements: int, days: int) -> None:
    """Build in a folder of its own, so that what is broken off leaves nothing under the book's name."""
    every_day = [LAST - timedelta(days=ago) for ago in reversed(range(days))]
    now = _evening(every_day[0])
    with TemporaryDirectory(dir=path.parent) as folder:
        making = Path(folder) / path.name
        with closing(Ledger.create(making, plant(every_day[0]), sender="bench", clock=lambda: now)) as ledger:
            mixes_a_day = max(1, (movements // days - MOVEMENTS_A_DAY_BESIDES) // MOVEMENTS_A_MIX)
            days_a_portion = max(1, MOVEMENTS_A_PORTION // (mixes_a_day * MOVEMENTS_A_MIX + MOVEMENTS_A_DAY_BESIDES))
            written, began, told = 0, time.perf_counter(), time.perf_counter()
            for start in range(0, days, days_a_portion):
                portion = every_day[start : start + days_a_portion]
                now = _evening(portion[-1])
                of_portion = (record for day in portion for record in _of_day(day, mixes_a_day))
                written += _append(ledger, of_portion, "m1", written)
                if time.perf_counter() > told + 20:
                    told = time.perf_counter()
                    print(f"\n{path.name}: {portion[-1]}, {written:,} records in {told - began:,.0f} s", flush=True)
            now = _evening(LAST + timedelta(days=1))
            _append(ledger, _counts(every_day), "ida", 0)
        took = time.perf_counter() - began
        print(
            f"\n{path.name}: {written:,} records, about {movements:,} movements in {took:,.0f} s "
            f"({written / took:,.0f} records/s), {making.stat().st_size / 1e6:,.0f} MB",
            flush=True,
        )
        making.rename(path)


def _append(ledger: Ledger, records: Iterable[Record], sender: str, before: int) -> int:
    """Append records in one transaction, numbered on from those before; how many."""
    entries = [
        ledger.entry(kind, content, sender=sender, record_id=f"r{before + number}")
        for number, (kind, content) in enumerate(records)
    ]
    accepted, refused = ledger.append_all(entries)
    assert not refused, refused[0].error
    assert all(one is not None and one.new for one in accepted)
    return len(entries)


def _counts(days: list[date]) -> Iterator[Record]:
    for day in days:
        if day.day == 1:
            for place in COUNTED:
                mass = {"mass_kg": Decimal(20_000), "error_pct": Decimal("1.5")}
                yield "count", {"at": day.isoformat(), "place": place, **mass}


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
