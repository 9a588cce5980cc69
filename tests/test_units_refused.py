"""What `sandtrack.units` refuses, each with the whole message that a person gets to read."""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import Decimal

import pytest

from sandtrack.errors import FieldError
from sandtrack.units import QUANTITIES, mass_mg, number, parse, show

LIKE = "a number written like 24.6"
MASS = "kg, g, t, lb, oz, short ton, long ton"
IN_MASS = f"{LIKE}, alone or with {MASS}"
TONS = "three meanings: tonne (1000 kg), short ton (907.18474 kg), long ton (1016.0469088 kg)"
GALS = "two meanings: us gal (3.785411784 l), imp gal (4.54609 l)"
LITRES = "m3, l, ml, us gal, imp gal, ft3"
APART = "capital and small letters differ in symbols"
SIZE = f"is not between 1e-15 and 1e15 in size; accepted: {IN_MASS}"
CALCULATION = f"is a calculation or a range, not one number; accepted: {IN_MASS}"
THOUSANDS = f"has a thousands separator, which is not read; write the digits together; accepted: {IN_MASS}"
FINITE = f"is not a finite number; accepted: {IN_MASS}"
DIGITS = f"is not written in decimal digits; accepted: {IN_MASS}"
FOREIGN = f"has digits other than 0 to 9; accepted: {IN_MASS}"
NOT_A_NUMBER = f"is not a number; accepted: {IN_MASS}"
COMMA = "has ',', but the decimal mark here is '.'; thousands separators are not read; accepted: "
COLD = "is below absolute zero; accepted: -273.15 °C (-459.67 °F) or more"

REFUSED_MASSES = [
    (None, f"is missing; accepted: {IN_MASS}"),
    ("", f"'' is empty; accepted: {IN_MASS}"),
    (" \n", f"' \\n' is empty; accepted: {IN_MASS}"),
    (True, f"True is of type bool, not a number; accepted: {IN_MASS}"),
    ([1], f"'<list>' is of type list, not a number; accepted: {IN_MASS}"),
    (b"1", f"'<bytes>' is of type bytes, not a number; accepted: {IN_MASS}"),
    (math.nan, f"nan {FINITE}"),
    (-math.inf, f"-inf {FINITE}"),
    (Decimal("sNaN"), f"sNaN {FINITE}"),
    (Decimal("Infinity"), f"Infinity {FINITE}"),
    ("nan", f"'nan' {FINITE}"),
    ("-Infinity kg", f"'-Infinity kg' {FINITE}"),
    ("0x1F", f"'0x1F' {DIGITS}"),
    ("0b11 kg", f"'0b11 kg' {DIGITS}"),
    ("1_000", f"'1_000' has an underscore among its digits; accepted: {IN_MASS}"),
    ("2*3", f"'2*3' {CALCULATION}"),
    ("9**9**6", f"'9**9**6' {CALCULATION}"),
    ("=2+3", f"'=2+3' {CALCULATION}"),
    ("(5)", f"'(5)' {CALCULATION}"),
    ("10-20 kg", f"'10-20 kg' {CALCULATION}"),
    ("2025-03-01", f"'2025-03-01' {CALCULATION}"),
    ("07:45", f"'07:45' {NOT_A_NUMBER}"),
    ("kg", f"'kg' {NOT_A_NUMBER}"),
    ("--5", f"'--5' {NOT_A_NUMBER}"),
    ("1 2", f"'1 2' has more than one number; accepted: {IN_MASS}"),
    ("25. kg", f"'25. kg' has a decimal mark with no digit after it; accepted: {IN_MASS}"),
    ("1.2.3", f"'1.2.3' has more than one '.'; thousands separators are not read; accepted: {IN_MASS}"),
    ("24,6", f"'24,6' {COMMA}{IN_MASS}"),
    ("1,500 kg", f"'1,500 kg' {COMMA}{IN_MASS}"),
    ("1,234.5", f"'1,234.5' {COMMA}{IN_MASS}"),
    ("1 000 kg", f"'1 000 kg' {THOUSANDS}"),
    ("1\u202f000", f"'1\\u202f000' {THOUSANDS}"),
    ("1'000", f'"1\'000" {THOUSANDS}'),
    ("٣", f"'٣' {FOREIGN}"),
    ("2３ kg", f"'2３ kg' {FOREIGN}"),
    ("1e999", f"'1e999' {SIZE}"),
    ("1e15", f"'1e15' {SIZE}"),
    ("1e-16 t", f"'1e-16 t' {SIZE}"),
    (1e300, f"1e+300 {SIZE}"),
    (10**15, f"1000000000000000 {SIZE}"),
    (10**5000, f"'an integer of 16610 bits' {SIZE}"),
    (Decimal("1E-99999"), f"1E-99999 {SIZE}"),
    (Decimal("1." + "1" * 40), f"1.{'1' * 40} has more than 40 digits; accepted: {IN_MASS}"),
    ("1" * 41, f"'{'1' * 41}' has 41 characters, more than the 40 that are read; accepted: {IN_MASS}"),
    (-5, "-5 is negative, which no mass can be; accepted: 0 or more"),
    ("−0.001 t", "'−0.001 t' is negative, which no mass can be; accepted: 0 or more"),
    ("25 ton", f"'25 ton' has the unit 'ton', which has {TONS}; accepted: {MASS}"),
    ("25 Tons", f"'25 Tons' has the unit 'Tons', which has {TONS}; accepted: {MASS}"),
    ("25 T", f"'25 T' has the unit 'T', which is not 't': {APART}; accepted: {MASS}"),
    ("25 l", f"'25 l' is a volume, not a mass; accepted: {MASS}"),
    ("12 bags", f"'12 bags' has the unit 'bags', which is not known; accepted: {MASS}"),
    ("5 M", f"'5 M' has the unit 'M', which is not known ({APART}); accepted: {MASS}"),
    ("5²", f"'5²' has the unit '²', which is not known; accepted: {MASS}"),
]

REFUSED_OTHERS = [
    ("300 K", "temperature", f"'300 K' has the unit 'K', which is not known ({APART}); accepted: °C, °F"),
    ("20 c", "temperature", f"'20 c' has the unit 'c', which is not 'C': {APART}; accepted: °C, °F"),
    ("-273.16", "temperature", f"'-273.16' {COLD}"),
    ("-460 °F", "temperature", f"'-460 °F' {COLD}"),
    ("30 m", "time", "'30 m' is a length, not a time; accepted: s, min, h, d"),
    ("1 h 20 min", "time", "'1 h 20 min' has the unit 'h 20 min', which is not known; accepted: s, min, h, d"),
    (-1.0, "time", "-1.0 is negative, which no time can be; accepted: 0 or more"),
    (-1.0, "volume", "-1.0 is negative, which no volume can be; accepted: 0 or more"),
    (-1.0, "liquid_volume", "-1.0 is negative, which no volume can be; accepted: 0 or more"),
    (-1.0, "density", "-1.0 is negative, which no density can be; accepted: 0 or more"),
    (-1.0, "mass_flow", "-1.0 is negative, which no mass flow can be; accepted: 0 or more"),
    (-1.0, "length", "-1.0 is negative, which no length can be; accepted: 0 or more"),
    (-1.0, "energy", "-1.0 is negative, which no energy can be; accepted: 0 or more"),
    ("5 gal", "liquid_volume", f"'5 gal' has the unit 'gal', which has {GALS}; accepted: {LITRES}"),
    ("5 Gallons", "volume", f"'5 Gallons' has the unit 'Gallons', which has {GALS}; accepted: {LITRES}"),
    ("12 oz", "liquid_volume", f"'12 oz' is a mass, not a volume; accepted: {LITRES}"),
    ("5 kWh", "percent", "'5 kWh' is an energy, not a percentage; accepted: %"),
    ("9 kg", "energy", "'9 kg' is a mass, not an energy; accepted: kWh, MJ"),
    ("5 mj", "energy", f"'5 mj' has the unit 'mj', which is not 'MJ': {APART}; accepted: kWh, MJ"),
    ("2 tons/h", "mass_flow", f"'2 tons/h' has the unit 'tons/h', which has {TONS}; "
     "accepted: kg/min, kg/h, t/h, lb/min"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "message"), REFUSED_MASSES, ids=range(len(REFUSED_MASSES)))
def test_refused_masses_say_why(value: object, message: str) -> None:
    """Each mass that is refused names the field, the value, the reason and what is accepted."""
    for read in (lambda: parse(value, "mass", field="mass"), lambda: mass_mg(value, field="mass")):
        with pytest.raises(FieldError) as caught:
            read()
        assert str(caught.value) == f"mass: {message}"
        assert caught.value.field == "mass"
        assert caught.value.accepted
        assert caught.value.reason in message


@pytest.mark.parametrize(("value", "quantity", "message"), REFUSED_OTHERS)
def test_refused_values_of_other_quantities_say_why(value: object, quantity: str, message: str) -> None:
    """Wrong units, wrong signs and temperatures that do not exist are refused with the reason."""
    with pytest.raises(FieldError) as caught:
        parse(value, quantity, field="x")
    assert str(caught.value) == f"x: {message}"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: number("24.6", field="x", decimal=","),
         "x: '24.6' has '.', but the decimal mark here is ','; thousands separators are not read; "
         "accepted: a number written like 24,6"),
        (lambda: number("1.234,5", field="x", decimal=","),
         "x: '1.234,5' has '.', but the decimal mark here is ','; thousands separators are not read; "
         "accepted: a number written like 24,6"),
        (lambda: number("24,6", field="x"), f"x: '24,6' {COMMA}{LIKE}"),
        (lambda: number("5 kg", field="x"),
         f"x: '5 kg' has 'kg' after the number; only a number is read here; accepted: {LIKE}"),
        (lambda: number("5", field="x", decimal=";"), "decimal: ';' is not a decimal mark; accepted: '.' or ','"),
        (lambda: parse(5, "mass", field="x", unit="ton"), f"x: 'ton' has the unit 'ton', which has {TONS}; "
         f"accepted: {MASS}"),
        (lambda: parse(5, "mass", field="x", to="l"), f"x: 'l' is a volume, not a mass; accepted: {MASS}"),
        (lambda: parse(5, "weight", field="x"), f"quantity: 'weight' is not known; accepted: {', '.join(QUANTITIES)}"),
        (lambda: mass_mg("9000000.000001 t", field="x"),
         "x: '9000000.000001 t' is more than any shop can hold; accepted: at most 9 000 000 t"),
        (lambda: show(math.nan, "mass"), "mass: nan cannot be shown; accepted: a finite number up to 1e30"),
        (lambda: show(1e40, "mass"), "mass: 1e+40 cannot be shown; accepted: a finite number up to 1e30"),
        (lambda: show("5", "mass"),  # type: ignore[arg-type]
         "mass: '5' is of type str, not a number; accepted: a finite number"),
        (lambda: show(5, "mass", system="si"), "system: 'si' is not known; accepted: metric, us"),
        (lambda: show(5, "mass", digits=-1), "digits: -1 cannot be shown; accepted: 0 to 15"),
        (lambda: show(5, "weight"), f"quantity: 'weight' is not known; accepted: {', '.join(QUANTITIES)}"),
    ],
)  # fmt: skip
def test_other_refusals_say_why(call: Callable[[], object], message: str) -> None:
    """Refusals that come from the decimal mark, the stated unit or the way of showing say so in full."""
    with pytest.raises(FieldError) as caught:
        call()
    assert str(caught.value) == message
