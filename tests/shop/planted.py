"""Dangerous events planted one by one in the small foundry, each as the records that make it, in order of happening."""

from __future__ import annotations

from typing import Any, NamedTuple

from .circuit import ESTER, PLANT, merged


class Told(NamedTuple):
    """One record: its kind, its sender, and what it says."""

    kind: str
    sender: str
    content: dict[str, Any]


class Planted(NamedTuple):
    """A code, what it is about, the records that make it, and the one (by position) that is dangerous."""

    code: str
    subject: str
    records: tuple[Told, ...]


DANGER_PLANT = merged(
    PLANT,
    ESTER,
    {
        "materials": {"cores": {"name": "Cores", "kind": "sand", "role": "core", "family": "furan_acid"}},
        "places": {
            "silo_new": {"order_size_kg": 25000},
            "tank_acid": {"safe_fill_kg": 1000},
            "silo_back": {"safe_fill_kg": 36000},
            "store": {"name": "Drum store", "kind": "store"},
            "core_store": {"name": "Core store", "kind": "core_store", "material": "cores"},
        },
        "binder_systems": {
            "furan": {"reference": {"strip_time_min": 45, "temp_c": 20, "catalyst_pct": 35, "definition": "hand"}},
        },
        "mixers": {"m1": {"binder_systems": ["furan"]}},
        "people": {"ida": {"name": "Ida"}, "emil": {"name": "Emil"}},
        "limits": {"exposure": {"respirable_crystalline_silica": {"unit": "mg/m3", "shift": 0.03}}},
    },
)
"""One circuit of furan and one of ester, with a store of drums and the shop's own limit of silica, 0.03 mg/m³."""


def told(kind: str, at: str, sender: str = "ida", **content: Any) -> Told:
    """A record of 3 June."""
    return Told(kind, sender, {"at": f"2025-06-03 {at}" if len(at) == 5 else at, **content})


def furan(at: str, mould: str = "7", **drawn: float) -> Told:
    """Furan sand into a mould: 100 kg of sand, 1 kg of resin, 0.35 kg of acid, where nothing else is stated."""
    masses = {"silo_new": 20.0, "silo_back": 80.0, "tank_resin": 1.0, "tank_acid": 0.35} | drawn
    streams = [{"place": place, "mass_kg": mass} for place, mass in masses.items()]
    return told("mix", at, "m1", mixer="m1", binder_system="furan", moulds=[mould], sand_temp_c=20, streams=streams)


def ester(at: str, mould: str = "7") -> Told:
    """Ester sand into a mould."""
    masses = {"silo_new": 20.0, "silo_e": 80.0, "tank_resin_e": 1.6, "tank_slow": 0.2, "tank_fast": 0.2}
    streams = [{"place": place, "mass_kg": mass} for place, mass in masses.items()]
    return told("mix", at, "m2", mixer="m2", binder_system="ester", moulds=[mould], streams=streams)


def pour(at: str, mould: str = "7") -> Told:
    """A mould is poured."""
    return told("pour", at, "emil", moulds=[mould], metal="iron", poured_kg=30)


def _one(code: str, subject: str, *records: Told) -> Planted:
    return Planted(code, subject, records)


PLANTED: dict[str, Planted] = {
    "resin delivered into the acid tank": _one(
        "wrong_material", "tank_acid", told("delivery", "08:00", place="tank_acid", material="resin", mass_kg=60)
    ),
    "resin meets acid in a tank": _one(
        "resin_meets_acid", "tank_acid", told("delivery", "08:00", place="tank_acid", material="resin", mass_kg=60)
    ),
    "acid moved into the resin tank": _one(
        "resin_meets_acid", "tank_resin",
        told("transfer", "08:00", source="tank_acid", target="tank_resin", mass_kg=5),
    ),
    "ester meets alkaline resin": _one(
        "resin_meets_acid", "tank_resin_e",
        told("transfer", "08:00", source="tank_slow", target="tank_resin_e", mass_kg=5),
    ),
    "resin and acid in one store": _one(
        "resin_meets_acid", "store",
        told("delivery", "08:00", place="store", material="resin", mass_kg=200),
        told("delivery", "09:00", place="store", material="acid", mass_kg=200),
    ),
    "sand moved into a silo of another": _one(
        "wrong_material", "silo_new", told("transfer", "08:00", source="silo_e", target="silo_new", mass_kg=500)
    ),
    "an ester heap run into the furan silo": _one(
        "wrong_material", "silo_back",
        told("reclaim_run", "08:00", source="heap_e", reclaimer="reclaimer_e", returned_kg=900, to="silo_back"),
    ),
    "ester sand thrown on the furan heap": _one(
        "wrong_material", "heap",
        ester("08:00")._replace(content={
            name: value for name, value in (ester("08:00").content | {"destination": "heap"}).items()
            if name != "moulds"
        }),
    ),
    "a mix from a held silo": _one(
        "blocked_place_drawn", "silo_new", told("hold", "07:00", place="silo_new", reason="wet"), furan("08:00")
    ),
    "a mix from a tank with a wrong material": _one(
        "blocked_place_drawn", "tank_acid",
        told("delivery", "07:00", place="tank_acid", material="resin", mass_kg=60), furan("08:00"),
    ),
    "a mix from a silo that a run filled wrongly": _one(
        "blocked_place_drawn", "silo_back",
        told("reclaim_run", "07:00", source="heap_e", reclaimer="reclaimer_e", returned_kg=900, to="silo_back"),
        furan("08:00"),
    ),
    "a run from a held heap": _one(
        "blocked_place_drawn", "heap", told("hold", "07:00", place="heap", reason="burnt lumps"),
        told("reclaim_run", "08:00", source="heap", reclaimer="reclaimer", returned_kg=900, to="silo_back"),
    ),
    "a disposal from a held skip": _one(
        "blocked_place_drawn", "skip", told("hold", "07:00", place="skip", reason="sampled"),
        told("disposal", "08:00", place="skip", waste="dust", mass_kg=100),
    ),
    "a held lot is drawn": _one(
        "blocked_place_drawn", "tank_resin", told("hold", "07:00", lot="R1", reason="gelled"),
        told("transfer", "08:00", source="tank_resin", target="store", mass_kg=5, lot="R1"),
    ),
    "ester sand drawn by a furan mix": _one(
        "sand_of_other_family", "m1", furan("08:00", silo_e=5.0)
    ),
    "ester sand shovelled into a furan mould": _one(
        "sand_of_other_family", "7", furan("08:00"), told("transfer", "08:10", source="silo_e", mould="7", mass_kg=20)
    ),
    "two families in one mould": _one("two_families", "7", furan("08:00"), ester("08:10")),
    "a held mould is poured": _one(
        "held_poured", "7", furan("08:00"), told("hold", "09:00", mould="7", reason="cracked"), pour("14:00")
    ),
    "poured minutes after filling": _one("poured_too_soon", "7", furan("08:00"), pour("08:10")),
    "poured twice": _one("poured_twice", "7", furan("06:00"), pour("10:00"), pour("14:00")),
    "poured empty": _one("poured_empty", "8", pour("10:00", "8")),
    "knocked out minutes after pouring": _one(
        "knocked_out_too_soon", "7", furan("06:00"), pour("10:00"),
        told("knock_out", "10:12", "emil", moulds=["7"], to="heap"),
    ),
    "silica above the shop's own limit": _one(
        "exposure_over_limit", "quartz", told("exposure", "12:00", agent="quartz", value=40, unit="µg/m³", hours=8)
    ),
    "formaldehyde above the usual limit": _one(
        "exposure_over_limit", "Formaldehyde",
        told("exposure", "12:00", agent="Formaldehyde", value=1.2, unit="mg/m3", hours=8),
    ),
    "an agent that nobody has a limit for": _one(
        "exposure_not_judged", "unobtainium", told("exposure", "12:00", agent="unobtainium", value=1, unit="ppm")
    ),
    "a unit that cannot be judged": _one(
        "exposure_not_judged", "silica", told("exposure", "12:00", agent="silica", value=1, unit="f/cm3")
    ),
    "a tank past its mark": _one(
        "tank_over_mark", "tank_acid", told("delivery", "08:00", place="tank_acid", mass_kg=700)
    ),
    "a silo past its safe fill by a run": _one(
        "over_safe_fill", "silo_back",
        told("reclaim_run", "08:00", source="heap", reclaimer="reclaimer", returned_kg=30000, to="silo_back"),
    ),
    "a mix without acid": _one("mix_without_catalyst", "m1", furan("08:00", tank_acid=0.0)),
    "a mix without resin": _one("mix_without_catalyst", "m1", furan("08:00", tank_resin=0.0)),
    "a mix with three times its resin": _one("mix_far_off_ratio", "m1", furan("08:00", tank_resin=3.0, tank_acid=1.05)),
    "resin and acid swapped": _one("streams_swapped", "m1", furan("08:00", tank_resin=0.35, tank_acid=1.0)),
    "a mix without acid is poured": _one("poured_unchecked", "7", furan("06:00", tank_acid=0.0), pour("14:00")),
    "a tanker of 24 kg": _one(
        "mass_implausible", "silo_new", told("delivery", "08:00", place="silo_new", mass_kg=24)
    ),
    "a tanker of 240 t": _one(
        "mass_implausible", "silo_new", told("delivery", "08:00", place="silo_new", mass_kg=240000)
    ),
    "a strip check before its mix": _one(
        "check_before_mix", "7", furan("08:00"),
        told("strip_check", "07:30", "emil", mould="7", definition="hand", latest_min=45, sand_temp_c=20),
    ),
    "a strip check in the minute of its mix": _one(
        "check_before_mix", "7", furan("08:00"),
        told("strip_check", "08:00", "emil", mould="7", definition="hand", latest_min=45, sand_temp_c=20),
    ),
    "a strip check of a mould that nobody filled": _one(
        "check_of_empty_mould", "99",
        told("strip_check", "08:00", "emil", mould="99", definition="hand", latest_min=45, sand_temp_c=20),
    ),
}  # fmt: skip

ABSENT = frozenset({"poured_empty", "check_of_empty_mould", "ended_empty"})
"""Codes that say what is missing: the record that was missing takes them back, so they depend on what came first."""

QUIET_DAY: tuple[Told, ...] = (
    told("delivery", "07:00", place="silo_new", mass_kg=24300),
    told("delivery", "07:20", place="tank_acid", mass_kg=500),
    furan("08:00", "21"),
    ester("08:20", "22"),
    told("strip_check", "09:00", "emil", mould="21", definition="hand", latest_min=55, sand_temp_c=20),
    told("transfer", "09:20", source="core_store", mould="21", mass_kg=30),
    told("reclaim_run", "10:00", source="heap", reclaimer="reclaimer", returned_kg=5000, to="silo_back"),
    told("disposal", "11:00", place="skip", waste="dust", mass_kg=100),
    told("exposure", "12:00", agent="respirable quartz", value=0.02, unit="mg/m3", hours=8),
    told("hold", "12:10", mould="23", reason="drawing changed"),
    told("release", "12:20", mould="23", reason="drawing checked"),
    pour("15:00", "21"),
    pour("15:10", "22"),
    told("knock_out", "2025-06-04 07:00", "emil", moulds=["21"], to="heap"),
    told("knock_out", "2025-06-04 07:10", "emil", moulds=["22"], to="heap_e"),
)
"""A day on which nothing is dangerous: a held mould is released, cores go into a mould."""
