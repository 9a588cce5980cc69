"""Random histories of the shop: records of every kind, told by several senders, in any order of arrival."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from hypothesis import strategies as st

from .shops import micros, written

SANDS = ("new_sand", "reclaimed", "used_f", "used_e", "cores", "dust")
LIQUIDS = ("resin", "acid")
SILOS = ("silo_new", "silo_back")
TANKS = ("tank_resin", "tank_acid")
HEAPS = ("heap_f", "heap_e")
ON_SITE = (*SILOS, *TANKS, "yard", "core_rack", *HEAPS, "reclaimer", "skip_dust", "tote")
MOULDS = ("101", "102", "7/A")
SENDERS = ("op", "mixer 1", "lab")
AMOUNTS = ("640", 1000, "0.000001", "333.333333", 12.5, "0.0005", 250)

# Instants on ordinary days, on one of 23 and one of 25 hours, at both ends of days, and close together.
INSTANTS = tuple(
    micros(text)
    for text in (
        "2025-03-28 10:00", "2025-03-28 23:59:59.999999", "2025-03-29 00:00", "2025-03-30 00:00", "2025-03-30 01:59:59",
        "2025-03-30 03:00", "2025-03-30 12:00", "2025-03-30 12:00:00.000001", "2025-03-30 23:59:59.999999",
        "2025-03-31 00:00", "2025-10-26 00:00", "2025-10-26T02:30+02:00", "2025-10-26T02:30+01:00",
        "2025-10-26 23:59:59.999999", "2025-10-27 06:00", "2024-12-31 12:00",
    )
)  # fmt: skip
OFF_US = 45 * 60 * 1_000_000
"""How far the clock of the second sender is behind."""


@dataclass(frozen=True)
class Event:
    """One record before it is sent."""

    kind: str
    sender: str
    id: str
    at: int
    content: dict[str, Any]


Draw = Callable[[st.SearchStrategy[Any]], Any]


class Pick:
    """Choices of one record."""

    def __init__(self, draw: Draw) -> None:
        self.draw = draw
        self.sites = tuple(draw(st.lists(st.sampled_from(ON_SITE), min_size=1, max_size=3, unique=True)))
        """Places that this history goes back to, so that its records have to do with each other."""

    def one(self, *choices: Any) -> Any:
        return self.draw(st.sampled_from(choices))

    def place(self, *choices: str) -> str:
        return self.one(*([place for place in choices if place in self.sites] or choices))

    def some(self, choices: tuple[str, ...], most: int = 3) -> list[str]:
        return self.draw(st.lists(st.sampled_from(choices), min_size=1, max_size=most, unique=True))

    def mass(self, name: str, zero: bool = False) -> dict[str, Any]:
        if self.one(True, False, False):
            return {f"{name}_amount": self.one(1, "2.5", 0.3), f"{name}_measure": self.one("bucket", "scoop")}
        return {f"{name}_kg": self.one(*AMOUNTS, *((0,) if zero else ()))}

    def material(self, *choices: str) -> dict[str, str]:
        return {"material": self.one(*choices)} if self.one(True, False, False) else {}


def _delivery(pick: Pick) -> dict[str, Any]:
    place = pick.place(*SILOS, *TANKS, "yard", "core_rack", "heap_e", "tote")
    named = {"material": pick.one(*SANDS, *LIQUIDS)} if place in ("yard", "tote") else pick.material(*SANDS, *LIQUIDS)
    mass = pick.one(pick.mass("mass"), {"gross_kg": "40000", "tare_kg": "14250.5"})
    return {"place": place, **named, **mass, "lot": "L1", "certificate": {"fines_pct": 0.3, "passed": True}}


def _transfer(pick: Pick) -> dict[str, Any]:
    source = pick.place(*ON_SITE)
    named = {"material": pick.one(*SANDS)} if source in ("yard", "tote") else pick.material(*SANDS)
    to = pick.one("target", "mould")
    target = pick.one(*MOULDS) if to == "mould" else pick.place(*(place for place in ON_SITE if place != source))
    return {"source": source, to: target, **named, **pick.mass("mass")}


def _mix(pick: Pick) -> dict[str, Any]:
    content: dict[str, Any] = {"mixer": pick.one("m1", "m2"), "binder_system": pick.one("furan", "phenolic")}
    if pick.one(True, True, True, False):
        moulds = content["moulds"] = pick.some(MOULDS)
        how = pick.one("shares", "patterns", "evenly", "both")
        if how in ("shares", "both"):
            content["shares"] = [pick.one(1, 2.5, "0.1", 3) for _ in moulds]
        if how in ("patterns", "both"):
            content["patterns"] = [pick.one("p1", "p2", "p3") for _ in moulds]
    else:
        content["destination"] = pick.place("core_rack", *HEAPS, "skip_dust")
    sands = [{"place": pick.place(*SILOS, "heap_f"), **pick.material(*SANDS), **pick.mass("mass")}]
    liquids = [{"place": place, **pick.material(*LIQUIDS), **pick.mass("mass", zero=True)} for place in TANKS]
    content["streams"] = [*sands, *pick.one([], liquids[:1], liquids, sands)]
    return content


def _ending(pick: Pick) -> dict[str, Any]:
    return {"moulds": pick.some(MOULDS), "to": pick.place(*HEAPS, *HEAPS, "skip_dust")}


def _knock_out(pick: Pick) -> dict[str, Any]:
    return {**_ending(pick), **pick.one({}, pick.mass("carried_out", zero=True))}


def _reclaim_run(pick: Pick) -> dict[str, Any]:
    content = {"source": pick.place(*HEAPS), "reclaimer": "reclaimer", "to": pick.place(*SILOS, "yard")}
    content |= {**pick.mass("returned"), **pick.one({}, pick.mass("fed"))}
    if pick.one(True, False):
        content |= {"lumps_to": pick.place(*HEAPS), **pick.mass("lumps", zero=True)}
    if pick.one(True, False):
        content |= {"dust_to": "skip_dust", **pick.mass("dust")}
    return content


def _disposal(pick: Pick) -> dict[str, Any]:
    place = pick.place("skip_dust", *HEAPS, "yard", "silo_back")
    named = {"material": pick.one(*SANDS)} if place == "yard" else pick.material(*SANDS)
    return {"place": place, **named, **pick.mass("mass"), "waste": "spent sand"}


def _count(pick: Pick) -> dict[str, Any]:
    place = pick.place(*ON_SITE)
    if pick.one(True, False):
        return {"place": place, "empty": True}
    named = {"material": pick.one(*SANDS)} if place in ("yard", "tote") else pick.material(*SANDS)
    return {"place": place, **named, **pick.mass("mass", zero=True), "error_pct": 2}


def _castings(pick: Pick) -> dict[str, Any]:
    return {"moulds": pick.some(MOULDS), "good_kg": 410, "rejected_kg": pick.one(0, 12)}


def _strip_check(pick: Pick) -> dict[str, Any]:
    return {"mould": pick.one(*MOULDS), "definition": "hand", "earliest_min": 30, "latest_min": 55, "sand_temp_c": 19}


def _sand_test(pick: Pick) -> dict[str, Any]:
    return {"test": "loss_on_ignition", "sample": {"place": pick.one(*HEAPS)}, "results": {"loss_pct": pick.one(2, 3)}}


def _calibration(pick: Pick) -> dict[str, Any]:
    return {
        "mixer": "m1",
        "stream": "resin",
        "setting": 40,
        "catches": [{"seconds": 30, "mass_kg": pick.one("0.75", 1)}],
    }


def _table_issued(pick: Pick) -> dict[str, Any]:
    row = {"sand_temp_c": 20, "serves": True, "catalyst_pct": pick.one(35, "40.5")}
    return {
        "number": pick.one(1, 2),
        "mixer": "m1",
        "binder_system": "furan",
        "expires_at": "2199-01-01 00:00",
        "rows": [row, {"sand_temp_c": 5, "serves": False, "because": "too cold"}],
    }


MOVING: dict[str, Callable[[Pick], dict[str, Any]]] = {
    "delivery": _delivery,
    "transfer": _transfer,
    "mix": _mix,
    "knock_out": _knock_out,
    "mould_scrap": lambda pick: {**_ending(pick), "reason": "broken"},
    "reclaim_run": _reclaim_run,
    "disposal": _disposal,
    "count": _count,
}
OBSERVING: dict[str, Callable[[Pick], dict[str, Any]]] = {
    "pour": lambda pick: {"moulds": pick.some(MOULDS), "metal": "grey iron", "poured_kg": 400},
    "castings": _castings,
    "level": lambda pick: {"place": pick.one(*SILOS), "level_m": pick.one(2, "3.25")},
    "temperature": lambda pick: {"what": "air", "value_c": pick.one(-4, 21.5)},
    "strip_check": _strip_check,
    "sand_test": _sand_test,
    "calibration": _calibration,
    "exposure": lambda pick: {"agent": "quartz dust", "value": pick.one(0.02, 0.1), "unit": "mg/m3", "hours": 8},
    "hold": lambda pick: {"place": pick.one(*SILOS), "reason": "wet"},
    "release": lambda pick: {"lot": "L1", "reason": "tested"},
    "table_issued": _table_issued,
}
# Moulds and counts are where the order of arrival could matter, so they come up more often.
_WEIGHTED = (*MOVING, *("mix", "knock_out", "count") * 3, "mould_scrap", "transfer", "observing")


# What these do reaches past their own instant, and their withdrawal with it.
ANCHORING = ("knock_out", "mould_scrap", "count")


@st.composite
def histories(draw: Draw, most: int = 16) -> list[Event]:
    """Events, and the reversals of some of them, by order of happening in no particular way."""
    pick = Pick(draw)
    instants = draw(st.lists(st.sampled_from(INSTANTS), min_size=2, max_size=5, unique=True))
    events: list[Event] = []
    for number in range(draw(st.integers(2, most))):
        kind = pick.one(*_WEIGHTED)
        kind = pick.one(*OBSERVING) if kind == "observing" else kind
        content = (MOVING.get(kind) or OBSERVING[kind])(pick)
        sender, at = pick.one(*SENDERS), pick.one(*instants)
        own = at - OFF_US if sender == "mixer 1" else at
        events.append(Event(kind, sender, f"{kind}-{number}", at, {"at": written(own), **content}))
    for number, event in enumerate(list(events)):
        if pick.one(*(False, True) if event.kind in ANCHORING else (False, False, False, False, True)):
            of = {"sender": event.sender, "id": event.id}
            events.append(Event("reversal", "office", f"back-{number}", event.at, {"of": of, "reason": "mistake"}))
    return events


@st.composite
def arrivals(draw: Draw, events: list[Event]) -> list[list[Event]]:
    """The same events in some order of arrival, each reversal after its record, cut into days of recording."""
    order: list[Event] = list(draw(st.permutations([event for event in events if event.kind != "reversal"])))
    for event in [event for event in events if event.kind == "reversal"]:
        named = [(one.sender, one.id) for one in order]
        first = named.index((event.content["of"]["sender"], event.content["of"]["id"])) + 1
        order.insert(draw(st.integers(first, len(order))), event)
    cuts = sorted(draw(st.lists(st.integers(0, len(order)), max_size=3)))
    return [order[start:end] for start, end in zip([0, *cuts], [*cuts, len(order)], strict=True)]
