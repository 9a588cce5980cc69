"""What is quick for the usual content gives what the general way gives: checks, canonical text, numbers, times."""

from __future__ import annotations

import copy
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sandtrack import units
from sandtrack.errors import FieldError
from sandtrack.records import Forms, canonical, times

FORMS = Forms(ZoneInfo("Europe/Stockholm"))
MIX: dict[str, Any] = {
    "at": "2025-03-01 07:45",
    "mixer": "m1",
    "binder_system": "furan",
    "moulds": ["101", "m-102"],
    "shares": [1, 2.5],
    "sand_temp_c": 18.5,
    "streams": [{"place": "silo", "mass_kg": 240.2}, {"place": "tank", "material": "resin", "mass_kg": 0}],
}
NOTABLE = (
    "0E+3", "-0", "0E-50", "1.50", "12E+2", "1E+14", "1E+15", "1E-15", "9E-16", "1E+400", "1E-400", "-1E-400",
    "1E+999999", "1E-999999", "0.0001", "0.00009", "99999999.9999995", "2.0000025", "0.0000005",
    "12345678901234567890.5", "1." + 39 * "0", "1." + 40 * "0", "NaN", "-NaN7", "sNaN", "Infinity", "-Infinity",
)  # fmt: skip
WILD = st.one_of(
    st.decimals(),
    st.builds(
        lambda sign, digits, exponent: Decimal((sign, digits, exponent)),
        st.integers(0, 1),
        st.lists(st.integers(0, 9), min_size=1, max_size=42).map(tuple),
        st.integers(-45, 20),
    ),
    st.integers(0, 10**12).map(lambda thousandths: Decimal(thousandths).scaleb(-3)),
    st.sampled_from(NOTABLE).map(Decimal),
)
ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 500),
    st.floats(width=32),
    st.decimals(-10, 10**6, places=2),
    WILD,
    st.sampled_from(["", "furan", "Furan", "a;b", "12 °C", "25 t", "2025-03-01T07:45Z", [], ["1", "1"], {}, "x" * 61]),
)


class Sent(dict[str, Any]):
    """A mapping that is not quite a dict, so that no quick way is taken."""


class Word(str):
    """A text that is not quite a str."""


class Exact(Decimal):
    """A number that is not quite a Decimal."""


def slow(value: Any, *, leaves: bool = False) -> Any:
    """The same content made of `Sent`; its leaves too are of kinds for which there is no quick way."""
    if isinstance(value, dict):
        return Sent({name: slow(inner, leaves=leaves) for name, inner in value.items()})
    if isinstance(value, list):
        return [slow(inner, leaves=leaves) for inner in value]
    kind = {str: Word, Decimal: Exact}.get(type(value)) if leaves else None
    return value if kind is None else kind(value)


def verdict(content: Any) -> tuple[Any, list[str]]:
    values, problems = FORMS.check("mix", content)
    return (None if problems else values), [str(problem) for problem in problems]


@settings(max_examples=500, deadline=None)
@given(st.data())
def test_a_check_is_the_same_whatever_kind_of_mapping_it_came_in(data: st.DataObject):
    """Same values, or the same messages in the same order."""
    content = copy.deepcopy(MIX)
    for target in (content, *content["streams"]):
        names = [*target, "note", "colour", "mass_t", "sand_temp_f", "destination", "lot"]
        for name in data.draw(st.lists(st.sampled_from(names), max_size=2)):
            target[name] = data.draw(ODD)
        if data.draw(st.booleans()):
            target.pop(data.draw(st.sampled_from(sorted(target))), None)
    told = verdict(content)
    for leaves in (False, True):
        as_sent = verdict(slow(content, leaves=leaves))
        assert repr(told) == repr(as_sent).replace("Sent", "dict")


LEAVES = st.one_of(
    st.text(),
    st.integers(-(10**20), 10**20),
    st.floats(),
    st.floats(0, 1e4).map(lambda value: round(value, 3)),
    st.integers(-1000, 1000).map(float),
    st.sampled_from([0.0, -0.0, 1e15, 1e16, 1e-4, 1e-5, 5e-324, "null", ".0,", "1e5", 2**63, 2**64, "\x7f\u2028\x00"]),
    st.booleans(),
    st.none(),
    WILD,
)
TREES = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3), max_leaves=9
)


def text_of(content: Any) -> str:
    try:
        return canonical(content)
    except FieldError as problem:
        return f"refused: {problem}"


@settings(max_examples=1000, deadline=None)
@given(st.dictionaries(st.text(), TREES, max_size=5))
def test_canonical_text_is_the_same_whatever_kind_of_mapping_it_came_in(content: dict[str, Any]):
    """Letter by letter, refusals too."""
    assert text_of(content) == text_of(slow(content))


@settings(max_examples=400, deadline=None)
@given(st.lists(WILD, min_size=1, max_size=3))
@example([Decimal("1E+15")])
@example([Decimal("-0.0")])
def test_canonical_text_of_decimals_is_the_same_by_either_way(numbers: list[Decimal]):
    """Letter by letter, refusals too, alone and beside others."""
    content = {"mass_kg": numbers[0], "others": numbers[1:]}
    assert text_of(content) == text_of(slow(content))


def outcome(value: Any) -> Any:
    try:
        return units.mass_mg(value, field="mass_kg")
    except FieldError as problem:
        return problem.reason


@settings(max_examples=1000)
@given(
    st.one_of(st.floats(), st.floats(0, 1e9), st.integers(-5, 10**16), st.integers(0, 10**12).map(lambda mg: mg / 1e6))
)
@example(0.0000005)
@example(2.0000025)
@example(99999999.9999995)
@example(1e-16)
@example(-0.0)
@example(9_000_000_001)
def test_a_mass_is_the_same_as_a_number_and_as_exact_decimal(value: float):
    """A float counts as what it prints, to the milligram, half to even."""
    exact = Decimal(repr(value))
    assert outcome(value) == outcome(exact)


@pytest.mark.parametrize("quantity", ["temperature", "time", "percent", "density"])
@given(value=st.floats())
def test_a_number_in_its_own_unit_is_the_same_as_float_and_as_exact_decimal(quantity: str, value: float):
    """Whatever is refused of the one is refused of the other."""

    def read(number: Any) -> Any:
        try:
            return units.parse(number, quantity, field="x")
        except FieldError as problem:
            return problem.reason

    assert read(value) == read(Decimal(repr(value)))


@settings(max_examples=400)
@given(WILD)
def test_a_decimal_is_read_alike_by_either_way(value: Decimal):
    """As a mass to the milligram, as a temperature and as a time to the last bit of the float; refusals too."""

    def read(number: Decimal) -> list[str]:
        told: list[str] = []
        for way in (
            lambda: units.mass_mg(number, field="x"),
            lambda: units.parse(number, "temperature", field="x"),
            lambda: units.parse(number, "time", field="x", unit="min"),
        ):
            try:
                told.append(repr(way()))
            except FieldError as problem:
                told.append(str(problem))
        return told

    assert read(value) == read(Exact(value))


CHANGES = {
    "Europe/Stockholm": ["2025-03-30 02:00", "2025-10-26 02:00", "1980-04-06 00:00"],
    "Australia/Lord_Howe": ["2025-10-05 02:00", "2025-04-06 02:00"],
    "America/St_Johns": ["2006-04-02 00:01", "2006-10-29 00:01"],
    "Pacific/Apia": ["2011-12-30 00:00", "2011-12-31 00:00"],
    "Africa/Monrovia": ["1972-01-07 00:00"],
    "UTC": ["1970-01-01 00:00", "2199-12-31 23:59"],
}
PLACES_IN_TIME = [
    (ZoneInfo(name), datetime.fromisoformat(change)) for name, changes in CHANGES.items() for change in changes
]


@settings(max_examples=600, deadline=None)
@given(
    st.sampled_from(PLACES_IN_TIME),
    st.one_of(st.integers(-8000, 8000), st.integers(-(10**8), 10**8)),
    st.sampled_from(["%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%dt%H:%M:%S", " %Y-%m-%d %H:%M:%S", "%Y-%m-%d"]),
    st.sampled_from(
        ["", "", "", "Z", "z", "+01:00", "-03:30", "+0100", ".5", ".250000+01:00", " ", "\n", ":00", "+24:00"]
    ),
    st.one_of(st.none(), st.tuples(st.integers(0, 24), st.sampled_from("0269:- TZ+٣"))),
)
def test_a_time_is_read_alike_by_either_way(
    place: tuple[ZoneInfo, datetime], moved_s: int, form: str, end: str, slip: tuple[int, str] | None
):
    """Also around changes of the clock, with slips of the pen, and where the time does not exist or exists twice."""
    zone, change = place
    text = f"{change + timedelta(seconds=moved_s):{form}}{end}"
    if slip:
        at, sign = slip
        text = text[:at] + sign + text[at + 1 :]

    def read(raw: str) -> Any:
        try:
            return times.instant(raw, zone, whole_day="end")
        except ValueError as problem:
            return str(problem)

    assert read(text) == read(Word(text))
