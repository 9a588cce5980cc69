"""Silo levels, volumes and masses: shapes, slopes, limits and refusals."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.silo import Silo

SILO = Silo.cylinder_on_cone(diameter_m=2.4, height_m=3.0, cone_height_m=1.8)
BOX = Silo.box(length_m=2.0, width_m=3.0, height_m=1.5)


def turned(silo, centre, slope, cone_height, steps=200_000):
    """Volume under a sloped surface by adding rings: an independent rule."""
    r = (np.arange(steps) + 0.5) * silo.radius_m / steps
    depth = np.maximum(centre + slope * r - cone_height * r / silo.radius_m, 0.0)
    return float(np.sum(2 * math.pi * r * depth) * silo.radius_m / steps)


def test_ends():
    """Nothing at the outlet, everything at the top; the cone holds a third of its cylinder."""
    assert SILO.volume_m3(0) == 0
    assert SILO.top_m == pytest.approx(4.8)
    assert SILO.volume_m3(SILO.top_m) == pytest.approx(SILO.full_volume_m3)
    assert SILO.volume_m3(1.8) == pytest.approx(math.pi * 1.2**2 * 1.8 / 3)


@given(st.floats(0, 4.8))
def test_level_round_trip(level):
    """The level of the volume of a level is that level."""
    assert SILO.level_m(SILO.volume_m3(level)) == pytest.approx(level, abs=1e-6)


@given(st.floats(0, 4.8), st.floats(0, 4.8))
def test_more_level_is_more_sand(one, other):
    """A higher level never holds less."""
    low, high = sorted((one, other))
    assert SILO.volume_m3(low) <= SILO.volume_m3(high) + 1e-12


def test_full_silo_round_trips_inside_its_top():
    """Rounding never lifts a full silo over its top."""
    for diameter in np.linspace(1.0, 4.0, 97):
        silo = Silo.cylinder_on_cone(diameter_m=diameter, height_m=diameter * 1.7, cone_height_m=diameter * 0.8)
        silo.volume_m3(silo.level_m(silo.full_volume_m3))


def test_flat_floors():
    """Cylinder and box have no cone: volume is area times level."""
    assert BOX.volume_m3(0.5) == pytest.approx(3.0)
    assert BOX.level_m(3.0) == pytest.approx(0.5)
    assert Silo.cylinder(diameter_m=2, height_m=3).volume_m3(1) == pytest.approx(math.pi)


def test_ullage():
    """Ullage counts from the top down."""
    assert SILO.level_from_ullage_m(1.0) == pytest.approx(3.8)
    for ullage in (-0.1, 4.9, math.nan):
        with pytest.raises(FieldError):
            SILO.level_from_ullage_m(ullage)


def test_mass_and_its_range():
    """Mass is volume times density; the range is 8 % either way by default."""
    mass = SILO.mass_kg(1.8, bulk_density_kg_m3=1600)
    assert mass == pytest.approx(1600 * math.pi * 1.2**2 * 0.6)
    assert SILO.mass_range_kg(1.8, bulk_density_kg_m3=1600) == pytest.approx((0.92 * mass, mass, 1.08 * mass))
    with pytest.raises(FieldError):
        SILO.mass_kg(1.8, bulk_density_kg_m3=0)


@pytest.mark.parametrize("level", [-0.01, 4.81, math.nan, math.inf, "2", None])
def test_level_outside_is_refused(level):
    """A level below the outlet or above the top is refused, with the value and the range."""
    with pytest.raises(FieldError) as refused:
        SILO.volume_m3(level)
    assert refused.value.field == "level_m"


def test_refusal_states_the_range():
    """The refusal of a level says what would be accepted."""
    with pytest.raises(FieldError, match=r"0 or more, 4\.8 or less"):
        SILO.volume_m3(5)


def test_volume_outside_is_refused():
    """More than the silo holds has no level."""
    with pytest.raises(FieldError):
        SILO.level_m(SILO.full_volume_m3 * 1.01)
    with pytest.raises(FieldError):
        SILO.level_m(-1)


@pytest.mark.parametrize("measure", [0, -1, math.nan])
def test_impossible_shapes_are_refused(measure):
    """Measures of a store are above 0."""
    with pytest.raises(FieldError):
        Silo.cylinder(diameter_m=measure, height_m=1)
    with pytest.raises(FieldError):
        Silo.box(length_m=1, width_m=measure, height_m=1)


def test_columns():
    """Columns of levels give columns of volumes, and a Series keeps its index."""
    levels = pd.Series([1.0, math.nan, 4.0], index=["a", "b", "c"])
    volumes = SILO.volume_m3(levels)
    assert list(volumes.index) == ["a", "b", "c"]
    assert volumes.isna().tolist() == [False, True, False]
    assert SILO.level_m(volumes)["c"] == pytest.approx(4.0)
    assert SILO.mass_kg(np.array([1.0, 2.0]), bulk_density_kg_m3=1600).shape == (2,)
    heaped = SILO.volume_m3(levels.clip(lower=2.5), heap_angle_deg=20, surface="heap", read_at="wall")
    assert heaped["c"] == pytest.approx(SILO.volume_m3(4.0, heap_angle_deg=20, surface="heap", read_at="wall"))


@given(st.floats(2.9, 3.7), st.sampled_from(["heap", "funnel"]), st.floats(1, 34))
def test_two_thirds_of_the_radius_reads_the_flat_level(level, surface, angle):
    """In the cylinder a level read at two thirds of the radius is that of the same sand lying flat."""
    sloped = SILO.volume_m3(level, heap_angle_deg=angle, surface=surface, read_at="two_thirds")
    assert sloped == pytest.approx(SILO.volume_m3(level), rel=1e-9)


@pytest.mark.parametrize(
    ("level", "surface", "read_at", "angle"),
    [
        (2.2, "heap", "wall", 34), (3.6, "heap", "centre", 34),
        (3.4, "funnel", "wall", 34), (2.4, "funnel", "centre", 34),
        (0.9, "heap", "centre", 34), (0.4, "funnel", "centre", 34),
        (1.9, "funnel", "wall", 34), (2.0, "funnel", "wall", 60),
        (1.5, "heap", "two_thirds", 34), (1.0, "funnel", "centre", math.degrees(math.atan(1.8 / 1.2))),
    ],
)  # fmt: skip
def test_slopes_against_rings(level, surface, read_at, angle):
    """Heaps and funnels, also where they reach into the cone, agree with adding up rings."""
    slope = math.tan(math.radians(angle)) * (-1 if surface == "heap" else 1)
    centre = level - slope * 1.2 * {"centre": 0, "two_thirds": 2 / 3, "wall": 1}[read_at]
    found = SILO.volume_m3(level, heap_angle_deg=angle, surface=surface, read_at=read_at)
    assert found == pytest.approx(turned(SILO, centre, slope, 1.8), rel=1e-6)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: SILO.volume_m3(4.7, heap_angle_deg=34, surface="heap", read_at="wall"),
        lambda: SILO.volume_m3(4.7, heap_angle_deg=34, surface="funnel", read_at="centre"),
        lambda: SILO.volume_m3(1.0, heap_angle_deg=34, surface="heap", read_at="wall"),
        lambda: SILO.volume_m3(3, heap_angle_deg=34),
        lambda: SILO.volume_m3(3, heap_angle_deg=90, surface="heap"),
        lambda: SILO.volume_m3(3, heap_angle_deg=-1, surface="heap"),
        lambda: SILO.volume_m3(3, heap_angle_deg=34, surface="cone"),
        lambda: SILO.volume_m3(3, heap_angle_deg=34, surface="heap", read_at="side"),
        lambda: BOX.volume_m3(1, heap_angle_deg=34, surface="heap"),
    ],
)
def test_impossible_slopes_are_refused(ask):
    """Peaks above the top, readings inside the cone's wall and unknown surfaces are refused."""
    with pytest.raises(FieldError):
        ask()
