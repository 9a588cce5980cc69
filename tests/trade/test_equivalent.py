"""Equivalent time of a drifting mould: its limits by hand, both ways, against an integrator, columns, refusals."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from sandtrack.errors import FieldError
from sandtrack.trade.cure import CureLaw, time_to_strip_min
from sandtrack.trade.equivalent import drifting_min, equivalent_min, following_temp_c

R = 8.314462618e-3  # kJ/(mol K), CODATA 2018


def mould(**change):
    """A mould that starts at 20 °C and goes to 5 °C, counted at 20 °C."""
    usual = {"activation_energy_kj_mol": 50, "kept_temp_c": 20, "start_temp_c": 20, "surroundings_c": 5}
    return usual | {"time_constant_min": 90} | change


def test_limits_by_hand():
    """At once at 5 °C an hour counts exp(-50/R (1/278.15 - 1/293.15)) of one at 20 °C; never cooling, all of it."""
    share = math.exp(-50 / R * (1 / 278.15 - 1 / 293.15))
    assert equivalent_min(60, **mould(time_constant_min=0)) == pytest.approx(60 * share)
    assert drifting_min(60, **mould(time_constant_min=0)) == pytest.approx(60 / share)
    for asked in (equivalent_min, drifting_min):
        assert asked(60, **mould(time_constant_min=math.inf)) == pytest.approx(60)
        assert asked(60, **mould(activation_energy_kj_mol=0)) == pytest.approx(60)
    assert equivalent_min(0, **mould()) == 0
    assert equivalent_min(60, **mould(start_temp_c=5)) == pytest.approx(60 * share)


@given(st.floats(0.5, 400), st.floats(-10, 45), st.floats(-10, 45), st.floats(1, 3000))
def test_there_and_back(minutes, start_c, room_c, tau):
    """What a mould does in its time, sand that keeps its temperature does in the equivalent time, and the reverse."""
    asked = mould(start_temp_c=start_c, surroundings_c=room_c, time_constant_min=tau)
    assert drifting_min(equivalent_min(minutes, **asked), **asked) == pytest.approx(minutes, rel=1e-9)


def test_equivalent_time_against_an_integrator():
    """A face of 25 °C that cools to 12 °C is worth at 15 °C what SciPy's quadrature of the speed gives."""
    whole, _ = quad(lambda t: math.exp(50 / R * (1 / 288.15 - 1 / (285.15 + 13 * math.exp(-t / 40)))), 0, 35)
    found = equivalent_min(35, **mould(kept_temp_c=15, start_temp_c=25, surroundings_c=12, time_constant_min=40))
    assert found == pytest.approx(whole, rel=1e-10)


def test_a_law_strips_the_mould_when_its_time_is_up():
    """The strip time of a law at the mould's first temperature becomes that of the mould which drifts."""
    law = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=35, activation_energy_kj_mol=50, exponent=1.45)
    strip = time_to_strip_min(law, 30, start_temp_c=20, surroundings_c=5, time_constant_min=90)
    assert drifting_min(law.strip_time_min(20, 30), **mould()) == pytest.approx(strip, rel=1e-9)


def test_columns():
    """Columns go row by row, a Series keeps its index, missing rows stay missing; one number is a float."""
    found = drifting_min(pd.Series([30.0, math.nan], index=["a", "b"]), **mould())
    assert found["a"] == drifting_min(30, **mould())
    assert math.isnan(found["b"])
    rooms = equivalent_min(30, **mould(surroundings_c=np.array([5.0, 20.0])))
    assert rooms.tolist() == pytest.approx([equivalent_min(30, **mould()), 30])
    assert type(equivalent_min(np.float64(30), **mould())) is float


@pytest.mark.parametrize(
    "change",
    [
        {"activation_energy_kj_mol": -1},
        {"time_constant_min": -1},
        {"kept_temp_c": -300},
        {"start_temp_c": math.nan},
        {"surroundings_c": math.inf},
    ],
)
def test_impossible_moulds_are_refused(change):
    """A negative energy or time constant and temperatures that cannot be are refused, both ways."""
    for asked in (equivalent_min, drifting_min):
        with pytest.raises(FieldError):
            asked(30, **mould(**change))


def test_impossible_times_are_refused():
    """A time below 0 has no equivalent, and a strip time of nothing is none."""
    with pytest.raises(FieldError):
        equivalent_min(-1, **mould())
    with pytest.raises(FieldError):
        drifting_min(0, **mould())


def test_a_mould_follows_its_surroundings():
    """Newton's rule by hand in a room of one temperature; along a log of any shape as SciPy's LSODA has it."""
    room = following_temp_c(minutes=[0, 30, 30, 90], surroundings_c=[5] * 4, start_temp_c=20, time_constant_min=60)
    assert room.tolist() == pytest.approx([20, *(5 + 15 * math.exp(-minute / 60) for minute in (30, 30, 90))])
    at, air = [0, 20, 21, 90, 200], [12, 12, 3, 8, -4]
    run = solve_ivp(
        lambda t, temp: (np.interp(t, at, air) - temp) / 45, (0, 200), [22], "LSODA", at, rtol=1e-10, max_step=0.5
    )
    found = following_temp_c(minutes=at, surroundings_c=air, start_temp_c=22, time_constant_min=45)
    assert found.tolist() == pytest.approx(run.y[0].tolist(), abs=1e-5)


def test_a_mould_that_follows_nothing_or_at_once():
    """Of an endless time constant it keeps its temperature; of next to none it is as warm as its surroundings."""
    log = {"minutes": [0, 10, 20], "surroundings_c": [12, 2, 7], "start_temp_c": 20}
    assert following_temp_c(**log, time_constant_min=math.inf).tolist() == [20, 20, 20]
    assert following_temp_c(**log, time_constant_min=1e-3).tolist() == pytest.approx([20, 2, 7], abs=1e-2)


@pytest.mark.parametrize(
    "change", [{"minutes": [0, 5]}, {"minutes": [9, 5, 1]}, {"time_constant_min": 0}, {"surroundings_c": [1, 2, None]}]
)
def test_broken_surroundings_are_refused(change):
    """Unequal columns, times backwards, no time constant and missing values are refused."""
    with pytest.raises(FieldError):
        following_temp_c(
            **{"minutes": [0, 5, 9], "surroundings_c": [5, 5, 5], "start_temp_c": 20, "time_constant_min": 60} | change
        )
