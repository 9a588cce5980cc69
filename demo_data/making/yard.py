"""The yard: masses in whole tenths of a kilogram, moved in order of time, never below zero or above safe fill."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from making import truth

Move = tuple[str, str, int]  # from, to, tenths of a kilogram; a place that is not in the set-up is outside
FIRST, LAST = date(2025, 1, 1), date(2025, 12, 31)

PREFIX = {
    "delivery": "del", "transfer": "move", "pour": "pour", "knock_out": "ko", "mould_scrap": "scrap",
    "castings": "cast", "reclaim_run": "run", "disposal": "waste", "count": "count", "level": "level",
    "temperature": "temp", "strip_check": "strip", "sand_test": "test", "calibration": "cal",
    "hold": "hold", "release": "rel", "reversal": "rev",
}  # fmt: skip

OPENING_KG = {
    "silo_new": 14_000, "silo_f": 20_000, "silo_e": 24_000, "heap_f": 36_000, "heap_e": 38_000,
    "reclaimer_f": 150, "reclaimer_e": 120, "skip_dust": 1_400, "skip_lumps": 900, "core_store": 1_200,
    "tank_resin_f": 1_150, "tank_acid": 820, "tank_resin_e": 1_340, "ester_slow": 640, "ester_fast": 585,
}  # fmt: skip


def kg(tenths: int) -> str:
    """Tenths of a kilogram as text in kg."""
    return f"{tenths // 10}.{tenths % 10}"


def tenths(mass_kg: float) -> int:
    """Kilograms as whole tenths."""
    return round(10.0 * mass_kg)


def on(day: date, hour: int, minute: float = 0) -> datetime:
    """A local moment of a day, to the second."""
    return datetime.combine(day, time(hour)) + timedelta(seconds=round(60 * minute))


def with_offset(at: datetime) -> str:
    """As a device writes it: summer time from 30 March to 26 October 2025 (no shift touches the hour of change)."""
    summer = datetime(2025, 3, 30, 2) <= at < datetime(2025, 10, 26, 3)
    return at.isoformat(timespec="seconds") + ("+02:00" if summer else "+01:00")


def local(at: datetime) -> str:
    """As a person writes it: local time to the minute."""
    return at.strftime("%Y-%m-%d %H:%M")


@dataclass
class Mould:
    """A mould that stands: what it holds and what it is for."""

    number: str
    system: str
    pattern: str
    made: datetime
    sand: int = 0
    poured: bool = False
    waiting: bool = False


@dataclass
class Event:
    """One record still to happen within the day."""

    at: datetime
    kind: str
    row: dict[str, str]
    moves: list[Move] = field(default_factory=list)
    look: Callable[[Yard, dict[str, str]], None] | None = None


class Yard:
    """Stocks, standing moulds and the records written so far."""

    def __init__(self, plant_toml: Path) -> None:
        self.plant: dict[str, Any] = tomllib.loads(plant_toml.read_text(encoding="utf-8"))
        self.chance = random.Random(truth.SEED)
        self.stock = {place: 10 * mass for place, mass in OPENING_KG.items()}
        self.moulds: dict[str, Mould] = {}
        self.next_mould = 1001
        self.next_mix = {"m1": 1, "m2": 1}
        self.next_lot: dict[str, int] = {}
        self.lot = {"tank_resin_f": "RF-24-31", "tank_acid": "AC-24-12", "tank_resin_e": "RE-24-40",
                    "ester_slow": "ES-24-08", "ester_fast": "EF-24-09"}  # fmt: skip
        self.rows: dict[str, list[tuple[datetime, dict[str, str]]]] = {}
        self.events: list[Event] = []
        self.carried: dict[tuple[str, str], float] = {}
        self.off_mean_c = 0.0
        self.by_week: dict[date, list[int]] = {}
        self.planted: dict[str, list[dict[str, str]]] = {}

    # -- chance ------------------------------------------------------------------------------------------

    def throw(self, day: date, step: str) -> None:
        """Begin chance anew for one step of one day."""
        self.chance.seed(f"{truth.SEED} {day} {step}")

    def about(self, mean: float, share: float) -> float:
        """A value scattered about its mean, cut off at two and a half standard deviations."""
        return mean * (1.0 + share * self.scatter())

    def scatter(self, most: float = 2.5) -> float:
        """A standard normal number, cut off."""
        return max(-most, min(most, self.chance.gauss(0.0, 1.0)))

    def pick(self, weighted: dict[Any, float]) -> Any:
        """One of the keys, by weight."""
        return self.chance.choices(list(weighted), weights=list(weighted.values()))[0]

    def totalled(self, mixer: str, place: str, mass_kg: float) -> int:
        """What a mixer's totaliser prints, in tenths; what is left of a tenth is counted with the next mix."""
        whole = self.carried.get((mixer, place), 0.0) + 10.0 * mass_kg
        self.carried[mixer, place] = whole - round(whole)
        return round(whole)

    # -- calendar ----------------------------------------------------------------------------------------

    def works(self, day: date) -> bool:
        """Whether the shop is open that day."""
        return day.weekday() < 5 and day not in self.plant["calendar"]["holidays"]

    def days(self) -> Iterable[date]:
        """All days of the year."""
        return (FIRST + timedelta(days=passed) for passed in range((LAST - FIRST).days + 1))

    def later(self, day: date, working_days: int) -> date:
        """The day so many working days on."""
        while working_days:
            day += timedelta(days=1)
            working_days -= self.works(day)
        return day

    # -- records -----------------------------------------------------------------------------------------

    def book(
        self,
        kind: str,
        at: datetime,
        row: dict[str, str],
        moves: Iterable[Move] = (),
        look: Callable[[Yard, dict[str, str]], None] | None = None,
    ) -> dict[str, str]:
        """Put a record into the day; it happens, in order of time, when the day is closed."""
        row.setdefault("at", local(at))
        self.events.append(Event(at, kind, row, list(moves), look))
        return row

    def events_of(self, kind: str) -> list[dict[str, str]]:
        """Records of a kind in the day so far."""
        return [event.row for event in self.events if event.kind == kind]

    def new_mould(self, system: str, pattern: str, made: datetime) -> Mould:
        """A mould under the next number."""
        mould = Mould(str(self.next_mould), system, pattern, made)
        self.next_mould += 1
        self.moulds[mould.number] = mould
        return mould

    def new_lot(self, prefix: str, day: date) -> str:
        """The supplier's next lot."""
        self.next_lot[prefix] = self.next_lot.get(prefix, 0) + 1
        return f"{prefix}-{day:%y}-{self.next_lot[prefix]:02d}"

    def close_day(self) -> None:
        """Let the day's records happen in order of time."""
        self.events.sort(key=lambda event: event.at)
        for event in self.events:
            for source, target, mass in event.moves:
                self._move(event, source, -mass)
                self._move(event, target, mass)
            if event.look is not None:
                event.look(self, event.row)
            self.rows.setdefault(event.kind, []).append((event.at, event.row))
        self.events = []

    def _move(self, event: Event, place: str, mass: int) -> None:
        if place not in self.stock:
            return
        self.stock[place] += mass
        safe_kg = self.plant["places"][place].get("safe_fill_kg", 1_000_000)
        if not 0 <= self.stock[place] <= 10 * safe_kg:
            raise ValueError(f"{event.at} {event.kind}: {place} would hold {self.stock[place] / 10} kg")

    def remember(self, planted: str, *rows: dict[str, str]) -> None:
        """Note records that were planted, for the list that make.py prints."""
        self.planted.setdefault(planted, []).extend(rows)

    def number_records(self) -> None:
        """Give every record without an id its own, in order of time."""
        for kind, rows in self.rows.items():
            rows.sort(key=lambda entry: entry[0])
            for ordinal, (_, row) in enumerate(rows, 1):
                if "id" not in row:
                    row["id"] = f"{PREFIX[kind]}-{ordinal:04d}"
