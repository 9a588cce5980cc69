"""Percent to kilograms, flows and back, by each binder family's own convention of what is 100 %.

========================  =====================  ===============================================
family                    resin_pct counts       co_reactant_pct counts
========================  =====================  ===============================================
furan_acid                resin on sand          acid on resin as delivered, not on its solids
phenolic_acid             resin on sand          acid on resin as delivered
alkaline_phenolic_ester   resin on sand          ester on resin as delivered
silicate_ester            silicate on sand       ester on silicate as delivered
phenolic_urethane         parts 1 + 2 on sand    amine on part 1 alone
alkyd_urethane            alkyd part on sand     isocyanate on alkyd part, and so does drier_pct
========================  =====================  ===============================================

All by mass. Pumps deliver volume: `flow_ml_min` takes the density at the temperature of the tank.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sandtrack.errors import FieldError
from sandtrack.trade._numbers import Numbers, given, tidy
from sandtrack.trade.families import family_named
from sandtrack.trade.family import Family
from sandtrack.trade.recipe import Recipe


@dataclass(frozen=True, kw_only=True)
class Dose:
    """Sand and liquids of one batch [kg], or of one minute of a continuous mixer [kg/min].

    Attributes
    ----------
    sand : float, array or Series
        Sand. [kg or kg/min]
    liquids : mapping of str to float, array or Series
        Each liquid by name: resin, catalyst, hardener or slow and fast, part_1, part_2, co_reactant, drier.
        [kg or kg/min]
    """

    sand: Numbers
    liquids: Mapping[str, Numbers]


def masses_kg(recipe: Recipe, *, sand_kg: Numbers) -> Dose:
    """Mass of each liquid for a mass of sand. [kg]

    Parameters
    ----------
    recipe : Recipe
        Percents. [-]
    sand_kg : float, array or Series
        Mass of sand, 0 or more. [kg]

    Returns
    -------
    Dose
        Sand and each liquid. [kg]

    Raises
    ------
    FieldError
        A negative mass.

    Notes
    -----
    Conventions of the module's table; an ester of two grades is split by its fast share.

    Source
    ------
    source: percent conventions of each family, Gjuterihandboken ch. 9.4; urethanes ASM Handbook vol. 15 (memory).

    Examples
    --------
    >>> dose = masses_kg(Recipe(family="furan_acid", resin_pct=1.0, co_reactant_pct=40), sand_kg=500)
    >>> dict(dose.liquids)
    {'resin': 5.0, 'catalyst': 2.0}
    """
    family = family_named(recipe.family)
    sand = given(sand_kg, field="sand_kg", at_least=0.0)
    binder = sand * recipe.resin_pct / 100
    share = recipe.co_reactant_pct / 100
    if family.part_1_share is not None:
        part_1 = binder * recipe.part_1_share
        liquids = {"part_1": part_1, "part_2": binder - part_1, "catalyst": part_1 * share}
    elif family.drier_window_pct is not None:
        liquids = {"resin": binder, "co_reactant": binder * share}
        if recipe.drier_pct is not None:
            liquids["drier"] = binder * recipe.drier_pct / 100
    elif family.lever == "grade" and recipe.fast_share is not None:
        ester = binder * share
        fast = ester * recipe.fast_share
        liquids = {"resin": binder, "slow": ester - fast, "fast": fast}
    else:
        liquids = {"resin": binder, family.lever_liquid: binder * share}
    return Dose(sand=sand, liquids=MappingProxyType({name: tidy(mass) for name, mass in liquids.items()}))


def flows_kg_min(recipe: Recipe, *, sand_kg_min: Numbers) -> Dose:
    """Flow of each liquid at the sand rate of a continuous mixer. [kg/min]

    Parameters
    ----------
    recipe : Recipe
        Percents. [-]
    sand_kg_min : float, array or Series
        Sand rate, 0 or more. [kg/min]

    Returns
    -------
    Dose
        Sand and each liquid. [kg/min]

    Raises
    ------
    FieldError
        A negative rate.

    Source
    ------
    derived: `masses_kg` of one minute.

    Examples
    --------
    >>> recipe = Recipe(family="silicate_ester", resin_pct=3.0, co_reactant_pct=10, fast_share=0.25)
    >>> {name: round(flow, 3) for name, flow in flows_kg_min(recipe, sand_kg_min=100).liquids.items()}
    {'resin': 3.0, 'slow': 0.225, 'fast': 0.075}
    """
    return masses_kg(recipe, sand_kg=given(sand_kg_min, field="sand_kg_min", at_least=0.0))


def recipe_from_masses(family: str | Family, *, sand_kg: Numbers, liquids_kg: Mapping[str, Numbers]) -> Recipe:
    """Percents from the masses that were really dosed. [%]

    Parameters
    ----------
    family : str or Family
        Binder family or its key. [-]
    sand_kg : float, array or Series
        Mass of sand, above 0. [kg]
    liquids_kg : mapping of str to float, array or Series
        Mass of each liquid by the names that `masses_kg` gives. [kg]

    Returns
    -------
    Recipe
        Percents on their bases; the fast share is None where there was no ester at all. [%]

    Raises
    ------
    FieldError
        A liquid that the family does not have, one that is missing, or a base of 0.

    Source
    ------
    derived: `masses_kg` solved for the percents.

    Examples
    --------
    >>> recipe = recipe_from_masses("furan_acid", sand_kg=500, liquids_kg={"resin": 5.5, "catalyst": 2.2})
    >>> round(recipe.resin_pct, 3), round(recipe.co_reactant_pct, 3)
    (1.1, 40.0)
    """
    chosen = family_named(family)
    sand = given(sand_kg, field="sand_kg", above=0.0)
    needed = _checked_names(chosen, liquids_kg)
    mass = {name: given(kg, field=f"liquids_kg.{name}", at_least=0.0) for name, kg in liquids_kg.items()}
    base = given(mass[needed[0]], field=f"liquids_kg.{needed[0]}", above=0.0)
    if needed[0] == "part_1":
        binder = base + mass["part_2"]
        percents = {"co_reactant_pct": mass["catalyst"] / base * 100, "part_1_share": base / binder}
    elif "fast" in needed:
        binder, ester = base, mass["slow"] + mass["fast"]
        given(ester, field="liquids_kg.slow + fast", above=0.0)
        percents = {"co_reactant_pct": ester / base * 100, "fast_share": mass["fast"] / ester}
    else:
        binder = base
        percents = {"co_reactant_pct": mass[needed[1]] / base * 100}
        if "drier" in mass:
            percents["drier_pct"] = mass["drier"] / base * 100
    return Recipe(family=family, resin_pct=tidy(binder / sand * 100), **percents)


def flow_ml_min(*, flow_kg_min: Numbers, density_kg_m3: Numbers) -> Numbers:
    """Volume flow that a pump has to deliver. [ml/min]

    Parameters
    ----------
    flow_kg_min : float, array or Series
        Mass flow, 0 or more. [kg/min]
    density_kg_m3 : float, array or Series
        Density of the liquid at the temperature of its tank, above 0. [kg/m³]

    Returns
    -------
    float, array or Series
        Volume flow. [ml/min]

    Raises
    ------
    FieldError
        A negative flow or a density of 0 or less.

    Source
    ------
    derived: 1 m³ is 1 000 000 ml.

    Examples
    --------
    >>> flow_ml_min(flow_kg_min=1.2, density_kg_m3=1200)
    1000.0
    """
    flow = given(flow_kg_min, field="flow_kg_min", at_least=0.0)
    return tidy(flow / given(density_kg_m3, field="density_kg_m3", above=0.0) * 1e6)


def flow_kg_min(*, flow_ml_min: Numbers, density_kg_m3: Numbers) -> Numbers:
    """Mass flow of a pump that delivers a volume. [kg/min]

    Parameters
    ----------
    flow_ml_min : float, array or Series
        Volume flow, 0 or more. [ml/min]
    density_kg_m3 : float, array or Series
        Density of the liquid at the temperature of its tank, above 0. [kg/m³]

    Returns
    -------
    float, array or Series
        Mass flow. [kg/min]

    Raises
    ------
    FieldError
        A negative flow or a density of 0 or less.

    Source
    ------
    derived: 1 m³ is 1 000 000 ml.

    Examples
    --------
    >>> flow_kg_min(flow_ml_min=1000, density_kg_m3=1200)
    1.2
    """
    flow = given(flow_ml_min, field="flow_ml_min", at_least=0.0)
    return tidy(flow * given(density_kg_m3, field="density_kg_m3", above=0.0) / 1e6)


def _checked_names(family: Family, liquids_kg: Mapping[str, Numbers]) -> tuple[str, ...]:
    """Names of the liquids that have to be there, the binder first; anything else is refused."""
    needed: tuple[str, ...] = ("resin", family.lever_liquid)
    optional: tuple[str, ...] = ()
    if family.part_1_share is not None:
        needed = ("part_1", "part_2", "catalyst")
    elif family.drier_window_pct is not None:
        needed, optional = ("resin", "co_reactant"), ("drier",)
    elif family.lever == "grade" and not {"slow", "fast"}.isdisjoint(liquids_kg):
        needed = ("resin", "slow", "fast")
    names = needed + optional
    for name in liquids_kg:
        if name not in names:
            reason = f"is no liquid of this {family.name} batch"
            raise FieldError(field=f"liquids_kg.{name}", reason=reason, accepted=", ".join(names))
    for name in needed:
        if name not in liquids_kg:
            raise FieldError(field=f"liquids_kg.{name}", reason="is missing", accepted=", ".join(names))
    return needed
