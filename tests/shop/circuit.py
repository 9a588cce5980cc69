"""A small foundry with one furan circuit (and an ester one when asked for), told record by record, by its own clock."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sandtrack import Shop

ZONE = ZoneInfo("Europe/Stockholm")
DAY_US = 86_400_000_000
_EPOCH = datetime.fromisoformat("1970-01-01T00:00:00+00:00")

PLANT: dict[str, Any] = {
    "shop": {"name": "One circuit (invented)", "time_zone": "Europe/Stockholm", "valid_from": "2025-01-01"},
    "materials": {
        "new_sand": {"name": "New sand", "kind": "sand", "role": "new", "bulk_density_kg_m3": 1600},
        "back": {"name": "Reclaimed sand", "kind": "sand", "role": "reclaimed", "family": "furan_acid",
                 "bulk_density_kg_m3": 1500, "limits": {"loi_pct": {"max": 3.0}}},
        "used": {"name": "Used sand", "kind": "sand", "role": "used", "family": "furan_acid"},
        "dust": {"name": "Dust", "kind": "sand", "role": "dust"},
        "resin": {"name": "Resin", "kind": "resin", "density_kg_m3": 1180, "shelf_life_days": 180},
        "acid": {"name": "Acid", "kind": "catalyst", "density_kg_m3": 1220},
    },
    "places": {
        "silo_new": {"name": "New sand silo", "kind": "silo", "material": "new_sand", "safe_fill_kg": 50000,
                     "shape": {"form": "cylinder_on_cone", "diameter_m": 2, "height_m": 4, "cone_height_m": 1.5}},
        "silo_back": {"name": "Reclaimed silo", "kind": "silo", "material": "back"},
        "heap": {"name": "Heap", "kind": "heap", "material": "used"},
        "reclaimer": {"name": "Reclaimer", "kind": "reclaimer", "material": "used"},
        "skip": {"name": "Dust skip", "kind": "skip", "material": "dust"},
        "tank_resin": {"name": "Resin tank", "kind": "tank", "material": "resin"},
        "tank_acid": {"name": "Acid tank", "kind": "tank", "material": "acid"},
    },
    "binder_systems": {
        "furan": {"name": "Furan", "family": "furan_acid", "resin": "resin", "catalyst": "acid", "resin_pct": 1.0,
                  "catalyst_pct": 35, "catalyst_window_pct": [20, 50], "reclaimed_share": 0.85},
    },
    "mixers": {
        "m1": {"name": "Mixer", "sand_kg_min": 150, "binder_systems": ["furan"], "catalyst_tolerance_pct": 4,
               "draws": {"furan": {"new_sand": "silo_new", "reclaimed_sand": "silo_back", "resin": "tank_resin",
                                   "catalyst": "tank_acid"}}},
    },
    "measures": {"bucket": {"name": "Bucket", "mass_kg": 1000, "steady_pct": 4, "chance_pct": 6}},
}  # fmt: skip

ESTER: dict[str, Any] = {
    "materials": {
        "back_e": {"name": "Reclaimed ester sand", "kind": "sand", "role": "reclaimed",
                   "family": "alkaline_phenolic_ester"},
        "used_e": {"name": "Used ester sand", "kind": "sand", "role": "used", "family": "alkaline_phenolic_ester"},
        "resin_e": {"name": "Alkaline resin", "kind": "resin"},
        "slow": {"name": "Slow ester", "kind": "hardener"},
        "fast": {"name": "Fast ester", "kind": "hardener"},
    },
    "places": {
        "silo_e": {"name": "Ester silo", "kind": "silo", "material": "back_e"},
        "heap_e": {"name": "Ester heap", "kind": "heap", "material": "used_e"},
        "reclaimer_e": {"name": "Ester reclaimer", "kind": "reclaimer", "material": "used_e"},
        "tank_resin_e": {"name": "Alkaline resin tank", "kind": "tank", "material": "resin_e"},
        "tank_slow": {"name": "Slow ester tank", "kind": "tank", "material": "slow"},
        "tank_fast": {"name": "Fast ester tank", "kind": "tank", "material": "fast"},
    },
    "binder_systems": {
        "ester": {"name": "Ester", "family": "alkaline_phenolic_ester", "resin": "resin_e",
                  "grades": {"slow": "slow", "fast": "fast"}, "resin_pct": 1.6, "catalyst_pct": 25,
                  "reclaimed_share": 0.8},
    },
    "mixers": {
        "m2": {"name": "Ester mixer", "sand_kg_min": 100, "binder_systems": ["ester"], "catalyst_tolerance_pct": 4,
               "draws": {"ester": {"new_sand": "silo_new", "reclaimed_sand": "silo_e", "resin": "tank_resin_e",
                                   "slow": "tank_slow", "fast": "tank_fast"}}},
    },
}  # fmt: skip


def merged(base: Mapping[str, Any], *more: Mapping[str, Any]) -> dict[str, Any]:
    """A set-up with others laid over it."""
    result = copy.deepcopy(dict(base))
    for one in more:
        for name, value in one.items():
            both = isinstance(value, Mapping) and isinstance(result.get(name), Mapping)
            result[name] = merged(result[name], value) if both else copy.deepcopy(value)
    return result


def micros(text: str) -> int:
    """Microseconds since 1970 of a local time; a date is its end."""
    if len(text) == 10:
        following = date.fromisoformat(text) + timedelta(days=1)
        return micros(f"{following} 00:00") - 1
    moment = datetime.fromisoformat(text)
    return (moment.replace(tzinfo=ZONE) - _EPOCH) // timedelta(microseconds=1)


class Foundry:
    """A shop whose records are told one by one; each is recorded a minute after it happened unless said otherwise."""

    def __init__(self, folder: Path, *more: Mapping[str, Any]) -> None:
        self.now = micros("2025-06-01 00:00")
        self.shop = Shop.create(folder / "shop.sandtrack", merged(PLANT, *more), clock=lambda: self.now)
        self.number = 0

    def tell(
        self,
        kind: str,
        at: str,
        *,
        sender: str = "ida",
        id: str | None = None,
        recorded: str | None = None,
        sent_at: str | None = None,
        **content: Any,
    ) -> str:
        """Record one event; returns its id."""  # fmt: skip
        self.number += 1
        name = id or f"r{self.number}"
        self.now = max(self.now, micros(recorded or at) + 60_000_000)
        self.shop.log(kind, {"at": at, **content}, sender=sender, id=name, sent_at=sent_at)
        return name

    def count(self, on: str, **found: float) -> None:
        """Count places, by a bare date."""
        for place, mass_kg in found.items():
            self.tell("count", on, place=place, mass_kg=mass_kg)

    def mix(
        self,
        at: str,
        mould: str,
        new: float,
        back: float,
        resin: float | None = None,
        acid: float | None = None,
        **more: Any,
    ) -> str:
        """Mix furan sand into a mould; resin is 1 % of the sand and acid 35 % of the resin unless said."""  # fmt: skip
        resin = (new + back) / 100 if resin is None else resin
        drawn = {"silo_new": new, "silo_back": back, "tank_resin": resin, "tank_acid": acid or round(0.35 * resin, 6)}
        streams = [{"place": place, "mass_kg": mass} for place, mass in drawn.items()]
        given = {"sender": "m1", "mixer": "m1", "binder_system": "furan", "moulds": [mould], "streams": streams}
        return self.tell("mix", at, **(given | more))

    def quiet_start(self) -> None:
        """Everything counted at the end of 1 June, the liquids too."""
        self.count("2025-06-01", silo_new=20000, silo_back=10000, heap=12000, reclaimer=0, skip=2000)
        self.count("2025-06-01", tank_resin=1000, tank_acid=400)

    def one_day(self, **run: Any) -> None:
        """2 June: 10 t mixed, poured, knocked out and reclaimed; castings told on 4 June."""
        self.mix("2025-06-02 07:30", "1", 1500, 8500)
        self.tell("pour", "2025-06-02 10:00", moulds=["1"], metal="iron", poured_kg=3000)
        self.tell("knock_out", "2025-06-02 14:00", moulds=["1"], to="heap", carried_out_kg=100)
        given = {
            "source": "heap", "reclaimer": "reclaimer", "fed_kg": 10500, "returned_kg": 9400, "to": "silo_back",
            "lumps_kg": 500, "lumps_to": "heap", "dust_kg": 600, "dust_to": "skip",
        }  # fmt: skip
        self.tell("reclaim_run", "2025-06-02 15:30", **(given | run))
        self.tell("disposal", "2025-06-02 16:00", place="skip", waste="dust", mass_kg=1600)
        self.tell("castings", "2025-06-04 09:00", moulds=["1"], good_kg=2000, rejected_kg=500)
