"""Content as sent, in one form: keys sorted, numbers normalised, text unchanged."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sandtrack.errors import FieldError

_encode = json.JSONEncoder(
    sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"), check_circular=False
).encode


def canonical(content: Any) -> str:
    """Return content as canonical JSON text; raise FieldError for what JSON cannot hold exactly."""
    text = _encode(canonical_numbers(content))
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


def canonical_numbers(value: Any, field: str = "") -> Any:
    """Return the same content with every number in its one form; empty (None) entries are left out."""
    kind = type(value)
    if kind is str:
        return value
    if kind is bool or kind is int:
        return value
    if kind is Decimal:
        return _decimal(value, field)
    if kind is float:
        if not math.isfinite(value):
            raise FieldError(field=field or "value", value=value, reason="is not a number", accepted="a number")
        return int(value) if value.is_integer() and abs(value) < 1e15 else value
    if isinstance(value, Mapping):
        return {
            name if type(name) is str else _not_text(name, field): canonical_numbers(
                entry, f"{field}.{name}" if field else str(name)
            )
            for name, entry in value.items()
            if entry is not None
        }
    if isinstance(value, list | tuple):
        return [canonical_numbers(entry, field) for entry in value]
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, str):
        return str(value)
    if hasattr(value, "item"):  # a NumPy number
        return canonical_numbers(value.item(), field)
    raise FieldError(field=field or "value", value=value, reason=f"is a {kind.__name__}, which JSON cannot hold")


def _not_text(name: Any, field: str) -> str:
    raise FieldError(field=field or "content", value=name, reason="is not text, as names of fields must be")


def _decimal(value: Decimal, field: str) -> int | float:
    if not value.is_finite():
        raise FieldError(field=field or "value", value=str(value), reason="is not a number", accepted="a number")
    if value == value.to_integral_value() and abs(value) < Decimal(10) ** 15:
        return int(value)
    near = float(value)
    if not math.isfinite(near) or Decimal(repr(near)) != value:
        raise FieldError(
            field=field or "value",
            value=str(value),
            reason="has more digits than can be kept",
            accepted="at most 15 significant digits",
        )
    return near


def content_hash(text: str) -> str:
    """SHA-256 of canonical text, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()
