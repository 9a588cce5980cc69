"""The chain of records: each hash is made of the hash before it and of all that a row holds.

A row says by its version how its hash was made, so that a file made by an earlier sandtrack keeps its hashes, and the
heads that were printed of it.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Any

import orjson

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
