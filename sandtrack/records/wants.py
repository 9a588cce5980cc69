"""What a column takes, for tables whose cells are more than text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sandtrack.records import fields as f
from sandtrack.records import flat
from sandtrack.records.composite import Items, Values


class Want(NamedTuple):
    """What a column takes: a number, time, name, flag, value (of any name) or text; of a number, in which unit."""

    sort: str
    accepted: str = "a text"
    quantity: str = ""
    unit: str = ""


def wants(kind: str, header: Sequence[str]) -> list[Want]:
    """What each column takes, and last what a cell beside them may be."""
    return [*(_want(kind, label.strip()) for label in header), Want("text")]


def _want(kind: str, label: str) -> Want:
    slot = None if label in ("id", "sender") else flat.slot_of(kind, label)
    if slot is None:
        return Want("name" if label in ("id", "sender") else "text", f.Name.accepted)
    field = slot.field.item if isinstance(slot.field, Items) else slot.field
    accepted = flat.accepted_by(field)
    if isinstance(field, Values):
        return Want("value", "a number, true, false or a short text")
    if field.numeric and slot.unit != "measure":
        unit = "" if slot.unit == "amount" else str(slot.unit or getattr(field, "unit", ""))
        return Want("number", accepted, getattr(field, "quantity", ""), unit)
    sorts = {f.Instant: "time", f.Day: "time", f.Flag: "flag"}
    sort = next((sorts[base] for base in type(field).__mro__ if base in sorts), "")
    plain_text = isinstance(field, f.Text) and not isinstance(field, f.Name)
    return Want(sort or ("text" if plain_text else "name"), accepted)
