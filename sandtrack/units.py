"""A number gets its meaning here: "25 t" comes in, 25000.0 kg goes out, what has two meanings is refused.

A text is one number and one unit out of a fixed list. It is matched, never evaluated: `9**9**6` is just not
a number. pint supplies the factors and is imported when the first unit needs one; plain numbers in their
canonical unit never wait for it.
"""

from __future__ import annotations

import math
import numbers
import re
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Any

from sandtrack._plain_numbers import MOST_DIGITS, MOST_MG, plain_mass_mg, plain_number
from sandtrack._unit_list import ANY_CASE, ARGUMENTS, QUANTITIES, SUFFIXES, Quantity, factor
from sandtrack.errors import FieldError

__all__ = [
    "QUANTITIES",
    "SUFFIXES",
    "Quantity",
    "mass_mg",
    "number",
    "parse",
    "plain_mass_mg",
    "plain_number",
    "show",
    "show_mass_mg",
    "spelled",
]

_ABSOLUTE_ZERO_C = -273.15
_SIGNED = frozenset({"temperature", "temperature_difference", "percent"})

_MAX_TEXT = MOST_DIGITS
_MAX_EXPONENT = 15
_BEYOND = f"is not between 1e-{_MAX_EXPONENT} and 1e{_MAX_EXPONENT} in size"
_MG_PER_KG = Decimal(1_000_000)
# Wide enough that 40 digits times any factor stay exact, whatever context the caller has set.
_EXACT = Context(prec=120, rounding=ROUND_HALF_EVEN)

_SIGN = r"[+\-−]"
_NUMBER_THEN_REST = {
    mark: re.compile(
        rf"({_SIGN}?(?:[0-9]+(?:{point}[0-9]+)?|{point}[0-9]+)(?:[eE]{_SIGN}?[0-9]{{1,2}}(?![0-9]))?)\s*(.*)",
        re.DOTALL,
    ).fullmatch
    for mark, point in ((".", r"\."), (",", ","))
}
_NOT_A_UNIT = re.compile(rf"[0-9.,'’_*^/+\-−(:=]|[eE]{_SIGN}?[0-9]").match
_NOT_DECIMAL = re.compile(rf"{_SIGN}?0[xXoObB][0-9a-fA-F]").match
_FAULTS = [
    (re.compile(rf"{_SIGN}?(?:nan|inf|infinity)\b", re.IGNORECASE).match, "is not a finite number"),
    (_NOT_DECIMAL, "is not written in decimal digits"),
    (re.compile(r"[0-9]_").search, "has an underscore among its digits"),
    (re.compile(rf"=|\(|.*[0-9)]\s*(?:[*^/(]|{_SIGN})").match, "is a calculation or a range, not one number"),
    (re.compile(rf"[0-9][eE]{_SIGN}?[0-9]{{3}}").search, _BEYOND),
    (
        re.compile(r"[0-9](?:\s+|['’])[0-9]{3}(?![0-9])").search,
        "has a thousands separator, which is not read; write the digits together",
    ),
    (re.compile(r"[0-9][.,](?![0-9])").search, "has a decimal mark with no digit after it"),
    (re.compile(r"[0-9]\s+[0-9]").search, "has more than one number"),
]


def number(value: Any, *, field: str, decimal: str = ".") -> Decimal:
    """Return the one plain number that `value` is; floats count as what they print. [-]

    Text is read with the stated `decimal` mark, "." or ",", and nothing in it is guessed or evaluated.
    Anything else is a `FieldError` that names `field`.

    >>> number("24,6", field="mass", decimal=",")
    Decimal('24.6')
    """
    if isinstance(value, str):
        amount, rest = _split(value, field, decimal, None)
        if rest:
            reason = f"has {rest!r} after the number; only a number is read here"
            raise _refused(field, value, reason, _number_like(decimal))
        return amount
    return _amount(value, field, decimal, None)


def parse(
    value: Any,
    quantity: str,
    *,
    field: str,
    unit: str | None = None,
    decimal: str = ".",
    to: str | None = None,
) -> float:
    """Return `value` in the canonical unit of `quantity`, or in the unit `to`. [unit of the quantity]

    A number without a unit is read in `unit`. `unit` and `to` are the suffix of a column or a spelling;
    both are the canonical unit unless stated. The result is the float nearest to the exact one. What cannot
    be (a mass below nothing, a temperature below absolute zero), another quantity's unit and a unit with two
    meanings are a `FieldError`.

    >>> parse("25 t", "mass", field="fed")
    25000.0
    >>> parse("90 min", "time", field="run_h", unit="h", to="h")
    1.5
    """
    known = _quantity(quantity)
    home = known.canonical
    if to is None and (unit is None or unit == home) and (plain := plain_number(value)) is not None:
        return plain
    amount, key = _amount_and_unit(value, quantity, field, unit or home, decimal)
    if amount < 0 and quantity not in _SIGNED:
        raise _refused(field, value, f"is negative, which no {known.name} can be", "0 or more")
    target = home if to is None else _argument(to, quantity, field)
    if quantity == "temperature":
        canonical = _converted(amount, quantity, key, home)
        if float(canonical) < _ABSOLUTE_ZERO_C:
            raise _refused(field, value, "is below absolute zero", "-273.15 °C (-459.67 °F) or more")
    return float(_converted(amount, quantity, key, target))


def mass_mg(value: Any, *, field: str, unit: str = "kg", decimal: str = ".") -> int:
    """Return a mass as a whole number of milligrams, rounded half to even. [mg]

    At most 9e15 mg, nine million tonnes, so that sums stay within 64 bits; otherwise a `FieldError`.

    >>> mass_mg(0.1, field="mass_kg"), mass_mg("2 short tons", field="mass_kg")
    (100000, 1814369480)
    """
    if unit == "kg" and (plain := plain_mass_mg(value)) is not None:
        return plain
    amount, key = _amount_and_unit(value, "mass", field, unit, decimal)
    if amount < 0:
        raise _refused(field, value, "is negative, which no mass can be", "0 or more")
    mass_kg = _converted(amount, "mass", key, "kg")
    mg = int(_EXACT.to_integral_value(_EXACT.multiply(mass_kg, _MG_PER_KG)))
    if mg > MOST_MG:
        raise _refused(field, value, "is more than any shop can hold", "at most 9 000 000 t")
    return mg


def _converted(amount: Decimal, quantity: str, unit: str, target: str) -> Decimal:
    if unit == target:
        return amount
    scale, zero = factor(quantity, unit)
    target_scale, target_zero = factor(quantity, target)
    canonical = _EXACT.multiply(_EXACT.subtract(amount, zero), scale)
    return _EXACT.add(_EXACT.divide(canonical, target_scale), target_zero)


def _amount_and_unit(value: Any, quantity: str, field: str, unit: str, decimal: str) -> tuple[Decimal, str]:
    if isinstance(value, str):
        amount, written = _split(value, field, decimal, quantity)
        if written:
            return amount, _spelled(written, quantity, field, value)
    else:
        amount = _amount(value, field, decimal, quantity)
    return amount, _argument(unit, quantity, field)


def _amount(value: Any, field: str, decimal: str, quantity: str | None) -> Decimal:
    """Read a number that is not text."""
    if isinstance(value, float):
        if math.isfinite(value):
            # A float counts as what it prints: 0.1 is one tenth. A subclass may print itself otherwise.
            return _within_reason(Decimal(float.__repr__(value)), value, field, decimal, quantity)
        reason = "is not a finite number"
    elif isinstance(value, Decimal):
        if value.is_finite():
            return _within_reason(value, value, field, decimal, quantity)
        reason = "is not a finite number"
    elif isinstance(value, int | numbers.Integral) and not isinstance(value, bool):
        whole = int(value)
        if abs(whole) < 10**_MAX_EXPONENT:
            return Decimal(whole)
        reason = _BEYOND
    else:
        reason = "is missing" if value is None else f"is of type {type(value).__name__}, not a number"
    raise _refused(field, value, reason, _number_like(decimal, quantity))


def _split(text: str, field: str, decimal: str, quantity: str | None) -> tuple[Decimal, str]:
    """Take a text apart into its number and whatever follows it (perhaps a unit, perhaps nothing)."""
    matcher = _NUMBER_THEN_REST.get(decimal)
    if matcher is None:
        raise _refused("decimal", decimal, "is not a decimal mark", "'.' or ','")
    stripped = text.strip()
    if len(stripped) > _MAX_TEXT:
        reason = f"has {len(stripped)} characters, more than the {_MAX_TEXT} that are read"
        raise _refused(field, text, reason, _number_like(decimal, quantity))
    match = matcher(stripped)
    if match is None:
        raise _refused(field, text, _fault(stripped, decimal), _number_like(decimal, quantity))
    digits, rest = match.groups()
    if rest and (_NOT_A_UNIT(rest) or _NOT_DECIMAL(stripped) or _has_foreign_digits(rest)):
        raise _refused(field, text, _fault(stripped, decimal), _number_like(decimal, quantity))
    if decimal == ",":
        digits = digits.replace(",", ".")
    if not digits.isascii():
        digits = digits.replace("−", "-")
    return _within_reason(Decimal(digits), text, field, decimal, quantity), rest


def _within_reason(amount: Decimal, value: Any, field: str, decimal: str, quantity: str | None) -> Decimal:
    if not amount:
        return Decimal(0)
    size = amount.adjusted()
    if not -_MAX_EXPONENT <= size < _MAX_EXPONENT:
        raise _refused(field, value, _BEYOND, _number_like(decimal, quantity))
    if isinstance(value, Decimal) and len(value.as_tuple().digits) > _MAX_TEXT:
        raise _refused(field, value, f"has more than {_MAX_TEXT} digits", _number_like(decimal, quantity))
    return amount


def _fault(text: str, decimal: str) -> str:
    """Say why a text does not start with, or is not, one plain number."""
    if not text:
        return "is empty"
    if _has_foreign_digits(text):
        return "has digits other than 0 to 9"
    for found, reason in _FAULTS:
        if found(text):
            return reason
    other = "," if decimal == "." else "."
    if re.search(rf"[{other}][0-9]", text):
        return f"has {other!r}, but the decimal mark here is {decimal!r}; thousands separators are not read"
    if text.count(decimal) > 1:
        return f"has more than one {decimal!r}; thousands separators are not read"
    return "is not a number"


def _has_foreign_digits(text: str) -> bool:
    return not text.isascii() and any(sign.isdecimal() and not sign.isascii() for sign in text)


def _quantity(quantity: str) -> Quantity:
    known = QUANTITIES.get(quantity)
    if known is None:
        raise _refused("quantity", quantity, "is not known", ", ".join(QUANTITIES))
    return known


def spelled(text: str, quantity: str) -> str:
    """The unit that a text spells, "" if it spells none of this quantity.

    >>> spelled("tonnes", "mass"), spelled("min", "mass")
    ('t', '')
    """
    known = QUANTITIES.get(quantity)
    return (known.spellings.get(text) or ANY_CASE[quantity].get(text.casefold(), "")) if known else ""


def _argument(unit: str, quantity: str, field: str) -> str:
    """Find the unit that the caller stated: a suffix, a unit's key or a spelling."""
    return ARGUMENTS[quantity].get(unit) or _spelled(unit, quantity, field, unit)


def _spelled(unit: str, quantity: str, field: str, value: Any) -> str:
    """Find the unit that a person wrote, or say what is wrong with it."""
    known = QUANTITIES[quantity]
    found = known.spellings.get(unit)
    if found:
        return found
    tidy = re.sub(r"\s*/\s*", "/", " ".join(unit.split()))
    found = known.spellings.get(tidy) or ANY_CASE[quantity].get(tidy.casefold())
    if found:
        return found
    raise _refused(field, value, _unit_fault(tidy, quantity), known.accepted)


def _unit_fault(unit: str, quantity: str) -> str:
    folded = unit.casefold()
    for key, other in QUANTITIES.items():
        if key != quantity and (unit in other.spellings or folded in ANY_CASE[key]):
            noun, wanted = other.name, QUANTITIES[quantity].name
            return f"is {_article(noun)} {noun}, not {_article(wanted)} {wanted}"
    if re.match(r"tons?\b", folded):
        return (
            f"has the unit {unit!r}, which has three meanings: tonne (1000 kg), "
            "short ton (907.18474 kg), long ton (1016.0469088 kg)"
        )
    if re.match(r"gal(?:lon)?s?\b", folded):
        return f"has the unit {unit!r}, which has two meanings: us gal (3.785411784 l), imp gal (4.54609 l)"
    for text in QUANTITIES[quantity].spellings:
        if text.casefold() == folded:
            return f"has the unit {unit!r}, which is not {text!r}: capital and small letters differ in symbols"
    hint = " (capital and small letters differ in symbols)" if unit != folded else ""
    return f"has the unit {unit!r}, which is not known{hint}"


def _article(noun: str) -> str:
    return "an" if noun[0] in "aeiou" else "a"


def _number_like(decimal: str, quantity: str | None = None) -> str:
    plain = f"a number written like 24{decimal}6"
    return plain if quantity is None else f"{plain}, alone or with {_quantity(quantity).accepted}"


def _refused(field: str, value: Any, reason: str, accepted: str) -> FieldError:
    return FieldError(field=field, value=_bounded(value), reason=reason, accepted=accepted)


def _bounded(value: Any) -> Any:
    """Keep what a message can show in no time: a text of megabytes or an integer of 9**9**6 cannot be."""
    if value is None or isinstance(value, bool | float):
        return value
    if isinstance(value, str):
        return str(value) if len(value) <= 2 * _MAX_TEXT else value[: 2 * _MAX_TEXT] + "…"
    if isinstance(value, int | numbers.Integral):
        bits = int(value).bit_length()
        return int(value) if bits < 200 else f"an integer of {bits} bits"
    if isinstance(value, Decimal):
        return value if len(value.as_tuple().digits) <= 2 * _MAX_TEXT else _bounded(str(value))
    return f"<{type(value).__name__}>"


# quantity: (unit shown in metric, unit shown in us)
_SHOWN = {
    "mass": ("kg", "lb"), "temperature": ("degC", "degF"), "temperature_difference": ("degC", "degF"),
    "time": ("min", "min"), "percent": ("%", "%"), "volume": ("m3", "ft3"), "liquid_volume": ("l", "us_gal"),
    "density": ("kg/m3", "lb/ft3"), "mass_flow": ("kg/min", "lb/min"), "length": ("m", "ft"),
    "energy": ("kWh", "kWh"),
}  # fmt: skip
_SYSTEMS = {"metric": 0, "us": 1}
_LARGER = {"kg": (Decimal(1000), "t"), "lb": (Decimal(2000), "short_ton")}
_LABELS = {
    "degC": "°C", "degF": "°F", "m3": "m³", "ft3": "ft³", "us_gal": "US gal", "short_ton": "short tons",
    "kg/m3": "kg/m³", "lb/ft3": "lb/ft³",
}  # fmt: skip
# unit: (significant digits, most decimals) where the caller states no digits
_SENSIBLE = {"degC": (4, 1), "degF": (4, 1), "min": (2, 1), "%": (3, 2)}
_HOURS_FROM_MIN = 180
_MAX_SHOWN_EXPONENT = 30


def show(value: float | Decimal, quantity: str, *, system: str = "metric", digits: int | None = None) -> str:
    """Write a value in the canonical unit for people to read, in "metric" or "us" units.

    `digits` is the number of decimals; without it there are as many as make sense, without trailing zeros,
    and from 180 minutes on a time is shown in hours and minutes.

    >>> show(24600.0, "mass"), show(24600.0, "mass", system="us"), show(200, "time")
    ('24.6 t', '27.12 short tons', '3 h 20 min')
    """
    if isinstance(value, bool) or not isinstance(value, float | int | Decimal | numbers.Integral):
        raise _refused(quantity, value, f"is of type {type(value).__name__}, not a number", "a finite number")
    exact = Decimal(float.__repr__(value)) if isinstance(value, float) else Decimal(value)
    if not exact.is_finite() or exact.adjusted() > _MAX_SHOWN_EXPONENT:
        raise _refused(quantity, value, "cannot be shown", f"a finite number up to 1e{_MAX_SHOWN_EXPONENT}")
    return _shown(exact, quantity, system, digits)


def show_mass_mg(mg: int, *, system: str = "metric", digits: int | None = None) -> str:
    """Write a mass held as whole milligrams for people to read, rounded once and only here."""
    return _shown(_EXACT.divide(Decimal(mg), _MG_PER_KG), "mass", system, digits)


def _shown(amount: Decimal, quantity: str, system: str, digits: int | None) -> str:
    known = _quantity(quantity)
    if system not in _SYSTEMS:
        raise _refused("system", system, "is not known", "metric, us")
    if digits is not None and not 0 <= digits <= _MAX_EXPONENT:
        raise _refused("digits", digits, "cannot be shown", f"0 to {_MAX_EXPONENT}")
    unit = _SHOWN[quantity][_SYSTEMS[system]]
    amount = _converted(amount, quantity, known.canonical, unit)
    rounded = _rounded(amount, unit, digits)
    if unit == "min" and digits is None and rounded.copy_abs() >= _HOURS_FROM_MIN:
        hours, minutes = divmod(int(rounded.copy_abs()), 60)
        return ("-" if rounded < 0 else "") + f"{hours} h" + (f" {minutes} min" if minutes else "")
    size, larger = _LARGER.get(unit, (None, ""))
    if size and rounded.copy_abs() >= size:
        unit = larger
        rounded = _rounded(_EXACT.divide(amount, size), unit, digits)
    text = f"{rounded if rounded else rounded.copy_abs():f}"
    if digits is None and "." in text:
        text = text.rstrip("0").rstrip(".")
    label = "short ton" if (unit, text) == ("short_ton", "1") else _LABELS.get(unit, unit)
    return f"{text} {label}"


def _rounded(amount: Decimal, unit: str, digits: int | None) -> Decimal:
    if digits is None:
        significant, most = _SENSIBLE.get(unit, (4, 3))
        digits = min(most, max(0, significant - 1 - amount.adjusted()))
    return amount.quantize(Decimal(1).scaleb(-digits), context=_EXACT)
