"""What is quick for the usual content gives what the general way gives: checks, canonical text, plain numbers."""

from __future__ import annotations

import copy
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sandtrack import units
from sandtrack.errors import FieldError
from sandtrack.records import Forms, canonical

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
ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 500),
    st.floats(width=32),
    st.decimals(-10, 10**6, places=2),
    st.sampled_from(["", "furan", "Furan", "a;b", "12 °C", "25 t", "2025-03-01T07:45Z", [], ["1", "1"], {}, "x" * 61]),
)


class Sent(dict[str, Any]):
    """A mapping that is not quite a dict, so that no quick way is taken."""


def slow(value: Any) -> Any:
    """The same content made of `Sent`."""
    if isinstance(value, dict):
        return Sent({name: slow(inner) for name, inner in value.items()})
    return [slow(inner) for inner in value] if isinstance(value, list) else value


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
    told, as_sent = verdict(content), verdict(slow(content))
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
    st.decimals(),
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
