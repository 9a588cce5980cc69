"""Content of records read back from the shop file: what can no longer be read is damage, and never left out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import orjson

from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger.faults import Unreadable
from sandtrack.plant import Plant
from sandtrack.records import Forms


def content(text: str, seq: int, *, exact: bool = False) -> Any:
    """A record's content as sent; numbers as Decimal if `exact`. Raises Unreadable."""
    try:
        return json.loads(text, parse_float=Decimal) if exact else orjson.loads(text)
    except (ValueError, TypeError, RecursionError) as problem:
        raise Unreadable(f"the content of record {seq} cannot be read: {problem}") from problem


def values(forms: Forms, kind: str, text: str, seq: int, *, exact: bool = False) -> Mapping[str, Any]:
    """A record's content as checked; raises Unreadable where a field no longer passes its check."""
    try:
        return forms.require(kind, content(text, seq, exact=exact))
    except (FieldError, InputErrors) as problem:
        raise Unreadable(f"record {seq}: {problem}") from problem


def plant(text: str, seq: int) -> Plant:
    """The set-up that a record says; raises Unreadable."""
    try:
        return Plant.read(content(text, seq, exact=True), stored=True)
    except (FieldError, InputErrors) as problem:
        raise Unreadable(f"record {seq}: {problem}") from problem
