"""Cure along a log, size of a mould, core and face: limits, steps, columns, refusals."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.cure import CureLaw
from sandtrack.trade.maturity import (
    PATTERN_EFFUSIVITY,
    face_temp_c,
    modulus_cm,
    strip_on_history,
    strip_points_min,
    time_constant_min,
)

LAW = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=40, activation_energy_kj_mol=50, exponent=1.5)


def test_log_at_one_temperature():
    """At the reference temperature sand strips after its strip time, at the very end of a log of just that."""
    for minutes in ([0, 90], [0, 60], [0, 10, 10, 60]):
        assert strip_on_history(LAW, 40, minutes=minutes, temps_c=[20] * len(minutes)).strip_min == pytest.approx(60)


def test_log_that_ends_too_soon():
    """A log that ends before strip says how far the sand is, and names no time."""
    found = strip_on_history(LAW, 40, minutes=[0, 15], temps_c=[20, 20])
    assert found.strip_min is None
    assert found.cured_share == pytest.approx(0.25)
    assert strip_on_history(LAW, 40, minutes=[0], temps_c=[20]).cured_share == 0


def test_first_reading_counts_back_to_the_start():
    """A log that starts late takes its first temperature for the time before."""
    late = strip_on_history(LAW, 40, minutes=[5, 90], temps_c=[20, 20])
    assert late.strip_min == pytest.approx(60)


def test_lever_moves_the_log():
    """A quarter of the acid takes eight times as long on the log too (4^1.5 = 8, by hand)."""
    assert strip_on_history(LAW, 10, minutes=[0, 500], temps_c=[20, 20]).strip_min == pytest.approx(480)


def test_log_as_series():
    """A Series serves as well as a list."""
    found = strip_on_history(LAW, 40, minutes=pd.Series([0.0, 90.0]), temps_c=pd.Series([20.0, 20.0]))
    assert found.strip_min == pytest.approx(60)


@given(st.lists(st.floats(-10, 60), min_size=2, max_size=8), st.floats(5, 60))
def test_cure_up_to_strip_is_whole(temps, step):
    """Cut at the strip time, a log's cure is 1, whatever the course."""
    minutes = [step * k for k in range(len(temps))]
    found = strip_on_history(LAW, 40, minutes=minutes, temps_c=temps)
    if found.strip_min is None:
        assert found.cured_share < 1
        return
    kept = [k for k, minute in enumerate(minutes) if minute < found.strip_min]
    cut_minutes = [*(minutes[k] for k in kept), found.strip_min]
    cut_temps = [*(temps[k] for k in kept), float(np.interp(found.strip_min, minutes, temps))]
    cut = strip_on_history(LAW, 40, minutes=cut_minutes, temps_c=cut_temps)
    assert cut.cured_share == pytest.approx(1, rel=1e-9)


@pytest.mark.parametrize(
    ("minutes", "temps"),
    [
        ([], []),
        ([0, 1], [20]),
        ([10, 5], [20, 20]),
        ([-1, 5], [20, 20]),
        ([0, math.nan], [20, 20]),
        ([0, 1], [20, -300]),
    ],
)
def test_broken_logs_are_refused(minutes, temps):
    """No reading, unequal columns, times backwards or below 0, missing values are refused."""
    with pytest.raises(FieldError):
        strip_on_history(LAW, 40, minutes=minutes, temps_c=temps)


def test_modulus_of_boxes():
    """A cube has a sixth of its side, a wide plate half its thickness."""
    assert modulus_cm(length_cm=30, width_cm=30, height_cm=30) == pytest.approx(5)
    assert modulus_cm(length_cm=1e6, width_cm=1e6, height_cm=20) == pytest.approx(10, rel=1e-4)
    assert modulus_cm(length_cm=pd.Series([30.0]), width_cm=30, height_cm=30).tolist() == pytest.approx([5])
    with pytest.raises(FieldError):
        modulus_cm(length_cm=0, width_cm=1, height_cm=1)


def test_larger_moulds_are_slower():
    """More modulus, a plate by less than a block, a poorer surface: all longer; thick moulds by the square."""
    assert time_constant_min(modulus_cm=5) < time_constant_min(modulus_cm=10)
    assert time_constant_min(modulus_cm=5, shape="plate") < time_constant_min(modulus_cm=5, shape="block")
    assert time_constant_min(modulus_cm=5, surface_w_m2_k=10) < time_constant_min(modulus_cm=5, surface_w_m2_k=4)
    perfect = {"surface_w_m2_k": 1e9, "shape": "plate"}
    ratio = time_constant_min(modulus_cm=10, **perfect) / time_constant_min(modulus_cm=5, **perfect)
    assert ratio == pytest.approx(4)


def test_time_constants_as_columns():
    """Columns go through, missing rows stay missing, a Series keeps its index."""
    found = time_constant_min(modulus_cm=pd.Series([5.0, math.nan], index=["a", "b"]))
    assert found["a"] == pytest.approx(time_constant_min(modulus_cm=5))
    assert math.isnan(found["b"])
    assert type(time_constant_min(modulus_cm=np.float64(5))) is float


@pytest.mark.parametrize(
    "change",
    [{"modulus_cm": 0}, {"modulus_cm": math.nan}, {"shape": "ball"}, {"surface_w_m2_k": 0}, {"density_kg_m3": -1}],
)
def test_impossible_moulds_are_refused(change):
    """A mould of no size, of an unknown shape, or of impossible sand is refused."""
    with pytest.raises(FieldError):
        time_constant_min(**({"modulus_cm": 5} | change))


def test_face_lies_between():
    """The face is between sand and pattern, half way for equal effusivities, next to the pattern for metal."""
    assert face_temp_c(sand_temp_c=30, pattern_temp_c=10, pattern_effusivity=500, sand_effusivity=500) == 20
    metal = face_temp_c(sand_temp_c=30, pattern_temp_c=10, pattern_effusivity=PATTERN_EFFUSIVITY["aluminium"])
    foam = face_temp_c(sand_temp_c=30, pattern_temp_c=10, pattern_effusivity=PATTERN_EFFUSIVITY["foam"])
    assert 10 < metal < 11
    assert 28 < foam < 30
    assert face_temp_c(sand_temp_c=[20, 20], pattern_temp_c=20).tolist() == [20, 20]
    for change in ({"pattern_effusivity": 0}, {"sand_temp_c": -300}, {"pattern_temp_c": math.nan}):
        with pytest.raises(FieldError):
            face_temp_c(**({"sand_temp_c": 20, "pattern_temp_c": 5} | change))


def points(pattern_c, **more):
    """Core and face of sand at 20 °C in a shop at 20 °C."""
    usual = {"sand_temp_c": 20, "surroundings_c": 20, "time_constant_min": 300}
    return strip_points_min(LAW, 40, pattern_temp_c=pattern_c, **(usual | more))


def test_slowest_point():
    """Against a cold pattern the face is the slowest, against a warm one the core; equal ones wait for the core."""
    assert points(5).slowest == "face"
    assert points(5).slowest_min == points(5).face_min > points(5).core_min == pytest.approx(60)
    assert points(35).slowest == "core"
    assert points(35).slowest_min == pytest.approx(60)
    assert points(20).slowest == "core"
    assert points(20).face_min == pytest.approx(60)


def test_slowest_points_as_columns():
    """Columns of patterns are answered row by row."""
    found = points(pd.Series([5.0, 35.0], index=[1, 2]))
    assert found.slowest.tolist() == ["face", "core"]
    assert list(found.face_min.index) == [1, 2]
    assert np.asarray(found.slowest_min).tolist() == pytest.approx([points(5).face_min, 60])
