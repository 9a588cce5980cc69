"""Kinds of record: what is declared (`kinds`), of which fields, and how content is checked and kept as sent."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from datetime import tzinfo
from typing import Any

from sandtrack.errors import FieldError, InputErrors
from sandtrack.records.canonical import canonical, content_hash
from sandtrack.records.fields import Measured
from sandtrack.records.kinds import ENDINGS, KINDS
from sandtrack.records.record import Record

__all__ = [
    "ENDINGS",
    "KINDS",
    "Forms",
    "Measured",
    "Record",
    "canonical",
    "content_hash",
    "kind_named",
]


def kind_named(kind: str) -> type[Record]:
    """Return the declaration of a kind; raise FieldError with the kinds there are."""
    found = KINDS.get(kind)
    if found is None:
        near = difflib.get_close_matches(str(kind), KINDS, n=1)
        raise FieldError(
            field="kind",
            value=kind,
            reason="is not a kind of record",
            accepted=f"did you mean {near[0]}?" if near else ", ".join([*KINDS, "plant"]),
        )
    return found


class Forms:
    """The declarations, ready to check contents in one shop's time zone."""

    def __init__(self, zone: tzinfo | None) -> None:
        self.zone = zone
        self._schemas: dict[str, Record] = {}

    def schema(self, kind: str) -> Record:
        """The schema of a kind; raises FieldError for a kind that does not exist."""
        found = self._schemas.get(kind)
        if found is None:
            found = self._schemas[kind] = kind_named(kind)(zone=self.zone)
        return found

    def check(self, kind: str, content: Any) -> tuple[dict[str, Any], list[FieldError]]:
        """Check by the plain loop: values meant, and everything that is wrong."""
        return self.schema(kind).check(content)

    def require(self, kind: str, content: Any) -> Mapping[str, Any]:
        """Check; raise InputErrors listing everything that is wrong."""
        values, problems = (self._schemas.get(kind) or self.schema(kind)).check(content)
        if problems:
            raise InputErrors(problems, what=kind)
        return values
