"""A binder system as the pumps of a mixer deliver it: their settings, and what can be set once these are rounded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np

from sandtrack.plant import Mixer
from sandtrack.shop.answer import Basis, Flag
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.mixers.pumps import CATCH, LINE, PROPORTION, Pump, Rate, Session, due_on, latest
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import day
from sandtrack.trade.recipe import Recipe, outside_windows


@dataclass(frozen=True)
class Pumped:
    """What can be set for one binder system on one mixer."""

    system: System
    """The binder system, with what does not set the speed as the pumps deliver it."""
    levers: tuple[float, ...]
    """Every setting of what sets the speed that can be set, lowest first."""
    sand_kg_min: float
    pumps: Mapping[str, Pump]
    """Pumps whose calibration is in force, by liquid."""
    amounts_pct: Mapping[float, float]
    """Amount at each share of the fast grade, where two stepped pumps make both."""
    stepped: bool
    """Whether a pump that sets the speed has steps."""
    basis: tuple[Basis, ...] = ()
    flags: tuple[Flag, ...] = ()

    def nearest(self, lever: float) -> float:
        """The setting nearest to one that is asked about."""
        return min(self.levers, key=lambda other: abs(other - lever)) if self.stepped else lever

    def at(self, lever: float) -> System:
        """The binder system as delivered at one setting."""
        amount = self.amounts_pct.get(lever)
        return self.system if amount is None else replace(self.system, amount_pct=amount)

    def settings(self, flows_kg_min: Mapping[str, float]) -> dict[str, Rate]:
        """Setting of each pump for the flows of an answer, where it can be told."""
        found = {liquid: pump.setting_for(flows_kg_min[liquid]) for liquid, pump in self.pumps.items()}
        return {liquid: setting for liquid, setting in found.items() if setting is not None}


def pumped(picture: Picture, mixer: Mixer, system: System) -> Pumped:
    """A binder system by the calibrations in force; without any, exactly as the set-up has it."""
    caught = _caught(picture, mixer, system)
    overdue = [liquid for liquid, one in caught.items() if _past_due(picture, mixer, one)]
    pumps = {
        liquid: Pump(one, mixer.setting_steps.get(one.stream))
        for liquid, one in caught.items()
        if liquid not in overdue
    }
    flat = [liquid for liquid, pump in pumps.items() if pump.straight is None]
    pumps = {liquid: pump for liquid, pump in pumps.items() if liquid not in flat}
    delivered = _delivered(system, pumps, mixer.sand_kg_min)
    levers, amounts = _levers(delivered, pumps, mixer.sand_kg_min)
    flags = [*_not_in_force(picture, mixer, system, caught, overdue), *_flat(picture, mixer, flat)]
    if not levers:
        flags.append(_coarse(picture, mixer, system, pumps))
        pumps = {liquid: replace(pump, step=None) for liquid, pump in pumps.items()}
        delivered, levers = system, system.settings()
    return Pumped(
        system=delivered,
        levers=tuple(levers),
        sand_kg_min=mixer.sand_kg_min,
        pumps=pumps,
        amounts_pct=amounts,
        stepped=any(pump.step is not None for liquid, pump in pumps.items() if liquid in system.setting_speed),
        basis=_basis(picture, mixer, pumps),
        flags=tuple(flags),
    )


def _caught(picture: Picture, mixer: Mixer, system: System) -> dict[str, Session]:
    """Latest calibration of each liquid of a system; a draw is that liquid's whose material its place holds."""
    held = {picture.day.material_at(place): draw for draw, place in mixer.draws.get(system.key, {}).items()}
    draws = {liquid: held.get(material, liquid) for liquid, material in system.liquids.items()}
    found = latest(picture, mixer, system.key, draws.values())
    return {liquid: found[draw] for liquid, draw in draws.items() if draw in found}


def _delivered(system: System, pumps: Mapping[str, Pump], sand_kg_min: float) -> System:
    """The system with each liquid that does not set the speed on a step of its pump: the nearest inside all windows."""
    fixed = [liquid for liquid in pumps if liquid not in system.setting_speed and pumps[liquid].step is not None]
    if not fixed:
        return system
    lever = system.settings()[-1]
    wanted = system.dose(lever, sand_kg_min).liquids
    ways = list(product(*(pumps[liquid].either_kg_min(wanted[liquid]) for liquid in fixed)))
    for rates in ways:
        made = _as_dosed(system, {**wanted, **dict(zip(fixed, rates, strict=True))}, sand_kg_min)
        if not outside_windows(made.recipe(lever)):
            return made
    return _as_dosed(system, {**wanted, **dict(zip(fixed, ways[0], strict=True))}, sand_kg_min)


def _as_dosed(system: System, liquids_kg: Mapping[str, float], sand_kg: float) -> System:
    """The system with its percents, but for what sets the speed, taken from masses."""
    recipe = system.made(liquids_kg, sand_kg)
    resin_pct, amount_pct = recipe.resin_pct, system.amount_pct
    if system.family.drier_window_pct is not None:
        amount_pct = _clean(recipe.co_reactant_pct)
        resin_pct *= 1 + amount_pct / 100  # the set-up counts both parts together
    part_1 = system.entry.part_1_share if recipe.part_1_share is None else _clean(recipe.part_1_share)
    return replace(
        system, entry=replace(system.entry, resin_pct=_clean(resin_pct), part_1_share=part_1), amount_pct=amount_pct
    )


def _levers(system: System, pumps: Mapping[str, Pump], sand_kg_min: float) -> tuple[list[float], dict[float, float]]:
    """Settings inside the window that the pumps can be set to, and the amount at each where that goes with it."""
    own = [liquid for liquid in system.setting_speed if liquid in pumps and pumps[liquid].step is not None]
    if not own:
        return system.settings(), {}
    wanted = system.dose(np.array(system.settings()), sand_kg_min).liquids
    liquids = {**wanted, **{liquid: pumps[liquid].nearest_kg_min(wanted[liquid]) for liquid in own}}
    made = system.made(liquids, sand_kg_min)
    levers, amounts = _clean(_lever(system, made)), _clean(made.co_reactant_pct)
    inside = (levers >= system.window.low) & (levers <= system.window.high)
    window = system.family.co_reactant_window_pct
    if system.family.lever == "grade" and window.holds(system.amount_pct or 0.0):  # else no step can bring it inside
        inside &= (amounts >= window.low) & (amounts <= window.high)
    found = dict(
        sorted(zip(levers[inside].tolist(), np.broadcast_to(amounts, levers.shape)[inside].tolist(), strict=True))
    )
    return list(found), found if system.family.lever == "grade" else {}


def _lever(system: System, recipe: Recipe) -> Any:
    if system.family.lever == "grade":
        return recipe.fast_share
    return recipe.co_reactant_pct if system.family.drier_window_pct is None else recipe.drier_pct


def _clean(value: Any) -> Any:
    """A percent or share without the dust of arithmetic, so that an end of a window lies inside it."""
    return np.round(value, 9) if isinstance(value, np.ndarray) else round(value, 9)


def _past_due(picture: Picture, mixer: Mixer, caught: Session) -> bool:
    due = due_on(picture, mixer, caught.at)
    return due is not None and picture.today > due


def _listed(liquids: Iterable[str]) -> str:
    return " and ".join(liquid.replace("_", " ") for liquid in liquids)


def _not_in_force(
    picture: Picture, mixer: Mixer, system: System, caught: Mapping[str, Session], overdue: Iterable[str]
) -> Iterable[Flag]:
    """Liquids whose pump has no calibration to go by, and what to do."""
    name, every = picture.name("mixers", mixer.key), mixer.calibrate_every_days
    rule = "" if every is None else f"; it is due every {every:g} days"
    missing = [liquid for liquid in system.liquids if liquid not in caught]
    if missing:
        called = {"resin": system.family.binder, "co_reactant": system.family.co_reactant}
        names = _listed(called.get(liquid, liquid) for liquid in missing)
        text = f"no calibration of {names} on {name} is recorded{rule}: set by kg/min, and {CATCH}"
        yield Flag("calibration_missing", text, mixer.key)
    if overdue:
        last = day(min(caught[liquid].at for liquid in overdue), picture.zone)
        text = f"{name} was last calibrated on {last} ({_listed(overdue)}){rule}: set by kg/min, and {CATCH}"
        yield Flag("calibration_overdue", text, mixer.key)


def _flat(picture: Picture, mixer: Mixer, flat: list[str]) -> Iterable[Flag]:
    if flat:
        text = (
            f"the latest catches of {_listed(flat)} on {picture.name('mixers', mixer.key)} do not show that a higher "
            f"setting gives more: set by kg/min, look at the pump, and {CATCH}"
        )
        yield Flag("calibration_flat", text, mixer.key)


def _coarse(picture: Picture, mixer: Mixer, system: System, pumps: Mapping[str, Pump]) -> Flag:
    steps = " and ".join(
        f"{pumps[liquid].step:g} of {liquid}"
        for liquid in system.setting_speed
        if liquid in pumps and pumps[liquid].step is not None
    )
    text = (
        f"steps of {steps} on {picture.name('mixers', mixer.key)} are too coarse: none gives "
        f"{system.lever_word} inside its window, so settings are told unrounded"
    )
    return Flag("pump_too_coarse", text, mixer.key)


def _basis(picture: Picture, mixer: Mixer, pumps: Mapping[str, Pump]) -> tuple[Basis, ...]:
    """What the pumps' settings rest on, by how they are told."""
    found = []
    for how, tag, source in ((LINE, "record", "range by Fieller's theorem"), (PROPORTION, "default", "one setting")):
        own = {liquid: pump for liquid, pump in pumps.items() if pump.session.how == how}
        told = ", ".join(
            f"{liquid.replace('_', ' ')} of {day(pump.session.at, picture.zone)}"
            + ("" if pump.step is None else f" in steps of {pump.step:g}")
            for liquid, pump in own.items()
        )
        if own:
            found.append(Basis("pump settings", f"{told}; {how}", tag, source))  # type: ignore[arg-type]
    if any(pump.step is None for pump in pumps.values()):
        text = f"not rounded where mixers.{mixer.key}.setting_steps gives no step"
        found.append(Basis("pump settings", text, "default", "set-up"))
    return tuple(found)
