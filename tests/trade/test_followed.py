"""Sand whose temperature was followed: equivalent time along a log by hand, against an integrator, and back."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from sandtrack.errors import FieldError
from sandtrack.trade.followed import followed_equivalent_min, followed_min

ENERGY = 51.2
WARMER = math.exp(ENERGY * 1e3 / 8.31446261815324 * (1 / 293.15 - 1 / 303.15))
"""How much faster sand of 30 °C cures than sand of 20 °C, by Arrhenius: 2.0."""


def law(**log: Any) -> dict[str, Any]:
    """The law and a log of two hours: one at 20 °C, then a step to 30 °C."""
    return {
        "activation_energy_kj_mol": ENERGY, "kept_temp_c": 20,
        "log_minutes": [0, 60, 60, 120], "log_temps_c": [20, 20, 30, 30],
    } | log  # fmt: skip


def test_a_step_by_hand() -> None:
    """An hour counts as it is, each minute after it twice, beyond the log too; many at once, or one."""
    after = [0, 45, 60, 90, 120, 200, math.inf]
    worth = [0, 45, 60, 60 + 30 * WARMER, 60 + 60 * WARMER, 60 + 140 * WARMER, math.inf]
    assert followed_equivalent_min(after, **law()).tolist() == pytest.approx(worth, rel=1e-10)
    assert followed_min(worth, **law()).tolist() == pytest.approx(after, rel=1e-10)
    assert followed_min(60 + 30 * WARMER, **law()) == pytest.approx(90)
    column = followed_min(pd.Series([60.0, math.nan], index=["a", "b"]), **law())
    assert column["a"] == pytest.approx(60)
    assert math.isnan(column["b"])


def test_the_first_reading_holds_before_it() -> None:
    """One reading of 30 °C after ten minutes: 30 °C all the time."""
    assert followed_equivalent_min(50, **law(log_minutes=[10], log_temps_c=[30])) == pytest.approx(50 * WARMER)


def test_a_line_against_an_integrator() -> None:
    """Straight lines between readings, against scipy's solver."""
    minutes, temps = [0.0, 40.0, 100.0, 180.0], [25.0, 10.0, 18.0, 4.0]

    def speed(at: float, _: Any) -> list[float]:
        kelvin = np.interp(at, minutes, temps) + 273.15
        return [math.exp(ENERGY * 1e3 / 8.31446261815324 * (1 / 293.15 - 1 / kelvin))]

    exact = solve_ivp(speed, (0, 150), [0.0], t_eval=[30, 70, 150], rtol=1e-11, atol=1e-11, max_step=1.0).y[0]
    own = followed_equivalent_min([30, 70, 150], **law(log_minutes=minutes, log_temps_c=temps))
    assert own.tolist() == pytest.approx(exact.tolist(), rel=1e-7)


@settings(max_examples=60)
@given(
    points=st.lists(st.tuples(st.floats(0, 90), st.floats(-20, 60)), min_size=1, max_size=8),
    after=st.lists(st.floats(0, 900), min_size=1, max_size=6),
    energy=st.floats(0, 120),
)
def test_there_and_back(points: list[tuple[float, float]], after: list[float], energy: float) -> None:
    """Whatever the log: what it is worth, and when it is worth that, are each other's opposite."""
    steps, temps = zip(*points, strict=True)
    log = law(activation_energy_kj_mol=energy, log_minutes=np.cumsum(steps), log_temps_c=np.array(temps))
    worth = followed_equivalent_min(after, **log)
    assert followed_min(worth, **log).tolist() == pytest.approx(after, rel=1e-8, abs=1e-6)


@pytest.mark.parametrize(
    "change",
    [
        {"log_minutes": [0, 60]},
        {"log_minutes": [0, 60, 50, 90]},
        {"log_minutes": [], "log_temps_c": []},
        {"log_temps_c": [20, 20, math.nan, 30]},
        {"activation_energy_kj_mol": -1},
    ],
)
def test_broken_logs_are_refused(change: dict[str, Any]) -> None:
    """Unequal lengths, times that run backwards, no reading, a missing one, an energy below 0."""
    with pytest.raises(FieldError):
        followed_min(30, **law(**change))
    with pytest.raises(FieldError):
        followed_equivalent_min(30, **law(**change))


@pytest.mark.parametrize("minutes", [-1, [1, -1], math.nan])
def test_impossible_times_are_refused(minutes: Any) -> None:
    """A time below 0, or one number that is none."""
    with pytest.raises(FieldError):
        followed_min(minutes, **law())
    with pytest.raises(FieldError):
        followed_equivalent_min(minutes, **law())
