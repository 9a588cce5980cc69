"""Dosing both ways, for all six families, and what is refused."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError, SandtrackError
from sandtrack.trade.dosing import flow_kg_min, flow_ml_min, flows_kg_min, masses_kg, recipe_from_masses
from sandtrack.trade.recipe import AmountIsNoLever, Recipe, outside_windows, with_lever

RECIPES = {
    "furan": Recipe(family="furan_acid", resin_pct=1.0, co_reactant_pct=40),
    "phenolic": Recipe(family="phenolic_acid", resin_pct=1.0, co_reactant_pct=40),
    "ester": Recipe(family="alkaline_phenolic_ester", resin_pct=1.5, co_reactant_pct=25),
    "two_grades": Recipe(family="alkaline_phenolic_ester", resin_pct=1.5, co_reactant_pct=25, fast_share=0.3),
    "silicate": Recipe(family="silicate_ester", resin_pct=3.0, co_reactant_pct=10),
    "urethane": Recipe(family="phenolic_urethane", resin_pct=1.2, co_reactant_pct=3, part_1_share=0.55),
    "alkyd": Recipe(family="alkyd_urethane", resin_pct=1.6, co_reactant_pct=19, drier_pct=5),
    "alkyd_without_drier": Recipe(family="alkyd_urethane", resin_pct=1.6, co_reactant_pct=19),
}
SHARED = ("resin_pct", "co_reactant_pct", "part_1_share", "fast_share", "drier_pct")


@pytest.mark.parametrize("name", RECIPES)
@given(sand=st.floats(0.1, 1e5))
def test_percents_come_back_from_masses(name, sand):
    """The percents of the masses that a recipe gives are the recipe."""
    recipe = RECIPES[name]
    dose = masses_kg(recipe, sand_kg=sand)
    again = recipe_from_masses(recipe.family, sand_kg=sand, liquids_kg=dose.liquids)
    for field in SHARED:
        wanted = getattr(recipe, field)
        assert getattr(again, field) == (None if wanted is None else pytest.approx(wanted, rel=1e-9))


@pytest.mark.parametrize("name", RECIPES)
def test_twice_the_sand_takes_twice_the_liquids(name):
    """Every liquid is in proportion to the sand, and no sand takes none."""
    one, two = (masses_kg(RECIPES[name], sand_kg=sand).liquids for sand in (100, 200))
    assert {liquid: kg * 2 for liquid, kg in one.items()} == pytest.approx(dict(two))
    assert set(masses_kg(RECIPES[name], sand_kg=0).liquids.values()) == {0.0}


def test_part_1_is_half_where_not_said():
    """A urethane recipe without a ratio takes its two parts half and half."""
    dose = masses_kg(Recipe(family="phenolic_urethane", resin_pct=1.2, co_reactant_pct=4), sand_kg=100)
    assert dict(dose.liquids) == pytest.approx({"part_1": 0.6, "part_2": 0.6, "catalyst": 0.024})


def test_flows_are_the_masses_of_a_minute():
    """A mixer's flows at its sand rate are the masses of one minute."""
    recipe = RECIPES["furan"]
    assert flows_kg_min(recipe, sand_kg_min=150) == masses_kg(recipe, sand_kg=150)


def test_columns():
    """A column of sand masses gives columns of liquids, and back."""
    sand = pd.Series([100.0, 200.0], index=["x", "y"])
    dose = masses_kg(RECIPES["two_grades"], sand_kg=sand)
    assert dose.liquids["fast"].tolist() == pytest.approx([0.1125, 0.225])
    again = recipe_from_masses("alkaline_phenolic_ester", sand_kg=sand, liquids_kg=dose.liquids)
    assert again.fast_share.tolist() == pytest.approx([0.3, 0.3])
    missing = masses_kg(RECIPES["furan"], sand_kg=np.array([100.0, np.nan])).liquids["resin"]
    assert np.isnan(missing).tolist() == [False, True]


@given(st.floats(0, 100), st.floats(500, 2000))
def test_volume_flow_round_trip(flow, density):
    """Kilograms to millilitres and back give the same flow."""
    there = flow_ml_min(flow_kg_min=flow, density_kg_m3=density)
    assert flow_kg_min(flow_ml_min=there, density_kg_m3=density) == pytest.approx(flow, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: masses_kg(RECIPES["furan"], sand_kg=-1),
        lambda: masses_kg(RECIPES["furan"], sand_kg=math.nan),
        lambda: flows_kg_min(RECIPES["furan"], sand_kg_min=-1),
        lambda: flow_ml_min(flow_kg_min=1, density_kg_m3=0),
        lambda: flow_ml_min(flow_kg_min=-1, density_kg_m3=1200),
        lambda: flow_kg_min(flow_ml_min=math.nan, density_kg_m3=1200),
        lambda: Recipe(family="furan", resin_pct=1, co_reactant_pct=40),
        lambda: Recipe(family="furan_acid", resin_pct=0, co_reactant_pct=40),
        lambda: Recipe(family="furan_acid", resin_pct=math.nan, co_reactant_pct=40),
        lambda: Recipe(family="furan_acid", resin_pct=1, co_reactant_pct=-1),
        lambda: Recipe(family="furan_acid", resin_pct=1, co_reactant_pct=40, fast_share=0.5),
        lambda: Recipe(family="silicate_ester", resin_pct=3, co_reactant_pct=10, fast_share=1.5),
        lambda: Recipe(family="silicate_ester", resin_pct=3, co_reactant_pct=10, drier_pct=1),
        lambda: Recipe(family="furan_acid", resin_pct=1, co_reactant_pct=40, part_1_share=0.5),
        lambda: recipe_from_masses("furan_acid", sand_kg=0, liquids_kg={"resin": 1, "catalyst": 1}),
        lambda: recipe_from_masses("furan_acid", sand_kg=100, liquids_kg={"resin": 0, "catalyst": 1}),
        lambda: recipe_from_masses("furan_acid", sand_kg=100, liquids_kg={"resin": 1}),
        lambda: recipe_from_masses("furan_acid", sand_kg=100, liquids_kg={"resin": 1, "hardener": 1}),
        lambda: recipe_from_masses("silicate_ester", sand_kg=100, liquids_kg={"resin": 3, "slow": 1}),
        lambda: recipe_from_masses("silicate_ester", sand_kg=100, liquids_kg={"resin": 3, "slow": 0, "fast": 0}),
    ],
)
def test_nonsense_is_refused(ask):
    """Negative and missing masses, unknown families and liquids of another family are refused."""
    with pytest.raises(FieldError):
        ask()


def test_recipe_inside_its_windows_has_no_complaint():
    """The usual recipes lie inside their windows, ends included."""
    for recipe in RECIPES.values():
        assert outside_windows(recipe) == ()
    assert outside_windows(Recipe(family="furan_acid", resin_pct=0.8, co_reactant_pct=50)) == ()


def test_every_value_outside_is_named_and_none_is_changed():
    """All values outside are returned with their windows; the recipe keeps what it was given."""
    recipe = Recipe(family="alkyd_urethane", resin_pct=2.0, co_reactant_pct=15, drier_pct=12)
    found = outside_windows(recipe)
    assert [(each.what, each.value) for each in found] == [
        ("resin_pct", 2.0), ("co_reactant_pct", 15.0), ("drier_pct", 12.0),
    ]  # fmt: skip
    assert all(each.window.tag in ("source", "memory") and each.window.source for each in found)
    assert (recipe.resin_pct, recipe.co_reactant_pct) == (2.0, 15)


def test_acid_outside_its_window_is_no_matter_of_more_acid():
    """Outside the acid window the way out is another strength or other sand, and never a blend by hand."""
    (found,) = outside_windows(Recipe(family="furan_acid", resin_pct=1, co_reactant_pct=55))
    assert "another strength" in found.text
    assert "never by hand" in found.text


def test_ester_amount_as_a_way_to_speed_is_refused():
    """More ester asked for speed is refused, with the ways that do work."""
    with pytest.raises(AmountIsNoLever) as refused:
        with_lever(RECIPES["silicate"], amount_pct=14)
    error = refused.value
    assert isinstance(error, SandtrackError)
    assert error.code == "amount_is_no_lever"
    words = " ".join(error.ways)
    assert all(way in words for way in ("faster grade", "mixer's own pumps", "warmer sand"))
    assert all(way in str(error) for way in error.ways)


def test_lever_of_each_family():
    """The lever is the acid or amine, the drier of an alkyd urethane, or the share of the fast ester."""
    assert with_lever(RECIPES["furan"], amount_pct=30).co_reactant_pct == 30
    assert with_lever(RECIPES["urethane"], amount_pct=5).co_reactant_pct == 5
    alkyd = with_lever(RECIPES["alkyd"], amount_pct=7)
    assert (alkyd.drier_pct, alkyd.co_reactant_pct) == (7, 19)
    assert with_lever(RECIPES["two_grades"], fast_share=0.6).fast_share == 0.6


@pytest.mark.parametrize("change", [{}, {"amount_pct": 30, "fast_share": 0.5}, {"fast_share": 0.5}])
def test_lever_given_wrongly_is_refused(change):
    """Neither, both, or a grade for a family without grades is refused."""
    with pytest.raises(FieldError):
        with_lever(RECIPES["furan"], **change)
