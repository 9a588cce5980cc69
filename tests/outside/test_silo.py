"""Silo geometry against an independent library, a published tank and the densities of sand."""

from __future__ import annotations

import math

import pytest
from chemicals.volume import rho_data_CRC_inorg_s_const
from fluids.geometry import V_vertical_conical
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.trade.silo import Silo

INCH = 0.0254
FOOT = 0.3048
GALLON_M3 = 231 * INCH**3  # US gallon, exact


def test_upright_tank_on_a_cone():
    """132 in wide on a cone of 33 in, filled to 24 in: 250.67461 US gal. Tag: source, example of `fluids`."""
    tank = Silo.cylinder_on_cone(diameter_m=132 * INCH, height_m=100 * INCH, cone_height_m=33 * INCH)
    assert tank.volume_m3(24 * INCH) / GALLON_M3 == pytest.approx(250.67461, abs=1e-5)


@given(st.floats(0.5, 6), st.floats(0.5, 10), st.floats(0.1, 5), st.floats(0, 1))
def test_cylinder_on_cone_against_a_library(diameter, height, cone, part):
    """Any cylinder on a cone holds at any level what the `fluids` library says."""
    silo = Silo.cylinder_on_cone(diameter_m=diameter, height_m=height, cone_height_m=cone)
    level = silo.top_m * part
    assert silo.volume_m3(level) == pytest.approx(V_vertical_conical(diameter, cone, level), rel=1e-9, abs=1e-12)


def test_tip_of_a_heap():
    """A heap that falls 2 ft over 5 ft has a tip of 52.3 ft³. Tag: source, trade article "How much is in the silo?"."""
    store = Silo.cylinder(diameter_m=10 * FOOT, height_m=30 * FOOT)
    angle = math.degrees(math.atan2(2, 5))
    heaped = store.volume_m3(10 * FOOT, heap_angle_deg=angle, surface="heap", read_at="wall")
    assert (heaped - store.volume_m3(10 * FOOT)) / FOOT**3 == pytest.approx(52.3, abs=0.1)


def test_gauge_at_two_thirds_of_the_radius():
    """In a silo of 15 ft a gauge at two thirds of the radius, 5 ft, reads the volume-equivalent level.

    Tag: source, the same article: the peak then stands 2 ft above the gauge and the wall 1 ft below it.
    """
    silo = Silo.cylinder(diameter_m=15 * FOOT, height_m=40 * FOOT)
    heap = {"heap_angle_deg": math.degrees(math.atan2(2, 5)), "surface": "heap"}
    flat = silo.volume_m3(20 * FOOT)
    assert silo.volume_m3(20 * FOOT, read_at="two_thirds", **heap) == pytest.approx(flat)
    assert silo.volume_m3(22 * FOOT, read_at="centre", **heap) == pytest.approx(flat)
    assert silo.volume_m3(19 * FOOT, read_at="wall", **heap) == pytest.approx(flat)


def test_density_spread_covers_loose_to_packed():
    """8 % round 1560 spans dry silica sand from 1440 loose to 1680 packed. Tag: practice."""
    cubic_metre = Silo.box(length_m=1, width_m=1, height_m=1)
    low, _, high = cubic_metre.mass_range_kg(1.0, bulk_density_kg_m3=(1440 + 1680) / 2)
    assert low == pytest.approx(1440, rel=5e-3)
    assert high == pytest.approx(1680, rel=5e-3)


def test_hundred_pounds_a_cubic_foot():
    """Sand of 100 lb/ft³ is 1602 kg/m³. Tag: derived; factors exact."""
    cubic_foot = Silo.box(length_m=FOOT, width_m=FOOT, height_m=FOOT)
    assert cubic_foot.mass_kg(FOOT, bulk_density_kg_m3=1602) / 0.45359237 == pytest.approx(100, abs=0.05)


def test_bulk_is_lighter_than_the_grain():
    """Sand lies at 36 to 46 % voids between grains of quartz, whose density an independent library gives.

    Tag: source for the grain (CRC Handbook through `chemicals`, alpha-quartz), practice for the voids of sand.
    """
    grain = 60.0843e-3 / rho_data_CRC_inorg_s_const.loc["14808-60-7", "Vm"]
    assert grain == pytest.approx(2650, rel=0.01)
    for bulk in (1440, 1602, 1680):
        assert 0.36 <= 1 - bulk / grain <= 0.46
