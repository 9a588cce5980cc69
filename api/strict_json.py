"""JSON as the ledger needs it: numbers exact, no NaN, no name twice; and written without NaN."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from sandtrack.errors import SandtrackError


class BadJSON(SandtrackError):
    """What was sent is not JSON, or not JSON that can be kept exactly."""

    code = "bad_json"


def read(raw: bytes) -> Any:
    """Read one JSON text in UTF-8; raise BadJSON."""
    try:
        return _decode(raw.decode())
    except UnicodeDecodeError as problem:
        raise BadJSON(f"the text is not UTF-8 (byte {problem.start})") from None
    except json.JSONDecodeError as problem:
        raise BadJSON(f"the text is not JSON: {problem.msg} at line {problem.lineno}, column {problem.colno}") from None
    except RecursionError:
        raise BadJSON("the text is nested too deeply") from None
    except (ValueError, ArithmeticError):  # thousands of digits, or an exponent of dozens
        raise BadJSON("the text holds a number of too many digits") from None


def write(content: Any) -> bytes:
    """Write JSON in UTF-8; refuse NaN."""
    return _encode(content).encode()


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise BadJSON(f"the name {twice!a} is there twice in one object; each name once")
    return found


def _constant(name: str) -> Any:
    raise BadJSON(f"{name} is not a number")


_decode = json.JSONDecoder(object_pairs_hook=_pairs, parse_float=Decimal, parse_constant=_constant).decode
# Only ASCII goes out, the rest as escapes: a half of a character that a message quotes cannot break the encoding.
_encode = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode
