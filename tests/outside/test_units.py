"""Factors of the unit list against published tables and an independent library."""

from __future__ import annotations

from decimal import Decimal

import pytest
from scipy import constants

from sandtrack.units import mass_mg, parse

# NIST Special Publication 811 (2008), Appendix B.8. Tag: source. A factor printed in boldface is exact (B.2);
# the others are rounded to the digits given, so ours must agree to half of the last one.
# (text, quantity, factor as printed, exact)
NIST_SP_811 = [
    ("1 oz", "mass", "2.834952E-02", False),
    ("1 lb", "mass", "4.535924E-01", False),
    ("1 short ton", "mass", "9.071847E+02", False),
    ("1 long ton", "mass", "1.016047E+03", False),
    ("1 t", "mass", "1.0E+03", True),
    ("1 ft", "length", "3.048E-01", True),
    ("1 in", "length", "2.54E-02", True),
    ("1 l", "volume", "1.0E-03", True),
    ("1 ft3", "volume", "2.831685E-02", False),
    ("1 us gal", "volume", "3.785412E-03", False),
    ("1 us gal", "liquid_volume", "3.785412E+00", False),
    ("1 imp gal", "liquid_volume", "4.54609E+00", True),
    ("1 lb/ft3", "density", "1.601846E+01", False),
    ("3.6 MJ", "energy", "1", True),  # 1 kWh = 3.6 E+06 J, bold
]

# SP 811, note 22 to B.8: the avoirdupois pound is exactly 0.453 592 37 kg. Tag: source.
# The tons are B.8's 2000 lb and 2240 lb, the ounce a sixteenth. Tag: derived.
EXACT_MG = [
    ("1 lb", 453_592),  # 453 592.37 mg, to the whole milligram
    ("100 lb", 45_359_237),
    ("16 oz", 453_592),
    ("1600 oz", 45_359_237),
    ("1 short ton", 907_184_740),  # 2000 * 453 592.37
    ("10 long tons", 10_160_469_088),  # 22 400 * 453 592.37
    ("1 tonne", 1_000_000_000),
    ("1 g", 1_000),
]


@pytest.mark.parametrize(("text", "quantity", "printed", "exact"), NIST_SP_811)
def test_factor_is_the_one_that_nist_prints(text: str, quantity: str, printed: str, exact: bool) -> None:
    """One of each unit comes out as SP 811 prints it, to the last printed digit or exactly."""
    expected = Decimal(printed)
    half_of_last_digit = Decimal(0) if exact else Decimal(5).scaleb(expected.as_tuple().exponent - 1)
    assert abs(Decimal(repr(parse(text, quantity, field="x"))) - expected) <= half_of_last_digit


@pytest.mark.parametrize(("text", "mg"), EXACT_MG)
def test_masses_are_exact_to_the_milligram(text: str, mg: int) -> None:
    """A mass in customary units becomes the whole milligrams that the definition of the pound gives."""
    assert mass_mg(text, field="x") == mg


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    # SP 811, B.8: t/degC = (t/degF - 32) / 1.8. Tag: source; the values by hand. Tag: derived.
    [("32", 0.0), ("212", 100.0), ("-40", -40.0), ("77", 25.0), ("50", 10.0), ("-459.67", -273.15)],
)
def test_fahrenheit_follows_the_formula_that_nist_prints(fahrenheit: str, celsius: float) -> None:
    """Degrees Fahrenheit become the Celsius of (t - 32) / 1.8, without dust in the last digits."""
    assert parse(f"{fahrenheit} °F", "temperature", field="x") == celsius


@pytest.mark.parametrize("fahrenheit", [-459.0, -40.0, 0.0, 14.5, 68.0, 95.3, 2730.0])
def test_fahrenheit_agrees_with_scipy(fahrenheit: float) -> None:
    """scipy.constants.convert_temperature gives the same Celsius. Tag: source (independent library)."""
    expected = constants.convert_temperature(fahrenheit, "Fahrenheit", "Celsius")
    # scipy goes by way of 273.15 and 459.67 in floats: good to a few parts in 1e13 of a kelvin scale.
    assert parse(fahrenheit, "temperature", field="x", unit="f") == pytest.approx(expected, rel=1e-12, abs=1e-10)


@pytest.mark.parametrize(
    ("text", "quantity", "expected"),
    [
        ("1 lb", "mass", constants.pound),
        ("1 oz", "mass", constants.oz),
        ("1 short ton", "mass", constants.short_ton),
        ("1 long ton", "mass", constants.long_ton),
        ("1 us gal", "volume", constants.gallon_US),
        ("1 imp gal", "volume", constants.gallon_imp),
        ("1 l", "volume", constants.liter),
        ("1 ft", "length", constants.foot),
        ("1 in", "length", constants.inch),
        ("1 h", "time", constants.hour / constants.minute),
        ("1 d", "time", constants.day / constants.minute),
        ("1 lb/ft3", "density", constants.pound / constants.foot**3),
        ("1 lb/min", "mass_flow", constants.pound),
    ],
)
def test_factor_agrees_with_scipy(text: str, quantity: str, expected: float) -> None:
    """scipy.constants holds the same factor, to the rounding of a float. Tag: source (independent library)."""
    assert parse(text, quantity, field="x") == pytest.approx(expected, rel=1e-15)


def test_absolute_zero_is_where_scipy_has_it() -> None:
    """The coldest temperature taken is minus scipy's zero_Celsius. Tag: source (independent library)."""
    assert parse(-constants.zero_Celsius, "temperature", field="x") == -constants.zero_Celsius
    with pytest.raises(ValueError, match="below absolute zero"):
        parse(-constants.zero_Celsius - 1e-9, "temperature", field="x")
