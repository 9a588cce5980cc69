"""One thing of the set-up changed: the next whole revision is made from the one in force, as a JSON Merge Patch says.

A merge patch (RFC 7396) is a part of the set-up with the new values; a value of None takes out what it names.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from sandtrack.errors import FieldError, InputErrors, SetupChanged
from sandtrack.ledger import Accepted, Entry, Ledger
from sandtrack.ledger.brought import Brought
from sandtrack.records import times

TRIES = 5
"""How often a change is made anew where others changed the set-up at the same moment."""


def merged(whole: Any, patch: Any) -> Any:
    """What a merge patch makes of a value (RFC 7396, section 2)."""
    if not isinstance(patch, Mapping):
        return patch
    result = dict(whole) if isinstance(whole, Mapping) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merged(result.get(name), value)
    return result


def change(
    ledger: Ledger, patch: Mapping[str, Any], *, valid_from: date | None, sender: str, record_id: str | None,
    brought: Brought | None,
) -> tuple[Entry, Accepted]:  # fmt: skip
    """Record the next revision of the set-up: the one in force from a day on, with a patch. Raises InputErrors."""
    if not isinstance(patch, Mapping) or not patch:
        problem = FieldError(field="change", value=patch, reason="changes nothing", accepted="a part of the set-up")
        raise InputErrors([problem], what="the change")
    day = valid_from or date.fromisoformat(times.day_of(ledger.clock(), ledger.zone))
    dated = merged(patch, {"shop": {"valid_from": day.isoformat()}})
    for _ in range(TRIES):
        revision = ledger.setups().on(times.day_start(day, ledger.zone)).revision
        with ledger.reader() as reader:
            content = reader.content(revision)
        entry = ledger.entry("plant", merged(content, dated), sender=sender, record_id=record_id, brought=brought)
        try:
            return entry, ledger.append_revision(entry, after=revision)
        except SetupChanged:
            continue
    raise SetupChanged("the set-up was changed by others again and again; try once more")
