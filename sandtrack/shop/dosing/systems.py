"""A binder system of the shop as the trade sees it: windows, recipe, belief, each with where it comes from."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from sandtrack.errors import FieldError
from sandtrack.plant import PURPOSES_APART, BinderSystem, Plant
from sandtrack.plant.tables import GRADES, OWN_OF_PURPOSE, Reference
from sandtrack.shop.answer import Basis, Tag
from sandtrack.shop.dosing.judged import Judged
from sandtrack.trade.dosing import Dose, masses_kg, recipe_from_masses
from sandtrack.trade.families import family_named
from sandtrack.trade.family import Family, Limit, Window, WorkShare
from sandtrack.trade.learning import Belief
from sandtrack.trade.recipe import Recipe

AMOUNT_STEP_PCT = 0.1
GRADE_STEP_SHARE = 0.05
# The drier of an alkyd urethane moves the time only weakly; by how much is a guess (practice), hence its width.
DRIER_EXPONENT = (0.5, 0.3)


@dataclass(frozen=True)
class System:
    """One binder system: its family with the shop's own windows, what sets its speed, and what is believed of it."""

    key: str
    name: str
    entry: BinderSystem
    """As mixes of its purpose go by it."""
    purpose: str | None
    family: Family
    window: Window
    """Window of what sets the speed: amount [% of its base] or share of the fast grade."""
    work_share: WorkShare
    liquids: Mapping[str, str]
    """Liquid by its name in a dose → material."""
    amount_pct: float | None
    """Amount that does not set the speed: all ester, or the co-reactant of an alkyd urethane."""
    usual: float | None
    """Usual setting of what sets the speed."""
    belief: Belief | None
    basis: tuple[Basis, ...]

    @property
    def lever_field(self) -> str:
        """Name of what sets the speed, as a field: catalyst_pct or fast_share."""
        return "fast_share" if self.family.lever == "grade" else "catalyst_pct"

    @property
    def lever_word(self) -> str:
        """What sets the speed, for people."""
        if self.family.lever == "grade":
            return f"grade of {self.family.co_reactant}"
        return "drier" if self.family.drier_window_pct is not None else self.family.co_reactant

    @property
    def setting_speed(self) -> tuple[str, ...]:
        """Liquids whose flows change with what sets the speed."""
        if self.family.lever == "grade" or self.entry.catalysts:
            return tuple(grade for grade in GRADES if grade in self.liquids)
        return ("drier",) if self.family.drier_window_pct is not None else ("catalyst",)

    @property
    def step(self) -> float:
        """Smallest difference that is set on a mixer. [% or share]"""
        return GRADE_STEP_SHARE if self.family.lever == "grade" else AMOUNT_STEP_PCT

    def show(self, *levers: float) -> str:
        """A setting in words, or the span from one to another."""
        grade = self.family.lever == "grade"
        told = " to ".join(dict.fromkeys(f"{100 * lever:.0f}" if grade else f"{lever:.4g}" for lever in levers))
        return f"{told} % of the fast grade" if grade else f"{told} % {self.lever_word}"

    def settings(self) -> list[float]:
        """Every setting that can be told to a mixer, from the low end of the window to its high end."""
        step = self.step
        low = max(self.window.low, 0.0 if self.family.lever == "grade" else step)
        first, last = math.ceil(low / step - 1e-9), math.floor(self.window.high / step + 1e-9)
        # A window narrower than one step still has an end of its own.
        return [round(count * step, 2) for count in range(first, last + 1)] or [self.window.high]

    def recipe(self, lever: Any) -> Recipe:
        """All percents at one setting of what sets the speed, or at many."""
        entry = self.entry
        if self.family.lever == "grade":
            return Recipe(
                family=self.family,
                resin_pct=entry.resin_pct,
                co_reactant_pct=self.amount_pct or 0.0,
                fast_share=lever,
            )
        if self.family.drier_window_pct is not None:
            co_reactant = self.amount_pct or 0.0
            alkyd = entry.resin_pct / (1 + co_reactant / 100)  # the set-up counts both parts together
            return Recipe(family=self.family, resin_pct=alkyd, co_reactant_pct=co_reactant, drier_pct=lever)
        return Recipe(
            family=self.family,
            resin_pct=entry.resin_pct,
            co_reactant_pct=lever,
            part_1_share=part_1_share(entry) if self.family.part_1_share is not None else None,
        )

    def dose(self, lever: Any, sand_kg: float) -> Dose:
        """Masses of all liquids for a mass of sand, or flows for a flow of it; at many settings too. [kg or kg/min]"""
        dose = masses_kg(self.recipe(lever), sand_kg=sand_kg)
        if not self.entry.catalysts:
            return dose
        liquids = dict(dose.liquids)
        both = liquids.pop("catalyst")
        fast = both * (self.entry.fast_share or 0.0)
        return replace(dose, liquids={**liquids, "slow": both - fast, "fast": fast})

    def made(self, liquids_kg: Mapping[str, Any], sand_kg: float) -> Recipe:
        """All percents of what was dosed; two catalysts count together, a grade that the shop has not is none."""
        mass = dict(liquids_kg)
        if self.entry.catalysts:
            mass["catalyst"] = mass.pop("slow") + mass.pop("fast")
        elif self.family.lever == "grade":
            mass = {**dict.fromkeys(GRADES, 0.0), **mass}
        return recipe_from_masses(self.family, sand_kg=sand_kg, liquids_kg=mass)

    def streams(self, lever: float, sand_kg: float) -> dict[str, float]:
        """Sands and liquids by stream, for a mass or a flow of sand. [kg or kg/min]"""
        share, shares = self.entry.reclaimed_share, self.entry.sand_shares
        sand = {"sand": sand_kg}
        if shares:
            sand = {name: sand_kg * part for name, part in shares.items()}
        elif share is not None:
            sand = {"new_sand": sand_kg - sand_kg * share, "reclaimed_sand": sand_kg * share}
        return {**sand, **{name: kg for name, kg in self.dose(lever, sand_kg).liquids.items() if name in self.liquids}}

    def lever_used(self, streams: Iterable[tuple[str, bool, float]]) -> float | None:
        """What was really set, from streams of (material, whether it is sand, kg); None where it cannot be told."""
        sand = 0.0
        liquids = dict.fromkeys(self.liquids, 0.0)
        for material, is_sand, mass in streams:
            if is_sand:
                sand += mass
            for name, own in self.liquids.items():
                if own == material:
                    liquids[name] += mass
        try:
            used = self.made(liquids, sand)
        except FieldError:
            return None
        lever = used.fast_share if self.family.lever == "grade" else used.co_reactant_pct
        if self.family.drier_window_pct is not None:
            lever = used.drier_pct
        return float(lever) if lever is not None and (lever > 0 or self.family.lever == "grade") else None


def named(plant: Plant, key: str, purpose: str | None = None) -> System:
    """A binder system of the set-up, as mixes of a purpose go by it; raises UnknownName."""
    entry: BinderSystem = plant.named("binder_systems", key)
    return system(entry, purpose)


def system(whole: BinderSystem, purpose: str | None = None) -> System:
    """A binder system made ready for the trade, as mixes of a purpose go by it."""
    entry = whole.of(purpose)
    family, basis = _own_windows(family_named(entry.family), entry, purpose)
    amount, more = _amount(family, entry, purpose)
    share = family.work_share
    if entry.work_share is not None:
        own = entry.work_share
        share = WorkShare(low=own, usual=own, high=own, tag="shop", source="work_share")
    basis = [
        *_of_purpose(entry, purpose),
        *basis,
        *more,
        Basis(
            "work time ÷ strip time",
            f"{share.usual:g}" + (f" ({share.low:g} to {share.high:g})" if share.high > share.low else ""),
            _tag(share.tag),
            share.source,
        ),
    ]
    basis += [Basis(family.name, note.text, _tag(note.tag), note.source) for note in family.notes]
    belief = _belief(family, entry)
    if entry.reference is not None:
        basis += _what_is_believed(family, entry.reference)
    return System(
        key=entry.key,
        name=entry.name or entry.key,
        entry=entry,
        purpose=purpose,
        family=family,
        window=_lever_window(family, entry),
        work_share=share,
        liquids=_liquids(family, entry),
        amount_pct=amount,
        usual=_usual(family, entry),
        belief=belief,
        basis=tuple(basis),
    )


def _lever_window(family: Family, entry: BinderSystem) -> Window:
    """Window of what sets the speed; a shop with one grade has one setting."""
    only = _only_grade(family, entry)
    return family.lever_window if only is None else replace(family.lever_window, low=only, high=only, tag="shop")


def _only_grade(family: Family, entry: BinderSystem) -> float | None:
    """Share of the fast grade where the shop has one grade alone; None where it has both, or none are."""
    if family.lever != "grade" or len(entry.grades) != 1:
        return None
    return 1.0 if "fast" in entry.grades else 0.0


def _of_purpose(entry: BinderSystem, purpose: str | None) -> list[Basis]:
    """What mixes of a purpose have of their own."""
    if purpose not in PURPOSES_APART:
        return []
    what, own, source = f"settings of {purpose}", entry.own(purpose), f"binder_systems.{entry.key}"
    if not own:
        return [Basis(what, "the system's: none are stated for this purpose", "set-up", source)]
    told = ", ".join(f"{field} {_shown(own[field])}" for field in OWN_OF_PURPOSE if field in own)
    return [Basis(what, f"{told}; the rest is the system's", "set-up", f"{source}.{purpose}")]


def _shown(value: Any) -> str:
    if isinstance(value, Mapping):
        return " + ".join(f"{100 * share:g} % {name}" for name, share in value.items()) or "none"
    return f"{value[0]:g} to {value[1]:g}" if isinstance(value, tuple) else f"{value:g}"


def _stated(entry: BinderSystem, purpose: str | None, field: str) -> str:
    """Where a field is stated within the table of a binder system."""
    return f"{purpose}.{field}" if field in entry.own(purpose) else field


def _tag(tag: str) -> Tag:
    return "set-up" if tag == "shop" else tag  # type: ignore[return-value]


def _window_basis(what: str, window: Window) -> Basis:
    own = window.tag == "shop"
    words = "the shop's own is in force" if own else "the family's is in force: the set-up gives none of its own"
    unit = "°C" if window.unit == "degC" else window.unit
    return Basis(what, f"{window.low:g} to {window.high:g} {unit}; {words}", _tag(window.tag), window.source)


def _limit_basis(what: str, limit: Limit) -> Basis:
    own = limit.tag == "shop"
    words = "the shop's own is in force" if own else "the family's is in force: the set-up gives none of its own"
    most = f"{'at most' if limit.reached_is_kept else 'below'} {limit.value:g} {limit.unit}"
    return Basis(what, f"{most}; {words}", _tag(limit.tag), limit.source)


def _moisture_limit(family: Family, entry: BinderSystem) -> Limit:
    most = entry.moisture_limit_pct
    if most is None:
        return family.moisture_limit_pct
    return Limit(value=most, unit=family.moisture_limit_pct.unit, tag="shop", source="moisture_limit_pct")


def _own_windows(family: Family, entry: BinderSystem, purpose: str | None) -> tuple[Family, list[Basis]]:
    """The family with the shop's windows in place of its own, and which of them is in force."""

    def own(span: tuple[float, float] | None, default: Window, field: str) -> Window:
        if span is None:
            return default
        return Window(low=span[0], high=span[1], unit=default.unit, tag="shop", source=_stated(entry, purpose, field))

    lever = family.drier_window_pct or family.co_reactant_window_pct
    catalyst = own(entry.catalyst_window_pct, lever, "catalyst_window_pct")
    drier = family.drier_window_pct is not None
    binder = own(entry.resin_window_pct, family.resin_window_pct, "resin_window_pct")
    if drier and entry.resin_window_pct is not None:
        both = 1 + (_amount(family, entry, purpose)[0] or 0.0) / 100  # the set-up counts both parts together
        binder = replace(binder, low=binder.low / both, high=binder.high / both)
    changed = replace(
        family,
        resin_window_pct=binder,
        sand_window_c=own(entry.sand_window_c, family.sand_window_c, "sand_window_c"),
        moisture_limit_pct=_moisture_limit(family, entry),
        co_reactant_window_pct=family.co_reactant_window_pct if drier else catalyst,
        drier_window_pct=catalyst if drier else None,
    )
    basis = [
        _window_basis(f"window of {family.binder}", changed.resin_window_pct),
        _window_basis(f"window of {'drier' if drier else family.co_reactant}", catalyst),
        _window_basis("window of sand temperature", changed.sand_window_c),
        _limit_basis("limit of moisture", changed.moisture_limit_pct),
    ]
    return changed, basis


def part_1_share(entry: BinderSystem) -> float | None:
    """Share of part 1 in the binder of a urethane; None where the set-up says neither part's."""
    if entry.part_1_share is None and entry.part_2_share is not None:
        return 1 - entry.part_2_share
    return entry.part_1_share


def _amount(family: Family, entry: BinderSystem, purpose: str | None) -> tuple[float | None, list[Basis]]:
    """Amount of the co-reactant where that does not set the speed, and where it comes from. [% of its base]"""
    window = family.co_reactant_window_pct
    what = f"amount of {family.co_reactant}"
    if family.drier_window_pct is not None:
        share = part_1_share(entry)
        if share:
            return 100 * (1 - share) / share, []
    elif family.lever == "amount":
        return None, []
    elif entry.catalyst_pct is not None:
        source = _stated(entry, purpose, "catalyst_pct")
        return entry.catalyst_pct, [Basis(what, f"{entry.catalyst_pct:g} {window.unit}", "set-up", source)]
    middle = (window.low + window.high) / 2
    return middle, [
        Basis(what, f"{middle:g} {window.unit}", "default", f"middle of the window ({window}): the set-up says none")
    ]


def _usual(family: Family, entry: BinderSystem) -> float | None:
    reference = entry.reference
    if (only := _only_grade(family, entry)) is not None:
        return only
    if family.lever == "grade":
        return entry.fast_share if entry.fast_share is not None or reference is None else reference.fast_share
    return entry.catalyst_pct if entry.catalyst_pct is not None or reference is None else reference.catalyst_pct


def _liquids(family: Family, entry: BinderSystem) -> dict[str, str]:
    if family.lever == "grade":
        return {"resin": entry.resin, **{grade: entry.grades[grade] for grade in GRADES if grade in entry.grades}}
    speed = dict(entry.catalysts) or {"catalyst": entry.catalyst}
    if family.part_1_share is not None:
        return {"part_1": entry.part_1, "part_2": entry.part_2, **speed}
    if family.drier_window_pct is not None:
        return {"resin": entry.part_1, "co_reactant": entry.part_2, "drier": entry.drier or entry.catalyst}
    return {"resin": entry.resin, **speed}


def _belief(family: Family, entry: BinderSystem) -> Belief | None:
    reference = entry.reference
    if reference is None:
        return None
    lever = reference.fast_share if family.lever == "grade" else reference.catalyst_pct
    only = _only_grade(family, entry)
    lever = lever if only is None else only
    belief = Belief.default(
        strip_time_min=reference.strip_time_min,
        at_temp_c=reference.temp_c,
        at_lever=float(lever if lever is not None else 0.0),
        lever_kind=family.lever,
    )
    if entry.half_life_days is not None:
        belief = replace(belief, half_life_days=entry.half_life_days)
    if family.drier_window_pct is None:
        return belief
    exponent, spread = DRIER_EXPONENT
    time, energy, _ = belief.mean
    return replace(
        belief,
        mean=(time, energy, exponent),
        covariance=(belief.covariance[0], belief.covariance[1], (0.0, 0.0, spread**2)),
    )


def _what_is_believed(family: Family, reference: Reference) -> list[Basis]:
    at = (
        f"{100 * (reference.fast_share or 0.0):.0f} % of the fast grade"
        if family.lever == "grade"
        else f"{reference.catalyst_pct:g} {family.lever_window.unit}"
    )
    return [
        Basis(
            "reference",
            f"{reference.strip_time_min:g} min at {reference.temp_c:g} °C and {at}, {Judged.by(reference).words}",
            "set-up",
            "reference",
        ),
    ]
