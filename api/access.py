"""Who may do what: one table from role to permissions. What is not in it is refused."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sandtrack.errors import SandtrackError
from sandtrack.records import KINDS

ASKS = (
    "stock",
    "cover",
    "moulds",
    "setting",
    "table",
    "tables",
    "stopped",
    "learned",
    "attention",
    "brief",
    "records",
    "rates",
    "balance",
    "calibration",
    "audit",
    "head",
)
RECORDS = (*KINDS, "plant")
ISSUE = "issue:table"
"""To give out a table that the shop works out, under the next number; `record:table_issued` is to record any."""

_FLOOR_ASKS = (
    "stock",
    "cover",
    "moulds",
    "setting",
    "table",
    "tables",
    "stopped",
    "learned",
    "attention",
    "brief",
    "records",
)
_MOULDING = ("mix", "pour", "knock_out", "mould_scrap", "castings", "strip_check", "temperature", "hold", "reversal")
_SAND_PLANT = ("delivery", "transfer", "reclaim_run", "disposal", "count", "level", "calibration")
_LABORATORY = ("sand_test", "strip_check", "temperature", "calibration", "exposure", "hold", "release", "reversal")


def _permissions(asks: tuple[str, ...], records: tuple[str, ...]) -> frozenset[str]:
    return frozenset([*(f"ask:{name}" for name in asks), *(f"record:{kind}" for kind in records)])


ROLES: Mapping[str, frozenset[str]] = {
    "device": _permissions(("setting", "table", "stopped"), ("mix", "temperature", "reversal")),
    "operator": _permissions(ASKS, (*_MOULDING, *_SAND_PLANT)) | {ISSUE},
    "moulder": _permissions(_FLOOR_ASKS, _MOULDING),
    "laboratory": _permissions(ASKS, _LABORATORY) | {ISSUE},
    "manager": _permissions(ASKS, RECORDS) | {ISSUE},
    "administrator": _permissions(ASKS, RECORDS) | {ISSUE},
}
"""Role → permissions: `ask:QUESTION`, `record:KIND`, `issue:table`.

A device is bound to its own mixer and sender besides.
"""

ANYTHING = "anything"
"""What any token may do: needs a token and no permission by itself."""

_OF_ANY_MIXER = frozenset(
    f"record:{name}"
    for name, kind in KINDS.items()
    if "mixer" in kind._declared_fields and not kind._declared_fields["mixer"].required
)
"""Records that may leave their mixer out, and then count for each."""

_VERBS = {"ask": "ask for", "issue": "give out a"}


class Forbidden(SandtrackError):
    """A token that may not do this."""

    code = "forbidden"

    def __init__(self, message: str, permission: str) -> None:
        super().__init__(message)
        self.permission = permission


def require(role: str, permission: str) -> None:
    """Raise Forbidden, naming the roles that may, unless the role has the permission."""
    if permission == ANYTHING or permission in ROLES.get(role, ()):
        return
    may = [name for name, has in ROLES.items() if permission in has]
    verb, _, of = permission.partition(":")
    what = f"{_VERBS.get(verb, verb)} {of}".strip()
    raise Forbidden(f"a token of role {role} may not {what}; it needs one of: {', '.join(may) or 'none'}", permission)


def require_own(token: Any, permission: str, content: Mapping[str, Any], sender: Any = None) -> None:
    """Raise Forbidden where a token that is bound to a mixer speaks of another, or as another sender."""
    if not token.mixer:
        return
    of = content.get("of")
    told = [
        ("mixer", content.get("mixer"), token.mixer),
        ("sender", sender, token.name),
        ("of.sender", of.get("sender") if isinstance(of, Mapping) else None, token.name),
    ]
    bound = f"this token is bound to mixer {token.mixer} and sender {token.name}"
    for field, said, own in told:
        if said is not None and said != own:
            raise Forbidden(f"{bound}: {field} is another", permission)
    if permission in _OF_ANY_MIXER and content.get("mixer") is None:
        raise Forbidden(f"{bound}: without mixer this counts for every one; say mixer {token.mixer}", permission)
