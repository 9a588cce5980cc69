"""Heat of sand: ranges, steps, inverses, columns and refusals."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.heat import (
    blend_temp_c,
    cooling_duty_kj,
    drying_heat_kj,
    quartz_enthalpy_kj_kg,
    quartz_heat_capacity_j_mol_k,
    quartz_temp_c,
)

TEMPS = st.floats(-73.15, 1722.85)


def test_zero_at_25_degrees_negative_below():
    """Sand at 25 °C holds nothing by definition, colder sand less than nothing."""
    assert quartz_enthalpy_kj_kg(25) == pytest.approx(0, abs=1e-12)
    assert quartz_enthalpy_kj_kg(-40) < quartz_enthalpy_kj_kg(0) < 0


def test_winter_joins_smoothly():
    """At 25 °C neither heat, nor heat capacity, nor its slope jumps."""
    below, at, above = (quartz_heat_capacity_j_mol_k(298.15 + step) for step in (-0.01, 0, 0.01))
    assert at - below == pytest.approx(above - at, rel=1e-3)


@given(TEMPS)
def test_temperature_of_its_heat(temp):
    """The temperature of the heat of a temperature is that temperature."""
    assert quartz_temp_c(quartz_enthalpy_kj_kg(temp)) == pytest.approx(temp, abs=1e-8)


@given(TEMPS, TEMPS)
def test_warmer_holds_more(one, other):
    """Warmer sand never holds less heat, over the step too."""
    cold, warm = sorted((one, other))
    assert quartz_enthalpy_kj_kg(cold) <= quartz_enthalpy_kj_kg(warm)


@given(st.lists(st.tuples(st.floats(0.1, 1e5), TEMPS), min_size=1, max_size=5))
def test_blend_keeps_the_heat(streams):
    """A blend lies between its streams and, off the step, holds exactly their heat."""
    masses, temps = zip(*streams, strict=True)
    blend = blend_temp_c(masses, temps)
    assert min(temps) - 1e-8 <= blend <= max(temps) + 1e-8
    if blend != 573.85:
        heat = sum(mass * quartz_enthalpy_kj_kg(temp) for mass, temp in streams)
        assert sum(masses) * quartz_enthalpy_kj_kg(blend) == pytest.approx(heat, rel=1e-9, abs=1e-6)


def test_blend_rests_on_the_step():
    """Sand just below and just above the transition blends to the transition itself."""
    assert blend_temp_c([1, 1], [573.8, 573.9]) == 573.85


def test_blend_ignores_a_stream_of_nothing():
    """A stream of no mass changes nothing; one stream alone keeps its temperature."""
    assert blend_temp_c([500, 0], [30, 900]) == pytest.approx(30)
    assert blend_temp_c([500], [-20]) == pytest.approx(-20)


def test_columns():
    """Arrays, lists and Series go through row by row; a missing row stays missing, a Series keeps its index."""
    assert isinstance(quartz_enthalpy_kj_kg([0, 25]), np.ndarray)
    assert type(quartz_temp_c(np.float64(10))) is float
    temps = pd.Series([20.0, math.nan, 60.0], index=[4, 5, 6])
    heat = quartz_enthalpy_kj_kg(temps)
    assert list(heat.index) == [4, 5, 6]
    assert heat.isna().tolist() == [False, True, False]
    assert quartz_temp_c(heat).isna().tolist() == [False, True, False]
    blend = blend_temp_c([700, 300], [temps, 5])
    assert list(blend.index) == [4, 5, 6]
    assert blend[6] == pytest.approx(blend_temp_c([700, 300], [60, 5]))
    duty = cooling_duty_kj(mass_kg=np.array([1000, 500]), from_c=60, to_c=25)
    assert duty[0] == pytest.approx(2 * duty[1])
    dried = drying_heat_kj(mass_kg=1000, moisture_pct=pd.Series([4.0, 0.0]), from_c=30)
    assert dried.tolist() == pytest.approx([97_200, 0])


@pytest.mark.parametrize("temp", [-73.2, 1723, math.nan, math.inf, "20"])
def test_temperatures_outside_the_table_are_refused(temp):
    """Colder than the extension or hotter than the table is refused, not guessed."""
    for ask in (quartz_enthalpy_kj_kg, lambda t: blend_temp_c([1, 1], [20, t])):
        with pytest.raises(FieldError):
            ask(temp)
    with pytest.raises(FieldError):
        quartz_temp_c(1e6)
    with pytest.raises(FieldError):
        quartz_heat_capacity_j_mol_k(199)


@pytest.mark.parametrize(("masses", "temps"), [([], []), ([1], [20, 30]), ([0, 0], [20, 30]), ([1, -1], [20, 30])])
def test_blends_of_nothing_are_refused(masses, temps):
    """No stream, unequal streams, no mass or a negative one make no blend."""
    with pytest.raises(FieldError):
        blend_temp_c(masses, temps)


def test_cooling_and_warming_are_opposite():
    """What sand gives up cooling it takes up warming, thaw and all."""
    there = cooling_duty_kj(mass_kg=800, from_c=40, to_c=-10, moisture_pct=3)
    assert there > 0
    assert cooling_duty_kj(mass_kg=800, from_c=-10, to_c=40, moisture_pct=3) == pytest.approx(-there)


def test_thaw():
    """Thawing 1 % of a tonne takes 334 kJ/kg · 10 kg more than warming it. Tag: derived, by hand."""
    frozen = cooling_duty_kj(mass_kg=1000, from_c=-1, to_c=0, moisture_pct=1)
    dry = cooling_duty_kj(mass_kg=990, from_c=-1, to_c=0)
    assert dry - frozen == pytest.approx(3340 + 10 * 2.1)


def test_drying_by_hand():
    """A tonne at 4 %, dried to 0.2 % at 30 °C: 40 kg less 960·0.2/99.8 = 1.924 kg leave, times 2430 is 92 525 kJ.

    At 100 °C they take 2257 each, and warming from 30 °C adds 70 K of 40 kg water: 40·4.19·70 = 11 732 kJ.
    """
    usual = {"mass_kg": 1000, "moisture_pct": 4, "from_c": 30}
    assert drying_heat_kj(**usual, dried_to_pct=0.2) == pytest.approx(92_525, abs=1)
    boiled = drying_heat_kj(**usual, drying_temp_c=100)
    quartz = -cooling_duty_kj(mass_kg=960, from_c=30, to_c=100)
    assert boiled == pytest.approx(40 * 2257 + 11_732 + quartz)


def test_hot_damp_sand_brings_its_own_heat():
    """Sand at 90 °C with little water dries at 30 °C by itself: the heat to add is negative."""
    assert drying_heat_kj(mass_kg=1000, moisture_pct=0.5, from_c=90) < 0


@pytest.mark.parametrize(
    "change",
    [
        {"mass_kg": -1},
        {"moisture_pct": -0.1},
        {"moisture_pct": 100},
        {"moisture_pct": math.nan},
        {"from_c": 101},
        {"drying_temp_c": 101},
        {"drying_temp_c": -1},
        {"dried_to_pct": 5},
    ],
)
def test_impossible_drying_is_refused(change):
    """Damp sand above boiling, more water after than before, or a number outside its range is refused."""
    with pytest.raises(FieldError):
        drying_heat_kj(**({"mass_kg": 1000, "moisture_pct": 4, "from_c": 10} | change))


def test_damp_sand_above_boiling_is_not_cooled():
    """Damp sand above 100 °C is a question of drying; dry sand is not."""
    assert cooling_duty_kj(mass_kg=1, from_c=300, to_c=30) > 0
    with pytest.raises(FieldError, match="dry"):
        cooling_duty_kj(mass_kg=1, from_c=300, to_c=30, moisture_pct=1)
