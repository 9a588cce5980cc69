"""A small shop to ask: a furan and an ester system, two mixers, and a clock that stands until it is set."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import deepcopy
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from sandtrack import Shop
from sandtrack.records import times

ZONE = ZoneInfo("Europe/Stockholm")


class Clock:
    """Stands still until it is set to a local time."""

    def __init__(self, text: str) -> None:
        self.set(text)

    def set(self, text: str) -> None:
        self.now = times.microseconds(datetime.fromisoformat(text).replace(tzinfo=ZONE))

    def __call__(self) -> int:
        return self.now


def check(shop: Shop, when: int | str, early: float | None, late: float | None, **said: Any) -> None:
    """Record a strip check of furan at 20 °C and 35 % acid, on a day of February or at a time; None is left out."""
    content = {
        "at": when if isinstance(when, str) else f"2025-02-{when:02} 12:00",
        "binder_system": "furan",
        "definition": "hand",
        "catalyst_pct": 35,
        "sand_temp_c": 20,
        "earliest_min": early,
        "latest_min": late,
        **said,
    }
    shop.log("strip_check", {name: value for name, value in content.items() if value is not None}, sender="emil")


def sand(name: str, role: str, family: str | None = None) -> dict[str, Any]:
    """A sand of the set-up."""
    made: dict[str, Any] = {"name": name, "kind": "sand", "role": role}
    return made | ({"family": family} if family else {})


def liquid(name: str, kind: str, density: float, keeps: float = 365) -> dict[str, Any]:
    """A liquid of the set-up."""
    return {"name": name, "kind": kind, "density_kg_m3": density, "shelf_life_days": keeps}


PLANT: dict[str, Any] = {
    "shop": {"name": "Test shop", "time_zone": "Europe/Stockholm", "valid_from": "2025-01-01"},
    "materials": {
        "new_sand": sand("New sand", "new"),
        "reclaimed_f": sand("Reclaimed furan sand", "reclaimed", "furan_acid"),
        "reclaimed_e": sand("Reclaimed ester sand", "reclaimed", "alkaline_phenolic_ester"),
        "used_f": sand("Used furan sand", "used", "furan_acid"),
        "used_e": sand("Used ester sand", "used", "alkaline_phenolic_ester"),
        "resin_f": liquid("Furan resin", "resin", 1200),
        "acid": liquid("Acid", "catalyst", 1250),
        "resin_e": liquid("Alkaline resin", "resin", 1250),
        "ester_s": liquid("Slow ester", "hardener", 1160),
        "ester_q": liquid("Fast ester", "hardener", 1120),
    },
    "places": {
        "silo_new": {"name": "New sand silo", "kind": "silo", "material": "new_sand"},
        "silo_f": {"name": "Furan silo", "kind": "silo", "material": "reclaimed_f"},
        "silo_e": {"name": "Ester silo", "kind": "silo", "material": "reclaimed_e"},
        "heap_f": {"name": "Furan heap", "kind": "heap", "material": "used_f"},
        "heap_e": {"name": "Ester heap", "kind": "heap", "material": "used_e"},
        "tank_resin_f": {"name": "Furan resin tank", "kind": "tank", "material": "resin_f"},
        "tank_acid": {"name": "Acid tank", "kind": "tank", "material": "acid"},
        "tank_resin_e": {"name": "Alkaline resin tank", "kind": "tank", "material": "resin_e"},
        "tank_slow": {"name": "Slow ester tank", "kind": "tank", "material": "ester_s"},
        "tank_fast": {"name": "Fast ester tank", "kind": "tank", "material": "ester_q"},
    },
    "binder_systems": {
        "furan": {
            "name": "Furan",
            "family": "furan_acid",
            "resin": "resin_f",
            "catalyst": "acid",
            "resin_pct": 1.0,
            "catalyst_pct": 35,
            "catalyst_window_pct": [20, 50],
            "reclaimed_share": 0.8,
            "usual_strip_min": 60,
            "work_share": 0.5,
            "reference": {"strip_time_min": 45, "temp_c": 20, "catalyst_pct": 35, "definition": "hand"},
        },
        "ester": {
            "name": "Ester",
            "family": "alkaline_phenolic_ester",
            "resin": "resin_e",
            "grades": {"slow": "ester_s", "fast": "ester_q"},
            "resin_pct": 1.6,
            "catalyst_pct": 25,
            "fast_share": 0.5,
            "reclaimed_share": 0.5,
            "usual_strip_min": 90,
            "work_share": 0.5,
            "reference": {"strip_time_min": 50, "temp_c": 20, "fast_share": 0.5, "definition": "hand"},
        },
    },
    "mixers": {
        "m1": {
            "name": "Large mixer",
            "sand_kg_min": 150,
            "binder_systems": ["furan", "ester"],
            "draws": {
                "furan": {
                    "new_sand": "silo_new",
                    "reclaimed_sand": "silo_f",
                    "resin": "tank_resin_f",
                    "catalyst": "tank_acid",
                },
                "ester": {
                    "new_sand": "silo_new",
                    "reclaimed_sand": "silo_e",
                    "resin": "tank_resin_e",
                    "slow": "tank_slow",
                    "fast": "tank_fast",
                },
            },
        },
        "m2": {
            "name": "Small mixer",
            "sand_kg_min": 60,
            "binder_systems": ["furan"],
            "draws": {
                "furan": {
                    "new_sand": "silo_new",
                    "reclaimed_sand": "silo_f",
                    "resin": "tank_resin_f",
                    "catalyst": "tank_acid",
                }
            },
        },
    },
    "patterns": {
        "p1": {"name": "Bracket", "box_sand_kg": 300, "binder_system": "furan"},
        "p2": {"name": "Frame", "box_sand_kg": 600, "binder_system": "ester", "usual_strip_min": 120},
    },
}


@pytest.fixture
def clock() -> Clock:
    """Monday 3 March 2025, eight in the morning."""
    return Clock("2025-03-03 08:00")


@pytest.fixture
def content() -> dict[str, Any]:
    """The set-up as a mapping of its own, to be changed before a shop is made from it."""
    return deepcopy(PLANT)


@pytest.fixture
def make_shop(tmp_path: Path, clock: Clock) -> Iterator[Callable[[dict[str, Any]], Shop]]:
    """Make shops from set-ups; closed at the end."""
    made: list[Shop] = []

    def make(content: dict[str, Any]) -> Shop:
        made.append(Shop.create(tmp_path / f"shop{len(made)}.sandtrack", content, clock=clock))
        return made[-1]

    yield make
    for shop in made:
        shop.close()


@pytest.fixture(scope="session")
def new_shop() -> Callable[..., Shop]:
    """Make the small shop at a path, its clock at eight on 3 March 2025; to be closed by who asked for it.

    A second argument is called with the set-up to change it.
    """

    def make(path: Path, change: Callable[[dict[str, Any]], None] = lambda _: None) -> Shop:
        content = deepcopy(PLANT)
        change(content)
        return Shop.create(path, content, clock=Clock("2025-03-03 08:00"))

    return make


@pytest.fixture
def shop(make_shop: Callable[[dict[str, Any]], Shop], content: dict[str, Any]) -> Shop:
    """The small shop, with nothing recorded yet."""
    return make_shop(content)
