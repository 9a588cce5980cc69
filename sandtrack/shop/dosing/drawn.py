"""What pictures of strip times are drawn from, as plain arrays."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sandtrack.shop.answer import Answer
from sandtrack.shop.dosing import allowed, lessons, systems
from sandtrack.shop.dosing.learned import learned_law
from sandtrack.shop.dosing.lots import Lots
from sandtrack.shop.dosing.serving import COVERAGE, work_low
from sandtrack.shop.dosing.warmth import Surroundings
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import aim

_TEMPS, _LEVERS = 61, 61


def foretold(picture: Picture, binder_system: str, definition: str | None = None) -> dict[str, Any] | None:
    """Each check with the range that the checks before it gave; None where there is no check."""
    law = learned_law(picture, systems.named(picture.plant, binder_system), definition)
    if law is None:
        return None
    checks = law.gathered.checks(picture)
    walked = lessons.walked(picture, law, checks)
    if walked is None:
        return None
    return {
        "low_min": walked.low_min,
        "middle_min": walked.middle_min,
        "high_min": walked.high_min,
        "earliest_min": checks.earliest_min[walked.order],
        "latest_min": checks.latest_min[walked.order],
    }


def curve(
    picture: Picture, binder_system: str, lever: float | None = None, definition: str | None = None
) -> dict[str, Any] | None:
    """Strip time over temperature at a setting (default: the usual one), and the checks brought to that setting.

    None where no strip time is known.
    """
    system = systems.named(picture.plant, binder_system)
    law = learned_law(picture, system, definition)
    if law is None:
        return None
    at = lever if lever is not None else law.belief.at_lever if system.usual is None else system.usual
    looks = law.gathered.looks
    temps = [look.temp_c for look in looks]
    window = system.family.sand_window_c
    first = math.floor(min([window.low, *temps]))
    last = math.ceil(max([window.high, *temps]))
    across = np.linspace(first, last, _TEMPS)
    low, middle, high = law.times.strip_range_min(across, at, coverage=COVERAGE)
    cure = law.cure_law
    brought = [
        float(cure.strip_time_min(look.temp_c, at) / cure.strip_time_min(look.temp_c, look.lever_now)) for look in looks
    ]
    told: dict[str, Any] = {"temp_c": across, "low_min": low, "middle_min": middle, "high_min": high}
    told |= {
        "check_temp_c": np.array(temps),
        "check_earliest_min": np.array([look.earliest_min * by for look, by in zip(looks, brought, strict=True)]),
        "check_latest_min": np.array([look.latest_min * by for look, by in zip(looks, brought, strict=True)]),
        "setting": system.show(round(at, 2)),
        "checks": "the shop's checks, brought to this setting",
    }
    return told


def region(picture: Picture, answer: Answer) -> dict[str, Any] | None:
    """Where the box and the strip time of a setting's answer both serve; None where no strip time is known."""
    values = answer.values
    system = systems.named(picture.plant, values["binder_system"], values.get("purpose"))
    law, limits = learned_law(picture, system), picture.plant.limits
    found = values.get("nearest", values)
    if law is None or values.get("wanted_strip_min") is None or "sand_temp_c" not in values:
        return None
    temp, by, fill = values["sand_temp_c"], values["wanted_strip_min"], found.get("fill_time_min")
    sand = values.get("sand_shares")
    lots = Lots(values.get("resin_lot", ""), tuple(sorted(values.get("curing_lots", {}).items())))
    strip_times, lot = law.times_on(sand), law.label(lots, sand)
    window, settings = system.family.sand_window_c, system.settings()
    across = np.linspace(min(window.low, temp) - 3, max(window.high, temp) + 3, _TEMPS)
    up = np.linspace(settings[0], settings[-1], _LEVERS)
    temps, levers = np.meshgrid(across, up)
    low, middle, _ = strip_times.strip_range_min(temps.ravel(), levers.ravel(), coverage=COVERAGE, lot=lot)
    work = work_low(system, low, middle)
    kept = by
    if (point := found.get("slowest_point")) is not None:
        around = Surroundings.again(law.cure_law.activation_energy_kj_mol, point)
        kept, work = around.kept_min(temps.ravel(), by), around.quickest_min(temps.ravel(), work)
    strips = strip_times.chance_by(kept, temps.ravel(), levers.ravel(), lot=lot) >= values["wanted_chance"] * (1 - 1e-9)
    fills = np.ones(strips.shape, bool) if fill is None else fill <= limits.work_time_share * work
    grade = system.family.lever == "grade"
    scale = 100.0 if grade else 1.0
    may = np.array([allowed.at_temperature(system, value) for value in across.tolist()])
    chosen = (temp, found[system.lever_field] * scale) if answer.possible else None
    base = "fast grade, % of the hardener" if grade else f"{system.lever_word}, {found['catalyst_base']}"
    return {
        "temp_c": across,
        "lever": up * scale,
        "fills": fills.reshape(temps.shape),
        "strips": strips.reshape(temps.shape),
        "test_piece": may == "test_piece",
        "no_mould": may == "no",
        "lever_label": base,
        "chosen": chosen,
        "fills_label": "the box can be filled" + (f" in {fill:.0f} min" if fill is not None else ""),
        "strips_label": f"strips by {by:.0f} min with {aim(values['wanted_chance'])} chance",
    }
