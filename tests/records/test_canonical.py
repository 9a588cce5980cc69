"""Content as sent has one form: the same whatever the order, the zeros and the way a number was written."""

from __future__ import annotations

import json
import math
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.records import canonical

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
NUMBERS = st.one_of(
    st.integers(-(10**17), 10**17),
    st.floats(allow_nan=False, allow_infinity=False),
    st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-(10**6), max_value=10**6),
)
INNER = st.recursive(
    st.one_of(TEXTS, NUMBERS, st.booleans()),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(TEXTS, st.one_of(inner, st.none()), max_size=3)
    ),
    max_leaves=8,
)
CONTENTS = st.dictionaries(TEXTS, st.one_of(INNER, st.none()), max_size=5)


def read(text: str) -> Any:
    """Read as the ledger and the service read: numbers exactly."""
    return json.loads(text, parse_float=Decimal)


@given(content=CONTENTS)
def test_the_canonical_form_is_its_own(content: dict[str, Any]):
    """Read back and written again it is the same text, and it is the same content."""
    text = canonical(content)
    assert canonical(read(text)) == text
    assert same(read(text), content)


def same(one: Any, other: Any) -> bool:
    """Equal, where empty entries count as left out; numbers by value, booleans never as numbers."""
    if isinstance(one, dict) and isinstance(other, dict):
        full = {name: value for name, value in other.items() if value is not None}
        return one.keys() == full.keys() and all(same(one[name], full[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(other, float):  # a float counts as what it prints
        return not isinstance(one, str) and Decimal(one) == Decimal(repr(other))
    return bool(one == other)


@given(content=CONTENTS, order=st.randoms())
def test_order_and_empty_entries_do_not_matter(content: dict[str, Any], order: Any):
    """Names in any order, and entries that hold nothing, make no difference."""
    names = list(content)
    order.shuffle(names)
    shuffled = {name: content[name] for name in names}
    assert canonical({**shuffled, "left out": None}) == canonical({**shuffled}) == canonical(content)


@given(number=st.decimals(allow_nan=False, allow_infinity=False, places=6, min_value=-(10**8), max_value=10**8))
def test_a_number_has_one_form_however_it_is_written(number: Decimal):
    """Decimal with more zeros, with an exponent, float and JSON text of the number all give the same text."""
    forms = [number, number.normalize(), number * Decimal("1.000"), float(number), read(f"[{number}]")[0]]
    if number == number.to_integral_value():
        forms.append(int(number))
    assert len({canonical({"mass_kg": form}) for form in forms}) == 1


@given(one=CONTENTS, other=CONTENTS)
def test_different_contents_have_different_forms(one: dict[str, Any], other: dict[str, Any]):
    """Equal texts mean equal contents: a conflict is never taken for a repeat."""
    if canonical(one) == canonical(other):
        assert same(read(canonical(one)), other)


@pytest.mark.parametrize(
    ("content", "text"),
    [
        ({"b": 1, "a": 2}, '{"a":2,"b":1}'),
        ({"mass_kg": 25.0}, '{"mass_kg":25}'),
        ({"mass_kg": Decimal("2.50E+1")}, '{"mass_kg":25}'),
        ({"mass_kg": Decimal("0.10")}, '{"mass_kg":0.1}'),
        ({"mass_kg": -0.0}, '{"mass_kg":0}'),
        ({"mass_kg": 1e-7}, '{"mass_kg":1e-07}'),
        ({"mass_kg": "25 t"}, '{"mass_kg":"25 t"}'),
        ({"mass_kg": "25.0"}, '{"mass_kg":"25.0"}'),
        ({"empty": True, "note": None}, '{"empty":true}'),
        ({"note": "Öse, „zu“\n"}, '{"note":"Öse, „zu“\\n"}'),
        ({"moulds": ("1", "2")}, '{"moulds":["1","2"]}'),
    ],
)
def test_the_form_itself(content: dict[str, Any], text: str):
    """Names sorted, no blanks, numbers short, text unchanged."""
    assert canonical(content) == text


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ({"mass_kg": math.nan}, "mass_kg: nan is not a number; accepted: a number"),
        ({"mass_kg": Decimal("Infinity")}, "mass_kg: 'Infinity' is not a number; accepted: a number"),
        (
            {"mass_kg": Decimal("0.1234567890123456789")},
            "mass_kg: '0.1234567890123456789' has more digits than can be kept; "
            "accepted: at most 15 significant digits",
        ),
        ({"a": {"b": {1, 2}}}, "a.b: {1, 2} is a set, which JSON cannot hold"),
        ({1: "x"}, "content: 1 is not text, as names of fields must be"),
        ({"note": "half \ud83d"}, "content: \"'\\\\ud83d'\" is half of a character, which no text can hold"),
    ],
)
def test_what_json_cannot_hold_exactly_is_refused(content: Any, message: str):
    """Not a number, too many digits, not data, names that are no text, half a character."""
    with pytest.raises(FieldError) as caught:
        canonical(content)
    assert str(caught.value).startswith(message)
