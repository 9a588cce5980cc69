"""Reading numbers with units, refusing what has two meanings, and showing them again."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from collections.abc import Callable
from decimal import Decimal, localcontext
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.units import QUANTITIES, SUFFIXES, mass_mg, number, parse, show, show_mass_mg

POUND_KG = Decimal("0.45359237")  # exact by definition (1959 agreement; NIST SP 811 note 22). Tag: source


@pytest.fixture(scope="module", autouse=True)
def pint_is_loaded() -> None:
    """Keep the one import of pint out of the tests that watch the time."""
    parse("1 t", "mass", field="x")


# --- reading -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "quantity", "expected"),
    # metric multiples and clock units are definitions; customary units are checked in tests/outside
    [
        ("25 t", "mass", 25000.0), ("25t", "mass", 25000.0), ("25 TONNES", "mass", 25000.0),
        ("25 Kg", "mass", 25.0), ("  7.5\u00a0kg ", "mass", 7.5), ("500 g", "mass", 0.5), (12, "mass", 12.0),
        ("1 metric  ton", "mass", 1000.0), ("2.5e3 kg", "mass", 2500.0), (".5", "mass", 0.5),
        ("+5", "mass", 5.0), (Decimal("24.60"), "mass", 24.6), (np.int64(3), "mass", 3.0),
        (np.float64(0.1), "mass", 0.1), ("-5 °C", "temperature", -5.0), ("−5", "temperature", -5.0),
        ("23 C", "temperature", 23.0), ("23 degc", "temperature", 23.0), ("50 °F", "temperature", 10.0),
        ("9 °F", "temperature_difference", 5.0), ("-3 °C", "temperature_difference", -3.0),
        ("1.5 h", "time", 90.0), ("30 s", "time", 0.5), ("2 Days", "time", 2880.0), ("80 min", "time", 80.0),
        ("85%", "percent", 85.0), (-2.0, "percent", -2.0), ("1250 l", "volume", 1.25), ("2 m³", "volume", 2.0),
        ("0.5 m3", "liquid_volume", 500.0), ("250 mL", "liquid_volume", 0.25),
        ("1.2 kg/l", "density", 1200.0), ("1.2 g/cm³", "density", 1200.0), ("1.6 kg / L", "density", 1600.0),
        ("6 t/h", "mass_flow", 100.0), ("60 kg/h", "mass_flow", 1.0), ("250 cm", "length", 2.5),
        ("40 mm", "length", 0.04), ("36 MJ", "energy", 10.0), ("5 kwh", "energy", 5.0),
    ],
)  # fmt: skip
def test_values_arrive_in_the_canonical_unit(value: object, quantity: str, expected: float) -> None:
    """A number with a unit comes out as a float in the canonical unit of its quantity."""
    result = parse(value, quantity, field="x")
    assert result == expected
    assert type(result) is float


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [(1.5, "h", "h", 1.5), ("90 min", "h", "h", 1.5), ("80", "min", None, 80.0), (45, "s", None, 0.75),
     (2, "h", "s", 7200.0), (0.1, "s", "s", 0.1), (1, "hours", "min", 60.0)],
)  # fmt: skip
def test_a_bare_number_is_read_in_the_stated_unit(value: object, unit: str, to: str | None, expected: float) -> None:
    """`unit` says what a bare number is in and `to` what comes out, so a field may keep hours or seconds."""
    assert parse(value, "time", field="x", unit=unit, to=to) == expected


def test_a_written_unit_wins_over_the_stated_one() -> None:
    """A unit in the text counts, whatever unit bare numbers of that field have."""
    assert parse("500 kg", "mass", field="x", unit="t") == 500.0
    assert mass_mg("500 kg", field="x", unit="t") == 500_000_000


def test_every_suffix_is_a_unit_of_its_quantity() -> None:
    """Each column suffix can be handed to `parse` with its quantity, and is or names a unit of it."""
    for suffix, (quantity, unit) in SUFFIXES.items():
        assert unit in QUANTITIES[quantity].spellings.values()
        by_suffix = parse(7, quantity, field="x", unit=suffix)
        assert by_suffix == parse(7, quantity, field="x", unit=unit)
    assert SUFFIXES["short_ton"] == ("mass", "short_ton")
    assert SUFFIXES["c"] == ("temperature", "degC")
    assert SUFFIXES["kg_m3"] == ("density", "kg/m3")


def test_every_spelling_is_read() -> None:
    """Each spelling in the list is accepted after a number, and the list cannot be changed."""
    for quantity, known in QUANTITIES.items():
        assert known.canonical in known.spellings.values()
        for spelling in known.spellings:
            assert parse(f"1 {spelling}", quantity, field="x") > -18  # 1 °F is the lowest
        with pytest.raises(TypeError):
            known.spellings["x"] = "kg"  # type: ignore[index]


def test_decimal_comma() -> None:
    """With a decimal comma, 24,6 is 24.6, also before a unit; numbers that are not text do not care."""
    assert number("24,6", field="x", decimal=",") == Decimal("24.6")
    assert parse("24,6 t", "mass", field="x", decimal=",") == 24600.0
    assert mass_mg("0,5", field="x", decimal=",") == 500_000
    assert number(24.6, field="x", decimal=",") == Decimal("24.6")


def test_zero_has_no_sign() -> None:
    """Minus zero is zero, as a number, a text and after conversion."""
    for zero in (-0.0, "-0", "−0.0 kg", Decimal("-0"), "-0 t"):
        assert math.copysign(1, parse(zero, "mass", field="x")) == 1.0
        assert mass_mg(zero, field="x") == 0
    assert math.copysign(1, parse("32 °F", "temperature", field="x")) == 1.0


@pytest.mark.parametrize(
    ("value", "unit", "mg"),
    [
        (0.1, "kg", 100_000), (24.6, "t", 24_600_000_000), ("24.6 t", "kg", 24_600_000_000),
        ("0.0000005", "kg", 0), ("0.0000015", "kg", 2), ("0.0000025", "kg", 2), (9_000_000, "t", 9 * 10**15),
        (0, "kg", 0), ("1", "short_ton", 907_184_740), (1.1, "g", 1100), (4_503_599_627.370497, "kg",
         4_503_599_627_370_497),
    ],
)  # fmt: skip
def test_masses_become_whole_milligrams(value: object, unit: str, mg: int) -> None:
    """Masses are exact integers, floats count as what they print, and halves go to the even milligram."""
    assert mass_mg(value, field="x", unit=unit) == mg


def test_the_decimal_context_of_the_caller_does_not_matter() -> None:
    """A caller who computes with three digits gets the same milligrams."""
    with localcontext() as context:
        context.prec = 3
        assert mass_mg("24.635127 t", field="x") == 24_635_127_000
        assert show_mass_mg(24_635_127_001, digits=9) == "24.635127001 t"


# --- showing -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "quantity", "metric", "us"),
    # customary columns by hand: kg / 0.45359237, lb / 2000, °C * 1.8 + 32, m / 0.3048, l / 3.785411784,
    # m3 / 0.3048**3, kg/m3 / 16.018463. Tag: derived
    [
        (0, "mass", "0 kg", "0 lb"), (0.25, "mass", "0.25 kg", "0.551 lb"), (640.0, "mass", "640 kg", "1411 lb"),
        (999.9, "mass", "999.9 kg", "1.102 short tons"), (999.96, "mass", "1 t", "1.102 short tons"),
        (24635.0, "mass", "24.64 t", "27.16 short tons"), (907.18474, "mass", "907.2 kg", "1 short ton"),
        (125340, "mass", "125.3 t", "138.2 short tons"), (-0.0001, "mass", "0 kg", "0 lb"),
        (18.25, "temperature", "18.2 °C", "64.8 °F"), (-0.04, "temperature", "0 °C", "31.9 °F"),
        (1500.0, "temperature", "1500 °C", "2732 °F"), (5, "temperature_difference", "5 °C", "9 °F"),
        (80.0, "time", "80 min", "80 min"), (2.5, "time", "2.5 min", "2.5 min"), (179.4, "time", "179 min", "179 min"),
        (179.6, "time", "3 h", "3 h"), (200.0, "time", "3 h 20 min", "3 h 20 min"),
        (1.05, "percent", "1.05 %", "1.05 %"), (85.0, "percent", "85 %", "85 %"), (2.0, "volume", "2 m³", "70.63 ft³"),
        (1000.0, "liquid_volume", "1000 l", "264.2 US gal"), (1602.4, "density", "1602 kg/m³", "100 lb/ft³"),
        (100.0, "mass_flow", "100 kg/min", "220.5 lb/min"), (3.4567, "length", "3.457 m", "11.34 ft"),
        (12.5, "energy", "12.5 kWh", "12.5 kWh"),
    ],
)  # fmt: skip
def test_values_are_shown_with_sensible_digits(value: float, quantity: str, metric: str, us: str) -> None:
    """People read a few digits in the unit they are used to, rounded half to even, and never minus zero."""
    assert show(value, quantity) == metric
    assert show(value, quantity, system="us") == us


def test_stated_digits_are_kept() -> None:
    """With `digits` that many decimals are shown, zeros included, and a time stays in minutes."""
    assert show(2.5, "mass", digits=0) == "2 kg"
    assert show(3.5, "mass", digits=0) == "4 kg"
    assert show(Decimal("24600"), "mass", digits=3) == "24.600 t"
    assert show(np.float64(18.0), "temperature", digits=1) == "18.0 °C"
    assert show(-0.04, "temperature", digits=1) == "0.0 °C"
    assert show(200, "time", digits=1) == "200.0 min"
    assert show(-200, "time") == "-3 h 20 min"


def test_milligrams_are_shown_from_the_integer() -> None:
    """A mass in milligrams is divided exactly, also where a float would lose the last digit."""
    assert show_mass_mg(24_600_000_000) == "24.6 t"
    assert show_mass_mg(9 * 10**15 - 1, digits=9) == "8999999.999999999 t"
    assert show_mass_mg(-1_500_000) == "-1.5 kg"
    assert show_mass_mg(907_184_740, system="us") == "1 short ton"


# --- properties ----------------------------------------------------------------------------------------------

MILLIGRAMS = st.integers(0, 9 * 10**15)
MARKS = st.sampled_from([".", ","])
NUMBERISH = st.text("0123456789.,eE+-−_ '*/^()xnaif\u00a0٣²kgtlbCF%°mshM", max_size=45)


@given(MILLIGRAMS, MARKS)
def test_milligrams_survive_kg_tonnes_and_pounds(mg: int, mark: str) -> None:
    """A mass written in kg, t, g or lb with enough decimals is read back as the same milligrams."""
    written = [
        (Decimal(mg).scaleb(-6), "kg"), (Decimal(mg).scaleb(-9), "t"), (Decimal(mg).scaleb(-3), "g"),
        (round(Decimal(mg).scaleb(-6) / POUND_KG, 10), "lb"),
    ]  # fmt: skip
    for amount, unit in written:
        text = f"{amount:f}".replace(".", mark)
        assert mass_mg(f"{text} {unit}", field="x", decimal=mark) == mg
        assert mass_mg(amount, field="x", unit=unit) == mg


@given(MILLIGRAMS)
def test_shown_milligrams_can_be_read_again(mg: int) -> None:
    """What `show_mass_mg` writes with all its digits is the same mass when read."""
    assert mass_mg(show_mass_mg(mg, digits=9), field="x") == mg


@given(st.floats(-459.67, 1e6).filter(lambda x: x == 0 or abs(x) > 1e-15))
def test_conversion_is_rounded_once(amount: float) -> None:
    """A converted value is the float nearest to the exact one, by fractions."""
    exact = Fraction(repr(amount))
    assert parse(amount, "temperature", field="x", unit="f") == float((exact - 32) * 5 / 9)
    if amount >= 0:
        assert parse(amount, "mass", field="x", unit="lb") == float(exact * Fraction(POUND_KG))
        assert parse(amount, "time", field="x", unit="s") == float(exact / 60)


def read_or_refused(read: Callable[[], float]) -> bool:
    """Say whether a reader gives a finite number or a FieldError that explains itself."""
    try:
        return math.isfinite(read())
    except FieldError as error:
        return bool(error.reason and error.accepted)


@given(st.text() | NUMBERISH, st.sampled_from(sorted(QUANTITIES)), MARKS)
def test_any_text_is_read_or_refused(text: str, quantity: str, mark: str) -> None:
    """Arbitrary text gives a finite float or a FieldError, nothing else, and in no time."""
    started = time.perf_counter()
    assert read_or_refused(lambda: parse(text, quantity, field="x", decimal=mark))
    assert read_or_refused(lambda: mass_mg(text, field="x", decimal=mark))
    assert read_or_refused(lambda: number(text, field="x", decimal=mark))
    assert time.perf_counter() - started < 1.0


@given(st.none() | st.booleans() | st.integers() | st.floats() | st.decimals() | st.binary() | st.lists(st.none()))
def test_any_value_is_read_or_refused(value: object) -> None:
    """Values of any type give a number or a FieldError, nothing else."""
    assert read_or_refused(lambda: parse(value, "percent", field="x"))
    assert read_or_refused(lambda: mass_mg(value, field="x"))
    assert read_or_refused(lambda: number(value, field="x"))


# --- time ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["9**9**6", "9" * 10**6, " " * 10**6, "1" + " " * 10**6 + "x", "1e" + "9" * 10**6, "1." * 10**5, "-" * 10**5],
    ids=lambda text: text[:8],
)
def test_hostile_texts_take_no_time(text: str) -> None:
    """Texts made to keep a parser busy are refused within a tenth of a second and quoted in short."""
    started = time.perf_counter()
    with pytest.raises(FieldError) as caught:
        parse(text, "mass", field="x")
    assert time.perf_counter() - started < 0.1
    assert len(str(caught.value)) < 300


def test_plain_numbers_do_not_wait_for_pint() -> None:
    """pint is imported by the first unit that needs a factor, not by plain numbers in canonical units."""
    program = """
import sys
from sandtrack.units import mass_mg, number, parse, show
mass_mg(24600.5, field="x"); mass_mg("24600.5 kg", field="x"); parse("18.4", "temperature", field="x")
parse(1.5, "time", field="x", unit="h", to="h"); show(24600.0, "mass"); number("5", field="x")
assert "pint" not in sys.modules
assert parse("25 t", "mass", field="x") == 25000.0
assert "pint" in sys.modules
"""
    subprocess.run([sys.executable, "-W", "error", "-c", program], check=True)


def test_plain_numbers_are_quick() -> None:
    """A plain number takes microseconds; the limit is wide because machines differ."""
    best = math.inf
    for _ in range(5):
        started = time.perf_counter()
        for _ in range(2000):
            mass_mg(24600.5, field="x")
            parse("18.4", "temperature", field="x")
        best = min(best, (time.perf_counter() - started) / 4000)
    assert best < 20e-6


def test_threads_may_meet_a_unit_together() -> None:
    """Threads that all meet a new unit first get the same factor and one registry."""
    program = """
import threading
from sandtrack import _unit_list
from sandtrack.units import mass_mg
gate, seen = threading.Barrier(8), []
def read():
    gate.wait(); seen.append(mass_mg("1 short ton", field="x"))
threads = [threading.Thread(target=read) for _ in range(8)]
for thread in threads: thread.start()
for thread in threads: thread.join()
assert seen == [907_184_740] * 8, seen
assert len(_unit_list._REGISTRY) == 1
"""
    subprocess.run([sys.executable, "-W", "error", "-c", program], check=True)
