"""The set-points of one setting: percents, flows by mass and volume, masses for a box, and its times."""

from __future__ import annotations

from typing import Any

from sandtrack.plant import Mixer
from sandtrack.shop.answer import Flag
from sandtrack.shop.dosing.serving import Job, Times
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import Picture
from sandtrack.trade.dosing import flow_ml_min
from sandtrack.trade.recipe import outside_windows


def spans(told: Times) -> dict[str, dict[str, float]]:
    """Strip and work time as low, mid, high."""
    names = ("low", "mid", "high")
    return {
        "strip_time_min": dict(zip(names, told.strip_min, strict=True)),
        "work_time_min": dict(zip(names, told.work_min, strict=True)),
    }


def of(
    picture: Picture, mixer: Mixer, job: Job, told: Times, box_kg: float | None
) -> tuple[dict[str, Any], list[Flag]]:
    """Set-points of one setting, and what to look at in them."""
    system = job.system
    grade = system.family.lever == "grade"
    base = system.family.co_reactant_window_pct if grade else system.window
    points: dict[str, Any] = {
        "resin_pct": system.entry.resin_pct,
        "catalyst_pct": system.amount_pct if grade else told.lever,
        "catalyst_base": base.unit,
    }
    if grade:
        points["fast_share"] = told.lever
    if told.chance is not None:
        points["chance_to_strip"] = told.chance
    points["fill_within_min"] = job.work_time_share * told.work_min[0]
    flows = _streams(system, told.lever, mixer.sand_kg_min)
    volumes, flags = _volumes(picture, system, flows)
    points |= {"flows_kg_min": flows, "flows_ml_min": volumes}
    if box_kg is not None and job.fill_min is not None:
        points |= {
            "box_sand_kg": box_kg,
            "fill_time_min": job.fill_min,
            "work_time_used_share": job.fill_min / told.work_min[0],
            "masses_kg": _streams(system, told.lever, box_kg),
        }
    both = {"new_sand", "reclaimed_sand"} <= set(mixer.draws.get(system.key, {}))
    if system.entry.reclaimed_share is None and both:
        text = f"the usual share of reclaimed sand of {system.name} is not in the set-up: sand is shown as one stream"
        flags.append(Flag("reclaimed_share_unknown", text, system.key))
    for outside in outside_windows(system.recipe(told.lever)):
        flags.append(Flag("outside_window", outside.text, system.key))
    return points, flags


def _streams(system: System, lever: float, sand_kg: float) -> dict[str, float]:
    """Sand and liquids by stream, for a mass or a flow of sand. [kg or kg/min]"""
    share = system.entry.reclaimed_share
    sand = {"sand": sand_kg}
    if share is not None:
        sand = {"new_sand": sand_kg - sand_kg * share, "reclaimed_sand": sand_kg * share}
    return {**sand, **system.dose(lever, sand_kg).liquids}


def _volumes(picture: Picture, system: System, flows: dict[str, float]) -> tuple[dict[str, float], list[Flag]]:
    """Volume flow of every liquid whose density is known. [ml/min]"""
    volumes: dict[str, float] = {}
    flags: list[Flag] = []
    for name, material in system.liquids.items():
        density = picture.day.find("materials", material).density_kg_m3
        if density is None:
            text = (
                f"no density of {picture.name('materials', material)} is in the set-up: "
                "its flow is given in kg/min only, and a pump delivers volume"
            )
            flags.append(Flag("density_missing", text, material))
        else:
            volumes[name] = flow_ml_min(flow_kg_min=flows[name], density_kg_m3=density)
    return volumes, flags
