"""Mould numbers that may be several are asked back of people; what a device sends has happened and is flagged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sandtrack.errors import InputErrors
from sandtrack.ledger import Ledger
from sandtrack.ledger.around import number_of
from sandtrack.records.mould_numbers import complaints, numbers_of


def require_clear(ledger: Ledger, kind: str, content: Mapping[str, Any], *, sender: Any, record_id: Any) -> None:
    """Raise InputErrors for a mould number that may be several, unless the record is there already.

    What is wrong with the content otherwise is left to whoever records it.
    """
    if isinstance(content, Mapping) and ("mould" in content or "moulds" in content) and kind != "plant":
        values, problems = ledger.forms.check(kind, content)
        if not problems:
            require_clear_values(ledger, kind, values, sender=sender, record_id=record_id)


def require_clear_values(ledger: Ledger, kind: str, values: Mapping[str, Any], *, sender: Any, record_id: Any) -> None:
    """The same for values that were checked."""
    if not any(numbers_of(values)):
        return
    setups = ledger.setups()
    unclear = complaints(values, setups.on(values["at"]).plant.shop.mould_numbers)
    if unclear and not _is_there(ledger, sender, record_id):
        raise InputErrors(unclear, what=kind)


def _is_there(ledger: Ledger, sender: Any, record_id: Any) -> bool:
    if not isinstance(sender, str) or not isinstance(record_id, str):
        return False
    with ledger.reader() as reader:
        return number_of(reader, sender, record_id) is not None
