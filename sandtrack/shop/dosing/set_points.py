"""The set-points of one setting: percents, flows by mass and volume, pumps on their own scale, masses for a box."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop.answer import Flag, Range
from sandtrack.shop.dosing.pumped import Pumped
from sandtrack.shop.dosing.serving import COVERAGE, Job, Times
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.mixers.pumps import CATCH, Rate
from sandtrack.shop.picture import Picture
from sandtrack.trade.dosing import flow_ml_min
from sandtrack.trade.recipe import outside_windows

_STRIP_MEANING = (
    "time from the last sand in the box until the pattern can be drawn; the next mould lies inside with this chance"
)
_WORK_MEANING = "time from the first sand in the box within which it can be filled and compacted"
_PUMP_MEANING = "settings at which the stream cannot be told from the wanted rate (Fieller)"


def spans(ranges: Mapping[str, Range]) -> dict[str, dict[str, float]]:
    """Ranges as low, mid, high."""
    return {name: {"low": one.low, "mid": one.mid, "high": one.high} for name, one in ranges.items()}


def of(
    picture: Picture, mixer: Mixer, job: Job, told: Times, box_kg: float | None
) -> tuple[dict[str, Any], dict[str, Range], list[Flag]]:
    """Set-points of one setting, their ranges, and what to look at in them."""
    pumped = job.pumped
    system = pumped.at(told.lever)
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
    flows = system.streams(told.lever, mixer.sand_kg_min)
    volumes, flags = _volumes(picture, system, flows)
    points |= {"flows_kg_min": flows, "flows_ml_min": volumes}
    settings = pumped.settings(flows)
    points["pumps"] = {liquid: _told(picture, pumped, liquid, setting) for liquid, setting in settings.items()}
    ranges = {
        "strip_time_min": Range(*told.strip_min, COVERAGE, _STRIP_MEANING),
        "work_time_min": Range(*told.work_min, COVERAGE, _WORK_MEANING),
    }
    for liquid, one in settings.items():
        if (span := one.told(_PUMP_MEANING)) is not None:
            ranges[f"pump_setting.{liquid}"] = span
    flags += _guessed(picture, mixer, pumped, settings)
    if box_kg is not None and job.fill_min is not None:
        points |= {
            "box_sand_kg": box_kg,
            "fill_time_min": job.fill_min,
            "work_time_used_share": job.fill_min / told.work_min[0],
            "masses_kg": system.streams(told.lever, box_kg),
        }
    both = {"new_sand", "reclaimed_sand"} <= set(mixer.draws.get(system.key, {}))
    if system.entry.reclaimed_share is None and not system.entry.sand_shares and both:
        text = f"the usual share of reclaimed sand of {system.name} is not in the set-up: sand is shown as one stream"
        flags.append(Flag("reclaimed_share_unknown", text, system.key))
    for outside in outside_windows(system.recipe(told.lever)):
        flags.append(Flag("outside_window", outside.text, system.key))
    return points, ranges, flags


def _told(picture: Picture, pumped: Pumped, liquid: str, setting: Rate) -> dict[str, Any]:
    """One pump on its own scale."""
    pump = pumped.pumps[liquid]
    return {
        "stream": pump.session.stream,
        "setting": setting.value,
        "step": pump.step,
        "inside": setting.inside,
        "calibrated_at": times.show(pump.session.at, picture.zone),
    }


def _guessed(picture: Picture, mixer: Mixer, pumped: Pumped, settings: Mapping[str, Rate]) -> Iterator[Flag]:
    """Pumps that are to be set where they were not caught."""
    name, alone = picture.name("mixers", mixer.key), []
    for liquid, setting in settings.items():
        if setting.inside:
            continue
        low, *more = pumped.pumps[liquid].session.settings
        what = liquid.replace("_", " ")
        if more:
            text = (
                f"{what} of {name} at setting {setting.value:.4g} lies beyond the {low:g} to {more[-1]:g} that were "
                "caught: a guess, so catch it there before it is used"
            )
            yield Flag("beyond_calibration", text, liquid)
        else:
            alone.append(f"{what} at {low:g}, so that {setting.value:.4g} is in proportion to it")
    if alone:
        text = f"caught at one setting only on {name}: {'; '.join(alone)}; {CATCH}"
        yield Flag("one_setting_caught", text, mixer.key)


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
