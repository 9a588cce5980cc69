"""An invented shop for the ledger's tests: two binder systems, two heaps, three revisions of the set-up."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sandtrack.ledger import Accepted, Ledger

ZONE = ZoneInfo("Europe/Stockholm")
_EPOCH = datetime.fromisoformat("1970-01-01T00:00:00+00:00")


def micros(text: str) -> int:
    """Microseconds since 1970 of a local time in Stockholm, or of a time with its offset."""
    moment = datetime.fromisoformat(text)
    moment = moment if moment.tzinfo else moment.replace(tzinfo=ZONE)
    return (moment - _EPOCH) // timedelta(microseconds=1)


def written(at: int) -> str:
    """An instant as a device would send it."""
    return (_EPOCH + timedelta(microseconds=at)).astimezone(ZONE).isoformat()


PLANT: dict[str, Any] = {
    "shop": {"name": "Two heaps (invented)", "time_zone": "Europe/Stockholm", "valid_from": "2025-01-01"},
    "materials": {
        "new_sand": {"kind": "sand"},
        "used_f": {"kind": "sand"},
        "used_e": {"kind": "sand"},
        "reclaimed": {"kind": "sand"},
        "cores": {"kind": "sand"},
        "dust": {"kind": "sand"},
        "resin": {"kind": "resin"},
        "acid": {"kind": "catalyst"},
    },
    "places": {
        "silo_new": {"kind": "silo", "material": "new_sand"},
        "silo_back": {"kind": "silo", "material": "reclaimed"},
        "tank_resin": {"kind": "tank", "material": "resin"},
        "tank_acid": {"kind": "tank", "material": "acid"},
        "yard": {"kind": "store"},
        "core_rack": {"kind": "core_store", "material": "cores"},
        "heap_f": {"kind": "heap", "material": "used_f"},
        "heap_e": {"kind": "heap", "material": "used_e"},
        "reclaimer": {"kind": "reclaimer", "material": "used_f"},
        "skip_dust": {"kind": "skip", "material": "dust"},
    },
    "binder_systems": {
        "furan": {"family": "furan_acid", "resin": "resin", "catalyst": "acid", "resin_pct": 1.0},
        "phenolic": {"family": "phenolic_acid", "resin": "resin", "catalyst": "acid", "resin_pct": 1.3},
    },
    "mixers": {
        "m1": {"sand_kg_min": 150, "binder_systems": ["furan"]},
        "m2": {"sand_kg_min": 300, "binder_systems": ["furan", "phenolic"]},
    },
    "measures": {"bucket": {"mass_kg": 640, "steady_pct": 4}, "scoop": {"mass_kg": 0.333333}},
    "patterns": {"p1": {"box_sand_kg": 900}, "p2": {"box_sand_kg": 70.7}},
}


def revised(valid_from: str, **changes: Mapping[str, Any]) -> dict[str, Any]:
    """The same set-up from another day on, with entries of its sections changed or added."""
    plant = copy.deepcopy(PLANT)
    plant["shop"]["valid_from"] = valid_from
    for section, entries in changes.items():
        plant[section].update(entries)
    return plant


# From the day that clocks go forward a bucket and a scoop hold more, the second silo takes new sand and there is one
# place more; later the second heap takes the sand of the first, and scoops and that place are no longer known.
REVISIONS = (
    revised(
        "2025-03-30",
        measures={"bucket": {"mass_kg": 655.5}, "scoop": {"mass_kg": 0.4}},
        places={"silo_back": {"kind": "silo", "material": "new_sand"}, "tote": {"kind": "container"}},
    ),
    revised(
        "2025-10-26", places={"heap_e": {"kind": "heap", "material": "used_f"}}, patterns={"p3": {"box_sand_kg": 3}}
    ),
)
del REVISIONS[1]["measures"]["scoop"]

END_OF_TIME = 2**62
SAND = {"place": "silo_new", "mass_kg": 900}
RESIN = {"place": "tank_resin", "mass_kg": 9}


class Clock:
    """A clock that stands until it is set."""

    def __init__(self, now: int) -> None:
        self.now = now

    def __call__(self) -> int:
        return self.now


def new_shop(folder: Path, *, plant: Mapping[str, Any] = PLANT, at: str = "2025-01-02 08:00") -> tuple[Ledger, Clock]:
    """A new shop file and the clock that its records are stamped by."""
    clock = Clock(micros(at))
    return Ledger.create(folder / "test.shop", plant, sender="office", clock=clock), clock


def tell(ledger: Ledger, kind: str, record_id: str, content: Mapping[str, Any], sender: str = "op") -> Accepted:
    """Append one record; the shops are of 2025, whatever year the tests run in."""
    ledger.clock_is_right = True
    return ledger.append(ledger.entry(kind, content, sender=sender, record_id=record_id))


def take_back(ledger: Ledger, record_id: str, sender: str = "op") -> Accepted:
    """Append the reversal of a record."""
    of = {"sender": sender, "id": record_id}
    return tell(ledger, "reversal", f"back-{record_id}", {"of": of, "reason": "mistake"}, sender)


def stock_kg(
    ledger: Ledger, place: str, material: str, at: str = "2025-12-31 23:00", known_on: str | None = None
) -> float:
    """Stock in kilograms, exact: every mass of these tests is a whole number of grams."""
    with ledger.reader(known_on) as reader:
        return reader.stock_mg(place, material, micros(at)) / 1_000_000


def differences_kg(ledger: Ledger, place: str, material: str) -> list[tuple[str, float]]:
    """Differences of one place and material, each with the local day of its count."""
    with ledger.reader() as reader:
        found = reader.differences(-END_OF_TIME, END_OF_TIME)
    return [(one.at, one.mass_mg / 1_000_000) for one in found if (one.place, one.material) == (place, material)]


def moulds_kg(ledger: Ledger, at: str | None = None) -> dict[str, dict[str, float]]:
    """What moulds hold, in kilograms."""
    with ledger.reader() as reader:
        held = reader.mould_contents_mg(None if at is None else micros(at))
    return {mould: {name: mass / 1_000_000 for name, mass in inside.items()} for mould, inside in held.items()}


def flow_kg(ledger: Ledger, since: str, until: str) -> dict[tuple[str, str, str], float]:
    """Mass by (from, to, material) in (since, until]."""
    with ledger.reader() as reader:
        flows = reader.flows(micros(since), micros(until))
    totals: dict[tuple[str, str, str], float] = {}
    for flow in flows:
        key = (flow.source, flow.target, flow.material)
        totals[key] = totals.get(key, 0) + flow.mass_mg / 1_000_000
    return {key: mass for key, mass in totals.items() if mass}


def mix(at: str, moulds: list[str], streams: list[dict[str, Any]] | None = None, **more: Any) -> dict[str, Any]:
    """A mix into moulds: 900 kg of new sand and 9 kg of resin unless said otherwise."""
    streams = [SAND, RESIN] if streams is None else streams
    return {"at": at, "mixer": "m1", "binder_system": "furan", "moulds": moulds, "streams": streams, **more}


def knock_out(at: str, *moulds: str, to: str = "heap_f", **more: Any) -> dict[str, Any]:
    """Moulds knocked out."""
    return {"at": at, "moulds": list(moulds), "to": to, **more}
