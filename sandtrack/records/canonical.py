"""Content as sent, in one form: names sorted, numbers normalised, text unchanged."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Context, Decimal, InvalidOperation, Overflow, Rounded, Subnormal
from json.encoder import encode_basestring as quoted
from typing import Any

import orjson

from sandtrack.errors import FieldError

_BEYOND_WHOLE = 10**15
"""Whole numbers of this size and more are written as they came."""


class _Unwritable(Exception):
    """Something that JSON cannot hold exactly; `path` are the names it lies under, the innermost first."""

    def __init__(self, value: Any, reason: str, accepted: str = "", *, what: str = "value") -> None:
        super().__init__(reason)
        self.value, self.reason, self.accepted, self.what = value, reason, accepted, what
        self.path: list[str] = []


def canonical(content: Any) -> str:
    """Return content as canonical JSON text; raise FieldError for what JSON cannot hold exactly.

    Empty (None) entries are left out. A number has one form, whether it came as 300, 300.0 or Decimal("3E+2").
    """
    try:
        text = (_written_alike(content) if type(content) is dict else None) or _written(content)
    except _Unwritable as fault:
        field = ".".join(reversed(fault.path)) or fault.what
        raise FieldError(field=field, value=fault.value, reason=fault.reason, accepted=fault.accepted) from None
    if not text.isascii():
        try:
            text.encode()
        except UnicodeEncodeError as problem:
            raise FieldError(
                field="content",
                value=ascii(problem.object[problem.start : problem.end]),
                reason="is half of a character, which no text can hold",
                accepted="whole characters",
            ) from None
    return text


_EXPONENT = re.compile("e(?<=[0-9]e)").search  # an `e` is found faster than one of ten digits
_AS_JSON = (
    orjson.OPT_SORT_KEYS
    | orjson.OPT_PASSTHROUGH_DATETIME
    | orjson.OPT_PASSTHROUGH_DATACLASS
    | orjson.OPT_PASSTHROUGH_SUBCLASS
)
# A Decimal of so few digits and of usual size is what its nearest float prints, without an exponent.
_PLAIN = Context(prec=15, Emin=-4, Emax=14, traps=[InvalidOperation, Overflow, Rounded, Subnormal])


def _written_alike(content: dict[Any, Any]) -> str | None:
    """What `_written` gives, in a third of the time; None where the two may differ or `_written` refuses."""
    try:
        text = orjson.dumps(content, _plain_number, _AS_JSON).decode()
    except TypeError:
        return None
    whole_with_point = ".0," in text or ".0}" in text or ".0]" in text
    return None if whole_with_point or "null" in text or "0.0000" in text or _EXPONENT(text) else text


def _plain_number(value: Any) -> float:
    """A plain Decimal as the number that is written alike; raise for everything else that is no JSON."""
    if type(value) is not Decimal:
        raise TypeError
    near = float(_PLAIN.plus(value))
    return int(near) if near.is_integer() else near


def _written(value: Any) -> str:
    kind = type(value)
    if kind is str:
        return quoted(value)
    if kind is float:
        if value.is_integer() and -_BEYOND_WHOLE < value < _BEYOND_WHOLE:
            return str(int(value))
        if not math.isfinite(value):
            raise _Unwritable(value, "is not a number", "a number")
        return repr(value)
    if kind is dict:
        return _object(value)
    if kind is list:
        return f"[{','.join([_written(entry) for entry in value])}]"
    if kind is Decimal:
        return _decimal(value)
    if kind is int:
        return str(value)
    return _other(value)


def _object(content: Mapping[Any, Any]) -> str:
    names = list(content)
    for name in names:
        if type(name) is not str:
            raise _Unwritable(name, "is not text, as names of fields must be", what="content")
    names.sort()
    entries: list[str] = []
    for name in names:
        value = content[name]
        if value is None:
            continue
        try:
            entries.append(f"{quoted(name)}:{_written(value)}")
        except _Unwritable as fault:
            fault.path.append(name)
            raise
    return f"{{{','.join(entries)}}}"


def _decimal(value: Decimal) -> str:
    if not value.is_finite():
        raise _Unwritable(str(value), "is not a number", "a number")
    if value == value.to_integral_value() and abs(value) < _BEYOND_WHOLE:
        return str(int(value))
    near = float(value)
    if not math.isfinite(near) or Decimal(repr(near)) != value:
        raise _Unwritable(str(value), "has more digits than can be kept", "at most 15 significant digits")
    return repr(near)


def _other(value: Any) -> str:
    """What comes less often, or from Python alone."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return _object(value)
    if isinstance(value, list | tuple):
        return f"[{','.join([_written(entry) for entry in value])}]"
    if isinstance(value, datetime | date):
        return quoted(value.isoformat())
    if isinstance(value, str):
        return quoted(str.__str__(value))
    if isinstance(value, int):
        return int.__repr__(value)
    if hasattr(value, "item"):  # a NumPy number
        return _written(value.item())
    raise _Unwritable(value, f"is a {type(value).__name__}, which JSON cannot hold")


def content_hash(text: str) -> str:
    """SHA-256 of canonical text, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()
