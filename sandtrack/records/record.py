"""What all kinds of record have, and rules that several of them share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sandtrack.errors import FieldError
from sandtrack.records import fields as f
from sandtrack.records.schema import Declared


def one_of(values: Mapping[str, Any], names: tuple[str, ...], *, none_too: bool = False) -> Sequence[FieldError]:
    """Complain unless exactly one of the fields is there (or none, where that may be)."""
    count = 0
    for name in names:
        if name in values:
            count += 1
    if count == 1 or (none_too and not count):
        return ()
    given = [name for name in names if name in values]
    field, reason = (given[1], f"cannot stand beside {given[0]}") if given else (names[0], "is missing")
    return (FieldError(field=field, reason=reason, accepted=f"one of {', '.join(names)}"),)


def together(values: Mapping[str, Any], first: str, second: str) -> Iterable[FieldError]:
    if (first in values) != (second in values):
        missing, there = (second, first) if first in values else (first, second)
        yield FieldError(field=missing, reason=f"is missing beside {there}", accepted="both or neither")


class Record(Declared):
    """What all kinds have."""

    at = f.Instant("when it happened; of an event over hours, its end", required=True)
    by = f.Name("who did or saw it")
    note = f.Text("anything worth keeping", longest=2000)
