"""Heat of sand against the published table of quartz, an independent library and steam tables."""

from __future__ import annotations

import numpy as np
import pytest
from chemicals import heat_capacity, iapws
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from sandtrack.trade.heat import (
    blend_temp_c,
    cooling_duty_kj,
    drying_heat_kj,
    quartz_enthalpy_kj_kg,
    quartz_heat_capacity_j_mol_k,
    quartz_temp_c,
)

M = 0.0600843  # kg/mol. Tag: source, NIST WebBook C14808607
JANAF = heat_capacity.Cp_dict_JANAF_solid["14808-60-7"]
SHOMATE = heat_capacity.WebBook_Shomate_solids["14808-60-7"]


@pytest.mark.parametrize(
    ("kelvins", "capacity", "enthalpy"),
    [
        # Tag: source, NIST WebBook C14808607 (Chase 1998), table of Cp and H - H298.15, joules.
        (298, 44.57, -0.01),
        (300, 44.77, 0.08),
        (400, 53.43, 5.01),
        (500, 59.64, 10.68),
        (600, 64.42, 16.89),
        (700, 68.77, 23.55),
        (800, 73.70, 30.67),
        (847, 67.42, 34.93),
        (900, 67.95, 38.51),
        (1000, 68.95, 45.36),
        (1500, 73.97, 81.09),
        (1700, 75.98, 96.08),
    ],
)
def test_table_of_quartz(kelvins, capacity, enthalpy):
    """Heat capacity and enthalpy are those of the table, to its last digit.

    The table's enthalpies keep the -0.003 kJ/mol that its rounded constants leave at 298.15 K; ours are 0 there.
    """
    assert quartz_heat_capacity_j_mol_k(kelvins) == pytest.approx(capacity, abs=0.0051)
    assert quartz_enthalpy_kj_kg(kelvins - 273.15) * M == pytest.approx(enthalpy, abs=0.0051 + 0.0031)


def test_table_in_calories():
    """At 847 K the table in calories has 16.11 cal/(mol K) and 8.35 kcal/mol. Tag: source, same page."""
    assert quartz_heat_capacity_j_mol_k(847) / 4.184 == pytest.approx(16.11, abs=0.006)
    assert quartz_enthalpy_kj_kg(573.85) * M / 4.184 == pytest.approx(8.35, abs=0.006)


def test_janaf_points_of_a_library():
    """Heat capacities of the printed tables, as the package chemicals has them, from 200 to 1900 K.

    Tag: source (NIST-JANAF 1998 through the package). The fit keeps 0.02 % in its own range; carried on below
    298 K it still keeps 0.2 % at 200 K.
    """
    compared = 0
    for kelvins, capacity in zip(*JANAF, strict=True):
        if 200 <= kelvins <= 1996 and kelvins != 847:
            ours = quartz_heat_capacity_j_mol_k(kelvins)
            assert ours == pytest.approx(capacity, rel=2e-4 if kelvins > 298 else 2e-3), kelvins
            compared += 1
    assert compared >= 20


@pytest.mark.parametrize("temp_c", [-40, -20, -5, 0, 10])
def test_winter_sand_against_the_table_below_25_degrees(temp_c):
    """Heat missing in cold sand is the area under the table's points at 100, 200, 298.15, 300 and 400 K.

    Tag: derived from NIST-JANAF points in the package chemicals, a monotone curve through them.
    """
    kelvins, capacities = np.unique(JANAF[0][1:7]), JANAF[1][1:7]
    area = quad(PchipInterpolator(kelvins, capacities), temp_c + 273.15, 298.15)[0]
    assert quartz_enthalpy_kj_kg(temp_c) == pytest.approx(-area / 1e3 / M, rel=5e-3)


@pytest.mark.parametrize(("low", "high"), [(25, 60), (25, 500), (600, 1400)])
def test_enthalpy_is_the_area_under_the_librarys_heat_capacity(low, high):
    """Within one range enthalpies differ by the integral of the package chemicals. Tag: source, package."""
    integral = SHOMATE.force_calculate_integral(low + 273.15, high + 273.15) / 1e3 / M
    assert quartz_enthalpy_kj_kg(high) - quartz_enthalpy_kj_kg(low) == pytest.approx(integral, rel=1e-7)


def test_step_at_the_transition():
    """Quartz takes 12.1 kJ/kg at 573.85 °C without getting warmer.

    Tag: derived by hand from the table's constants at t = 0.847: below -5.146873 + 90.277134 - 65.787015
    + 21.688484 - 0.003008 - 917.6893 + 910.8568 = 34.196 kJ/mol, above 34.925; (34.925 - 34.196)/0.0600843 = 12.1.
    """
    step = quartz_enthalpy_kj_kg(573.85) - quartz_enthalpy_kj_kg(573.85 - 1e-9)
    assert step == pytest.approx(12.1, abs=0.05)
    assert quartz_temp_c(quartz_enthalpy_kj_kg(573.85) - 6) == 573.85


@pytest.mark.parametrize(
    ("masses", "temps"), [([700, 300], [45, 5]), ([1, 1, 1], [120, 60, -20]), ([500, 500], [450, 20])]
)
def test_blend_against_an_independent_root(masses, temps):
    """The blend's temperature is where the package's heat integrals of the streams cancel (SciPy's brentq)."""

    def surplus(temp):
        return sum(
            mass * SHOMATE.force_calculate_integral(temp + 273.15, each + 273.15)
            for mass, each in zip(masses, temps, strict=True)
        )

    assert blend_temp_c(masses, temps) == pytest.approx(brentq(surplus, -50, 550, xtol=1e-12), abs=1e-7)


def test_blend_of_hot_sand_is_not_the_mean_of_the_temperatures():
    """Equal masses at 800 and 20 °C make 449 °C, not 410: hot sand holds more heat to the degree.

    Tag: derived by hand from the table in kJ/mol: H(800 °C) about 50.42, H(20 °C) -0.22, mean 25.10, which
    the table has between 700 K (23.55) and 800 K (30.67): 700 + 100·1.55/7.12 = 722 K = 449 °C.
    """
    assert blend_temp_c([500, 500], [800, 20]) == pytest.approx(449, abs=1.5)


def saturated_kj_kg(temp_k):
    """Enthalpy of boiling water and of its steam by IAPWS-95, as the package chemicals has it."""

    def enthalpy(density):
        tau, delta = iapws.iapws95_Tc / temp_k, density / iapws.iapws95_rhoc
        inner = tau * (iapws.iapws95_dA0_dtau(tau, delta) + iapws.iapws95_dAr_dtau(tau, delta))
        return iapws.iapws95_R * temp_k * (1 + inner + delta * iapws.iapws95_dAr_ddelta(tau, delta)) / 1e3

    return enthalpy(iapws.iapws95_rhol_sat(temp_k)), enthalpy(iapws.iapws95_rhog_sat(temp_k))


@pytest.mark.parametrize("temp_c", [0.01, 10, 30, 50, 80, 100])
def test_drying_against_steam(temp_c):
    """Water leaves with the heat of evaporation of IAPWS-95 within 0.3 %. Tag: source, IAPWS-95 (package)."""
    liquid, steam = saturated_kj_kg(temp_c + 273.15)
    ours = drying_heat_kj(mass_kg=100, moisture_pct=1, from_c=temp_c, drying_temp_c=temp_c)
    assert ours == pytest.approx(steam - liquid, rel=3e-3)


def test_water_in_sand_against_steam_tables():
    """A kilogram of water in the sand gives up what IAPWS-95 says between 60 and 20 °C, within 0.5 %."""
    damp = cooling_duty_kj(mass_kg=100, from_c=60, to_c=20, moisture_pct=1)
    dry = cooling_duty_kj(mass_kg=99, from_c=60, to_c=20)
    expected = saturated_kj_kg(333.15)[0] - saturated_kj_kg(293.15)[0]
    assert damp - dry == pytest.approx(expected, rel=5e-3)


def test_cooling_a_tonne_by_hand():
    """A tonne from 60 to 25 °C gives up about 27 MJ.

    Tag: derived by hand: mean heat capacity between 298 K (44.57) and 333 K (about 48.0) is 46.3 J/(mol K) over
    0.0600843 kg/mol = 0.771 kJ/(kg K); by 35 K and 1000 kg 26 970 kJ.
    """
    assert cooling_duty_kj(mass_kg=1000, from_c=60, to_c=25) == pytest.approx(26_970, rel=4e-3)
