"""Exposure limits: names, units, short and long measurements; figures by hand or from the rules named beside them."""

import math

import numpy as np
import pytest

from sandtrack.errors import FieldError
from sandtrack.trade.exposure import (
    EXPOSURE_LIMITS,
    ExposureLimit,
    exposure_in,
    exposure_passed,
    exposure_unit,
    limit_of,
)

TAGS = {"source", "practice", "memory", "derived"}


def test_every_limit_says_where_it_comes_from():
    """Each agent has a limit, a unit that is known, a tag and a source; no name stands for two agents."""
    names = [name for limit in EXPOSURE_LIMITS for name in {limit.agent.lower(), *limit.names}]
    assert len(names) == len(set(names))
    for limit in EXPOSURE_LIMITS:
        assert limit.tag in TAGS
        assert limit.source
        assert exposure_unit(limit.unit) == limit.unit
        assert any((limit.shift, limit.short, limit.ceiling))


@pytest.mark.parametrize(
    ("agent", "value", "unit", "most"),
    [
        ("respirable crystalline silica", 51, "µg/m³", 50),  # OSHA 29 CFR 1910.1053: 50 µg/m³
        ("Quartz", 0.051, "mg/m3", 50),
        ("formaldehyde", 0.76, "ppm", 0.75),  # OSHA 29 CFR 1910.1048: 0.75 ppm, 2 ppm short-term
        ("furfuryl alcohol", 10.1, "ppm", 10),  # NIOSH: 10 ppm, 15 ppm short-term
        ("MDI", 0.021, "ppm", 0.02),  # OSHA: ceiling 0.02 ppm
        ("phenol", 5.1, "ppm", 5),  # OSHA: 5 ppm
        ("SO2", 2.1, "ppm", 2),  # NIOSH: 2 ppm
    ],
)
def test_what_is_above_a_limit(agent, value, unit, most):
    """Just above is above, at the limit is not."""
    assert exposure_passed(agent=agent, value=value, unit=unit).most == most
    scale = most / value if unit != "mg/m3" else 0.05 / value
    assert exposure_passed(agent=agent, value=value * scale, unit=unit) is None


def test_ppm_and_mg_by_the_molar_volume():
    """NIOSH pocket guide: formaldehyde 1 ppm = 1.23 mg/m³, sulphur dioxide 2.62, phenol 3.85, furfuryl alcohol 4.01."""
    for agent, expected in {"formaldehyde": 1.23, "so2": 2.62, "phenol": 3.85, "furfuryl alcohol": 4.01}.items():
        mass = limit_of(agent).molar_mass_g_mol
        assert exposure_in(1.0, "ppm", to="mg/m3", molar_mass_g_mol=mass) == pytest.approx(expected, abs=0.006)
        assert exposure_in(expected, "mg/m3", to="ppm", molar_mass_g_mol=mass) == pytest.approx(1.0, abs=0.006)
    assert exposure_in(20.0, "ppb", to="ppm") == pytest.approx(0.02)


def test_the_time_of_a_measurement_counts():
    """By hand: 40 µg/m³ over 12 h are 60 over eight; 1.5 ppm over 15 min keep the 2 ppm and are 0.05 over eight."""
    long = exposure_passed(agent="silica", value=40, unit="ug/m3", hours=12)
    assert (long.kind, long.value, long.most) == ("eight-hour", pytest.approx(60.0), 50.0)
    assert exposure_passed(agent="silica", value=40, unit="ug/m3", hours=8) is None
    assert exposure_passed(agent="formaldehyde", value=1.5, unit="ppm", hours=0.25) is None
    assert exposure_passed(agent="formaldehyde", value=2.5, unit="ppm", hours=0.25).kind == "short-term"
    assert exposure_passed(agent="silica", value=60, unit="ug/m3", hours=0.25).most == 50  # no short-term limit of it


def test_the_shops_own_limit_goes_first():
    """By any name of the agent, also where it is higher."""
    own = (ExposureLimit(agent="quartz", unit="mg/m3", shift=0.03, tag="shop", source="set-up"),)
    assert exposure_passed(agent="silica", value=0.04, unit="mg/m3", own=own).most == 0.03
    assert exposure_passed(agent="resin smoke", value=2.0, unit="ppm", own=(
        ExposureLimit(agent="Resin smoke", unit="ppm", shift=1.0, tag="shop", source="set-up"),
    )).limit.tag == "shop"  # fmt: skip


@pytest.mark.parametrize(
    ("agent", "unit", "field"),
    [("dust", "mg/m3", "agent"), ("silica", "ppm", "unit"), ("silica", "f/cm3", "unit"), ("phenol", "dB", "unit")],
)
def test_what_cannot_be_judged_is_refused(agent, unit, field):
    """No limit, a unit of nothing known, or ppm of a dust: never silently below."""
    with pytest.raises(FieldError) as refused:
        exposure_passed(agent=agent, value=1.0, unit=unit)
    assert refused.value.field == field


@pytest.mark.parametrize("value", [-1.0, math.nan, math.inf])
def test_no_number_is_refused(value):
    """Below nothing, not a number, without end."""
    with pytest.raises(FieldError):
        exposure_passed(agent="phenol", value=value, unit="ppm")


def test_numbers_of_numpy_are_numbers():
    """A single number of an array counts as one."""
    assert exposure_passed(agent="phenol", value=np.float64(6.0), unit="PPM").most == 5
