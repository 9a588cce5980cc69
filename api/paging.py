"""An answer's flags, so many at a time and the most urgent first: thousands at once are read by nobody."""

from __future__ import annotations

import dataclasses
from typing import Any

from sandtrack.shop import Answer, Flag
from sandtrack.shop.watch.attention import URGENCY

MOST_FLAGS = 200
MORE = {
    "type": "object",
    "description": "there only where flags are left out: how many come after these, and the `flags_from` to go on with",
    "properties": {"left_out": {"type": "integer", "minimum": 1}, "next": {"type": "integer", "minimum": 1}},
    "required": ["left_out", "next"],
    "additionalProperties": False,
}
_RANK = {code: position for position, code in enumerate(URGENCY)}


def page(answer: Answer, first: int = 0) -> dict[str, Any]:
    """An answer ready for JSON with its flags from the `first` on; with `flags_more` where that leaves some out."""
    flags = answer.flags
    if not first and len(flags) <= MOST_FLAGS:
        return answer.as_dict()
    ranked = sorted(flags, key=_urgency) if len(flags) > MOST_FLAGS else list(flags)
    shown = ranked[first : first + MOST_FLAGS]
    content = dataclasses.replace(answer, flags=tuple(shown)).as_dict()
    after = first + len(shown)
    if len(flags) > after:
        content["flags_more"] = {"left_out": len(flags) - after, "next": after}
    return content


def _urgency(flag: Flag) -> int:
    """Place in the order of the attention list; what is not on that list comes after what is."""
    return _RANK.get(flag.code, len(_RANK))
