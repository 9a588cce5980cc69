"""Cure along a moving temperature, and conduction in a mould, against standards and independent solvers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq
from scipy.special import erf

from sandtrack.trade.cure import CureLaw, time_to_strip_min
from sandtrack.trade.maturity import (
    BOX_COEFFICIENT_W_M2_K,
    PATTERN_EFFUSIVITY,
    SAND_CONDUCTIVITY_W_M_K,
    SAND_DENSITY_KG_M3,
    SAND_EFFUSIVITY,
    SAND_HEAT_CAPACITY_J_KG_K,
    face_temp_c,
    strip_on_history,
    time_constant_min,
)

R = 8.314462618  # J/(mol K), CODATA 2018. Tag: source


def law_of(strip_min, at_c=20.0, kelvins=5000.0):
    """Law with its activation energy given as E/R in kelvins."""
    return CureLaw(
        strip_time_min=strip_min, at_temp_c=at_c, at_lever=35, activation_energy_kj_mol=kelvins * R / 1e3, exponent=1.45
    )


def test_equivalent_age_of_the_day_is_the_strip_time_it_reaches():
    """A day from 20 to 40 and back to 27 °C is worth 50.050046 h at 20 °C: sand of that strip time is just firm.

    Tag: derived from the form of ASTM C1074 (Q = 5000 K), exact integral of the broken line.
    """
    minutes = [60 * h for h in (0, 2, 4, 6, 8, 12, 16, 20, 24)]
    temps = [20, 24, 30, 36, 40, 38, 34, 30, 27]
    cured = strip_on_history(law_of(50.050046 * 60), 35, minutes=minutes, temps_c=temps)
    assert cured.cured_share == pytest.approx(1, abs=2e-8)
    half = strip_on_history(law_of(25.025023 * 60), 35, minutes=minutes, temps_c=temps)
    assert half.cured_share == pytest.approx(2, abs=4e-8)
    assert 8 * 60 < half.strip_min < 16 * 60


def test_equivalent_age_of_the_concrete_standard():
    """Six spells of 19 to 23 °C count as 8.37986781 days.

    Tag: source, EN 1992-1-1:2004 (B.10) in the tests of an independent package of structural codes; it takes 273 where
    we take 273.15, so temperatures shift by 0.15, and 13.65 = 4000/(273 + T) is its reference.
    """
    minutes, temps, now = [], [], 0.0
    for temp, days in [(19, 1), (20, 2), (20, 1), (21, 1), (22, 1), (23, 2)]:
        minutes += [now, now + 1440 * days]
        temps += [temp - 0.15] * 2
        now += 1440 * days
    law = law_of(1440.0, at_c=4000 / 13.65 - 273.15, kelvins=4000)
    assert strip_on_history(law, 35, minutes=minutes, temps_c=temps).cured_share == pytest.approx(8.37986781, abs=1e-8)


def test_log_against_an_integrator():
    """Along a logged morning sand strips where an independent quadrature and root (SciPy) put it."""
    minutes, temps = [0, 10, 25, 25, 60, 120], [24, 19, 15, 18, 9, 6]
    law = law_of(45.0, kelvins=6100)

    def speed(t):
        return math.exp(-6100 * (1 / (np.interp(t, [0, 10, 25 - 1e-9, 25, 60, 120], temps) + 273.15) - 1 / 293.15)) / 45

    def cured(t):
        return quad(speed, 0, t, points=[p for p in (10, 25, 60) if p < t], limit=200, epsabs=1e-12)[0]

    found = strip_on_history(law, 35, minutes=minutes, temps_c=temps)
    assert found.strip_min == pytest.approx(brentq(lambda t: cured(t) - 1, 1, 120), abs=1e-5)
    assert found.cured_share == pytest.approx(cured(120), rel=1e-8)


def test_log_of_newton_cooling_against_the_closed_course():
    """A fine log of a cooling mould gives the strip time of the mould that cools by that rule."""
    law = law_of(60.0)
    minutes = np.linspace(0, 200, 2001)
    temps = 5 + 17 * np.exp(-minutes / 90)
    whole = time_to_strip_min(law, 35, start_temp_c=22, surroundings_c=5, time_constant_min=90)
    assert strip_on_history(law, 35, minutes=minutes, temps_c=temps).strip_min == pytest.approx(whole, rel=1e-6)


def test_time_constant_of_a_thin_plate():
    """A thin mould cools as one lump: rho·c·modulus/h. Tag: derived, by hand.

    1605 · 736 · 0.001 m / 10 = 118.1 s = 1.969 min; conduction inside adds a third of the Biot number, 1.2 %.
    """
    found = time_constant_min(modulus_cm=0.1, shape="plate", surface_w_m2_k=10)
    assert found == pytest.approx(1.969 * (1 + 10 * 0.001 / 0.27 / 3), rel=2e-3)


@pytest.mark.parametrize(("biot", "root"), [(0.1, 0.3111), (1.0, 0.8603), (10.0, 1.4289), (100.0, 1.5552)])
@pytest.mark.parametrize(("shape", "ways"), [("plate", 1), ("bar", 2), ("block", 3)])
def test_time_constant_by_tabulated_roots(biot, root, shape, ways):
    """The roots of mu·tan(mu) = Bi are those of the table. Tag: memory, Incropera & DeWitt, Table 5.1.

    With rho·c = 1e6, k = 1 and a half thickness of 0.1 m the time constant is 1e6·0.01/(n·mu²) s.
    """
    found = time_constant_min(
        modulus_cm=10 / ways,
        shape=shape,
        surface_w_m2_k=biot * 10,
        conductivity_w_m_k=1,
        density_kg_m3=1000,
        heat_capacity_j_kg_k=1000,
    )
    assert found == pytest.approx(1e4 / (ways * root**2) / 60, rel=4e-4)


def test_time_constant_against_finite_differences():
    """The middle of a cooling plate ends up falling by the time constant, in an independent solver (SciPy's BDF)."""
    cells, half_m = 80, 0.15
    step = half_m / cells
    spread = SAND_CONDUCTIVITY_W_M_K / (SAND_DENSITY_KG_M3 * SAND_HEAT_CAPACITY_J_KG_K * step**2)
    outside = step / (step / 2 + SAND_CONDUCTIVITY_W_M_K / BOX_COEFFICIENT_W_M2_K)
    matrix = spread * (np.diag(np.full(cells, -2.0)) + np.eye(cells, k=1) + np.eye(cells, k=-1))
    matrix[0, 0] = -spread
    matrix[-1, -1] = -spread * (1 + outside)
    tau = time_constant_min(modulus_cm=15, shape="plate") * 60
    run = solve_ivp(lambda _, y: matrix @ y, (0, 3 * tau), np.ones(cells), method="BDF", jac=matrix,
                    t_eval=[2 * tau, 3 * tau], rtol=1e-8, atol=1e-10)  # fmt: skip
    assert math.log(run.y[0, 0] / run.y[0, 1]) == pytest.approx(1, rel=2e-3)
    # Warm sand is warmer in the middle than one lump of this constant would be: strip comes out late, not early.
    assert run.y[0, 0] > math.exp(-2)


def test_face_against_two_bodies_in_contact():
    """The face of two thick bodies stands at once where finite differences put it, and stays there.

    Tag: derived: sand at 25 °C on hardwood at 5 °C, 10 cm each, explicit steps, ten minutes.
    """
    cells, step = 400, 0.0005
    conduct = np.array([SAND_CONDUCTIVITY_W_M_K] * (cells // 2) + [0.16] * (cells // 2))
    store = np.array([SAND_DENSITY_KG_M3 * SAND_HEAT_CAPACITY_J_KG_K] * (cells // 2) + [720 * 1255.0] * (cells // 2))
    temps = np.array([25.0] * (cells // 2) + [5.0] * (cells // 2))
    between = 2 / (1 / conduct[1:] + 1 / conduct[:-1]) / step
    dt = 0.4 * step**2 * float((store / conduct).min())
    for _ in range(int(600 / dt)):
        flow = between * np.diff(temps)
        temps[:-1] += flow * dt / (store[:-1] * step)
        temps[1:] -= flow * dt / (store[1:] * step)
    left, right = conduct[cells // 2 - 1], conduct[cells // 2]
    face = (left * temps[cells // 2 - 1] + right * temps[cells // 2]) / (left + right)
    said = face_temp_c(sand_temp_c=25, pattern_temp_c=5, pattern_effusivity=math.sqrt(0.16 * 720 * 1255))
    assert said == pytest.approx(face, abs=0.02)


def test_constants_are_products_of_what_they_name():
    """Effusivities are square roots of conductivity · density · heat capacity.

    Tag: memory, Incropera & DeWitt, Tables A.1 and A.3.
    """
    assert pytest.approx(math.sqrt(0.27 * 1605 * 736), rel=2e-3) == SAND_EFFUSIVITY
    for name, k, rho, c in [
        ("wood", 0.16, 720, 1255),
        ("aluminium", 237, 2702, 903),
        ("iron", 60.5, 7854, 434),
        ("foam", 0.027, 55, 1210),
        ("resin", 0.2, 1200, 1100),
    ]:
        assert PATTERN_EFFUSIVITY[name] == pytest.approx(math.sqrt(k * rho * c), rel=6e-3)
    # Heat capacity of quartz at 293 K: the table's 44.57 at 298 K less 5 K of 0.1 J/(mol K²), over 60.0843 g/mol.
    assert pytest.approx(44.1 / 0.0600843, rel=4e-3) == SAND_HEAT_CAPACITY_J_KG_K


def test_wood_is_thick_for_half_an_hour():
    """In half an hour little more than a tenth of a step goes through 2 cm of hardwood and comes back to the face.

    Tag: derived: 1 - erf(x / (2·sqrt(a·t))) for x = 4 cm, there and back, with a = 0.16/(720·1255) m²/s.
    """
    assert 1 - erf(0.04 / (2 * math.sqrt(0.16 / (720 * 1255) * 1800))) == pytest.approx(0.11, abs=0.01)
