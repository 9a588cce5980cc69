"""What a record handles: an event as the table of dangers names it, and the binder families at hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sandtrack.ledger.setups import Day
from sandtrack.plant import BinderSystem, Plant
from sandtrack.shop.picture import Picture

_LIQUIDS = ("resin", "catalyst", "hardener")
_SILOS = ("silo", "hopper")
_STORED = ("delivery", "transfer", "level", "count")
_OF_MOULDS = ("pour", "knock_out", "mould_scrap", "strip_check")


def event(kind: str, values: Mapping[str, Any], day: Day) -> str:
    """The kind of a record, and after a dot what it handles: liquid, silo, heap, or the mixed sand."""
    if kind == "temperature":
        return f"{kind}.{values['what']}"
    if kind not in _STORED:
        return kind
    place = values.get("place") or values.get("target")
    material = _material(kind, values, day)
    stored = str(day.find("materials", material).kind) if material else ""
    where = str(day.find("places", place).kind) if place else ""
    if stored in _LIQUIDS or where == "tank":
        return f"{kind}.liquid"
    if stored == "sand" or where in _SILOS:
        return f"{kind}.silo" if where in _SILOS else f"{kind}.heap"
    return kind


def families(picture: Picture, kind: str, values: Mapping[str, Any], at: int) -> tuple[str, ...]:
    """Binder families at hand where a record is made; all of the set-up's where it is not known which."""
    day = picture.setups.on(at)
    if "binder_system" in values:
        return (day.find("binder_systems", values["binder_system"]).family,)
    if "mixer" in values:
        return of_mixer(day, values["mixer"])
    if kind in _OF_MOULDS:
        moulds = values["moulds"] if "moulds" in values else [values["mould"]] if "mould" in values else []
        return of_materials(day.plant, picture.reader.filled_with(moulds, at)) or of_plant(day.plant)
    if kind in _STORED and (material := _material(kind, values, day)):
        entry = day.find("materials", material)
        known = of_materials(day.plant, [material])
        if entry.kind in _LIQUIDS and (target := values.get("target") or values.get("place")):
            known = tuple(dict.fromkeys((*known, *of_materials(day.plant, [day.material_at(target)]))))
        return known or (of_plant(day.plant) if entry.kind in _LIQUIDS else ())
    return ()


def of_plant(plant: Plant) -> tuple[str, ...]:
    """Families of every binder system of the set-up."""
    return tuple(dict.fromkeys(system.family for system in plant.binder_systems.values()))


def of_mixer(day: Day, mixer: str) -> tuple[str, ...]:
    """Families of the binder systems that a mixer runs."""
    systems = day.find("mixers", mixer).binder_systems
    return tuple(dict.fromkeys(day.find("binder_systems", key).family for key in systems))


def of_materials(plant: Plant, materials: Iterable[str]) -> tuple[str, ...]:
    """Families of the binder systems that use one of these liquids."""
    used = set(materials)
    return tuple(dict.fromkeys(system.family for system in plant.binder_systems.values() if used & _liquids(system)))


def _liquids(system: BinderSystem) -> set[str]:
    own = (system.resin, system.catalyst, system.part_1, system.part_2, system.drier, *system.grades.values())
    return {material for material in own if material}


def _material(kind: str, values: Mapping[str, Any], day: Day) -> str:
    """The material that a record handles: its own, else that of the place that it is about."""
    place = values.get("source") if kind == "transfer" else values.get("place")
    return values.get("material") or (day.material_at(place) if place else "")
