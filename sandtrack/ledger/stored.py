"""Records read back from the shop file: each as its hash says, and none left out because it no longer parses."""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal
from hashlib import sha256
from typing import Any

import orjson

from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger.faults import Unreadable
from sandtrack.records import Forms

GENESIS = b"\0" * 32

HASHED = "seq, kind, sender, id, at, own_at, offset_us, recorded, recorded_day, revision, content"
"""Columns of a record that its hash is made of."""


def chained(before: bytes, row: tuple[Any, ...]) -> bytes:
    """Hash of a record's row (seq … content) chained to the hash of the record before."""
    return sha256(before + orjson.dumps(row)).digest()


def with_hashes(alias: str) -> str:
    """Columns of a record with its hash and that of the record before, which `intact` goes by."""
    columns = ", ".join(f"{alias}.{name}" for name in HASHED.split(", "))
    return f"{columns}, {alias}.hash, (SELECT hash FROM record WHERE seq = {alias}.seq - 1)"


def intact(row: tuple[Any, ...]) -> None:
    """Raise Unreadable unless a record (`with_hashes`) is the one that its hash was made of."""
    *hashed, digest, before = row
    try:
        if chained(before or GENESIS, tuple(hashed)) == digest:
            return
    except orjson.JSONEncodeError:  # no text any more
        pass
    raise Unreadable(f"record {row[0]} is not as it was recorded")


def content(text: str, seq: int, *, exact: bool = False) -> Any:
    """A record's content as sent; numbers as Decimal if `exact`. Raises Unreadable."""
    try:
        return json.loads(text, parse_float=Decimal) if exact else orjson.loads(text)
    except (ValueError, RecursionError) as problem:
        raise Unreadable(f"the content of record {seq} cannot be read: {problem}") from problem


def values(forms: Forms, kind: str, text: str, seq: int, *, exact: bool = False) -> Mapping[str, Any]:
    """A record's content as checked; raises Unreadable where a field no longer passes its check."""
    try:
        return forms.require(kind, content(text, seq, exact=exact))
    except (FieldError, InputErrors) as problem:
        raise Unreadable(f"the content of record {seq} cannot be read: {problem}") from problem
