"""The chain of records: each hash is made of the hash before it and of all that a row holds.

A row says by its version how its hash was made, so that a file made by an earlier sandtrack keeps its hashes, and the
heads that were printed of it.
"""

from __future__ import annotations

import re
import sqlite3
from hashlib import sha256
from typing import Any, NamedTuple

import orjson

from sandtrack.errors import FieldError, InputErrors

GENESIS = b"\0" * 32
FIRST, VERSION = 1, 2
"""How hashes were made at first, and how they are made of new records."""

SENT = "seq, kind, sender, id, at, own_at, offset_us, recorded, recorded_day, revision, content"
"""Columns that every version hashes, in this order."""
BROUGHT = "token, marks, own_id, version"
"""Columns that version 2 hashes too, after those. Rows of version 1 hold nothing there."""
NOTHING_BROUGHT = (None, None, None, FIRST)


def chained(before: bytes, sent: tuple[Any, ...], brought: tuple[Any, ...] = NOTHING_BROUGHT) -> bytes:
    """Hash of a record's row chained to the hash of the record before; `sent` and `brought` as the columns above."""
    row = sent if brought[-1] == FIRST else sent + brought
    return sha256(before + orjson.dumps(row)).digest()


def hash_at(connection: sqlite3.Connection, record: int) -> str | None:
    """Hash of a record as printed; None where there is none."""
    row = connection.execute("SELECT hash FROM record WHERE seq = ?", (record,)).fetchone()
    return row[0].hex() if row else None


class Head(NamedTuple):
    """The end of the chain: printed with a report, it fixes all that came before."""

    records: int
    digest: str
    """Of a printed head it may be the beginning alone."""


LEAST_DIGITS = 8
MOST_RECORDS = 2**63 - 1
"""What SQLite numbers records up to."""
_PRINTED = re.compile(
    rf"([0-9][0-9.,]*)\s*(?:records?)?[\s,:;]+(?:head of the chain\s+)?([0-9a-f]{{{LEAST_DIGITS},64}})"
)


def printed_head(text: str) -> Head:
    """A head as it was printed: "5,123 records, 3f9a…", at least eight digits of the hash; raises InputErrors."""
    match = _PRINTED.fullmatch(text.strip().lower().removesuffix("…"))
    records = int(re.sub(r"[.,]", "", match[1])[:20]) if match else 0
    if match is None or not 0 < records <= MOST_RECORDS:
        problem = FieldError(
            field="head",
            value=text,
            reason="is no head of the chain",
            accepted=f'"302 records, c44a73233dd6b388", with {LEAST_DIGITS} digits or more',
        )
        raise InputErrors([problem], what="the question")
    return Head(records, match[2])
