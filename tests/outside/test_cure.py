"""The cure law and equivalent age against published rules and standards."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sandtrack.trade.cure import (
    CureLaw,
    activation_energy_kj_mol_from_doubling,
    activation_energy_kj_mol_from_times,
    equivalent_age_h,
    time_to_strip_min,
    work_time_min,
)

R = 8.314462618  # J/(mol K), CODATA 2018. Tag: source


@pytest.mark.parametrize(
    ("low", "high", "energy"),
    [
        # Tag: derived, by hand: R ln 2 = 5.763146 J/(mol K).
        (20, 30, 51.2),  # 5.763146 / (1/293.15 - 1/303.15) = 5.763146 / 1.125261e-4 = 51 216 J/mol
        (10, 20, 47.8),  # 5.763146 / (1/283.15 - 1/293.15) = 5.763146 / 1.204736e-4 = 47 837 J/mol
        (25 - 75 / 18, 25 + 75 / 18, 61.5),  # 15 °F = 8.333 °C round 25 °C
    ],
)
def test_energy_behind_a_doubling(low, high, energy):
    """The doubling rules of the trade stand for 51.2, 47.8 and 61.5 kJ/mol."""
    assert activation_energy_kj_mol_from_doubling(temp_low_c=low, temp_high_c=high) == pytest.approx(energy, abs=0.05)


def test_doubling_for_18_fahrenheit_colder():
    """Strip time doubles 18 °F colder and halves 18 °F warmer, near enough, at 51.2 kJ/mol from 70 °F.

    Tag: source, Foundry Management & Technology, Jan 2014 and May 2021. One activation energy cannot do both
    exactly: 5 % is the rule's own roughness over 36 °F.
    """
    law = CureLaw(
        strip_time_min=20, at_temp_c=(70 - 32) / 1.8, at_lever=35, activation_energy_kj_mol=51.2, exponent=1.45
    )
    assert law.strip_time_min((52 - 32) / 1.8, 35) == pytest.approx(40, rel=0.06)
    assert law.strip_time_min((88 - 32) / 1.8, 35) == pytest.approx(10, rel=0.05)


def test_energy_from_two_rates():
    """Rates 3.0e-5 /s at 298 K and 4.3e-3 /s at 338 K: 103.95 kJ/mol.

    Tag: derived, by hand: 8.314463 x ln(143.333) / (1/298 - 1/338) = 8.314463 x 4.965173 / 3.971245e-4 = 103 954 J/mol.
    """
    energy = activation_energy_kj_mol_from_times(
        first_min=1 / 3.0e-5, second_min=1 / 4.3e-3, first_temp_c=298 - 273.15, second_temp_c=338 - 273.15
    )
    assert energy == pytest.approx(103.954, abs=0.001)


def test_decay_of_dinitrogen_pentoxide():
    """Any two ends of the measured rates give an energy round 100.73 ± 2.46 kJ/mol, the fit of all five.

    Tag: source for the data (NCERT Chemistry XII, chapter "Chemical Kinetics", exercise on N2O5);
    the fit is an ordinary regression of ln k on 1/T.
    """
    temps, rates = [0, 20, 40, 60, 80], [0.0787, 1.70, 25.7, 178, 2140]
    fit = -np.polyfit(1 / (np.array(temps) + 273.15), np.log(rates), 1)[0] * R / 1e3
    assert fit == pytest.approx(100.7313, abs=1e-3)
    ends = activation_energy_kj_mol_from_times(
        first_min=1 / rates[0], second_min=1 / rates[-1], first_temp_c=temps[0], second_temp_c=temps[-1]
    )
    assert ends == pytest.approx(100.7313, abs=2.4578)


@pytest.mark.parametrize(("electronvolts", "factor"), [(0.5, 133), (1.0, 17597)])
def test_acceleration_from_25_to_125_degrees(electronvolts, factor):
    """From 25 to 125 °C 0.5 eV speeds up 133 times, 1.0 eV 17,597 times.

    Tag: source, NIST/SEMATECH e-Handbook 8.1.5.1, which takes 11605 K/eV and 273.16.
    """
    law = CureLaw(
        strip_time_min=1e5,
        at_temp_c=25 + 0.01,
        at_lever=1,
        activation_energy_kj_mol=electronvolts * 11605 * R / 1e3,
        exponent=1,
    )
    assert 1e5 / law.strip_time_min(125 + 0.01, 1) == pytest.approx(factor, rel=5e-3 / electronvolts)


def test_equivalent_age_of_the_concrete_standard():
    """Six spells of 19 to 23 °C count as 8.37986781 days.

    Tag: source, EN 1992-1-1:2004 (B.10), sum of exp(13.65 - 4000/(273 + T)) dt, value in the tests of an
    independent package of structural codes. It takes 273 where we take 273.15, so temperatures shift by 0.15;
    13.65 = 4000/(273 + T) is its reference.
    """
    spells = [(19, 1), (20, 2), (20, 1), (21, 1), (22, 1), (23, 2)]
    hours, temps, now = [], [], 0.0
    for temp, days in spells:
        hours += [now, now + 24 * days]
        temps += [temp - 0.15] * 2
        now += 24 * days
    age = equivalent_age_h(
        hours, temps, activation_energy_kj_mol=4000 * R / 1e3, reference_temp_c=4000 / 13.65 - 273.15
    )
    assert age / 24 == pytest.approx(8.37986781, abs=1e-8)


def test_equivalent_age_over_a_day():
    """A day from 20 to 40 and back to 27 °C counts as 50.050046 h at 20 °C.

    Tag: derived from the form of ASTM C1074 (Q = 5000 K): exact integral of the broken line; the sum over
    interval means, 49.970314 h, differs by that rule's own 0.16 %.
    """
    hours = [0, 2, 4, 6, 8, 12, 16, 20, 24]
    temps = [20, 24, 30, 36, 40, 38, 34, 30, 27]
    age = equivalent_age_h(hours, temps, activation_energy_kj_mol=5 * R, reference_temp_c=20)
    assert age == pytest.approx(50.050046, abs=1e-6)
    assert age == pytest.approx(49.970314, rel=2e-3)


@pytest.mark.parametrize(
    ("start", "surroundings", "tau"), [(20, 5, 90), (35, -5, 20), (5, 25, 300), (10, 40, 8), (20, 5, 2000)]
)
def test_drifting_mould_against_an_integrator(start, surroundings, tau):
    """A drifting mould strips when an independent integrator (SciPy's LSODA) has seen the cure reach 1."""
    energy, at_20 = 55.0, 45.0
    law = CureLaw(strip_time_min=at_20, at_temp_c=20, at_lever=30, activation_energy_kj_mol=energy, exponent=1.45)

    def speed(t, _):
        kelvin = surroundings + (start - surroundings) * math.exp(-t / tau) + 273.15
        return [math.exp(-energy * 1e3 / R * (1 / kelvin - 1 / 293.15)) / at_20]

    def cured(_, y):
        return y[0] - 1

    cured.terminal = True
    run = solve_ivp(speed, (0, 5000), [0.0], method="LSODA", events=cured, rtol=1e-10, atol=1e-12)
    found = time_to_strip_min(law, 30, start_temp_c=start, surroundings_c=surroundings, time_constant_min=tau)
    assert found == pytest.approx(run.t_events[0][0], rel=1e-7)


def test_work_time_of_a_lexicon():
    """25 min of work go with 50 min of strip. Tag: source, giesserei-praxis.de lexicon."""
    assert work_time_min(50, 0.5) == 25
