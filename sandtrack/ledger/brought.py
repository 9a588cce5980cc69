"""Who brings a record over a network: what of that is kept with it, what its bringer may withdraw, when it happened."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sandtrack.errors import FieldError, InputErrors
from sandtrack.records import times

AT_ARRIVAL, BY_AGE, BY_NOT_PROVEN = "at_arrival", "by_age", "by_not_proven"
"""Marks of a record: its own time cannot be, so it is booked as it came; its time was reckoned from its age; nobody
proved to be the person that it names in `by`."""

LONGEST_AWAY_DAYS = 400.0
"""No machine keeps what it could not send for longer: what it dates earlier comes of a clock that is off."""
_DAY_US = 86_400_000_000


class Withdrawn(NamedTuple):
    """A record that somebody would withdraw."""

    kind: str
    sender: str
    id: str
    token: str | None
    """Id of the token that brought it; None where it came by none."""
    token_kept: bool
    """Whether that was kept when it was recorded: not by the first versions of the ledger."""
    blocks: bool
    """Whether a place, lot or mould is blocked by it."""
    age_us: int
    """Time since it was recorded."""


def _anything(withdrawn: Withdrawn) -> None:
    return None


@dataclass(frozen=True)
class Brought:
    """Who brings a record."""

    token: str
    """Id of the token, kept with the record."""
    name: str
    """Whom the token was made for."""
    machine: bool = False
    """Whether a machine sends by itself, whose clock may be off by years, and whom nobody asks for another id."""
    own: frozenset[str] = frozenset()
    """Of a machine: ids of its own tokens, those of earlier days too."""
    may_withdraw: Callable[[Withdrawn], None] = _anything
    """Raises where the record named may not be withdrawn; asked within the transaction."""

    def marks_of(self, values: Mapping[str, Any]) -> list[str]:
        """Marks that come of who brings it."""
        return [BY_NOT_PROVEN] if values.get("by", self.name) != self.name else []


def dated_by_age(content: Mapping[str, Any], age_us: int, now: int, zone: ZoneInfo) -> dict[str, Any]:
    """Content without a time, with the time that its age says. Raises InputErrors for an age that cannot be."""
    if not 0 <= age_us <= LONGEST_AWAY_DAYS * _DAY_US:
        raise InputErrors(
            [
                FieldError(
                    field="age_s",
                    value=f"{age_us / 1e6:g}",
                    reason="is no age of a record",
                    accepted=f"seconds since it happened, 0 to {LONGEST_AWAY_DAYS * 86_400:.0f}",
                )
            ],
            what="the record",
        )
    return {**content, "at": times.show(now - age_us, zone, exact=True)}


def can_be(booked: int, now: int, ahead_us: float) -> bool:
    """Whether a machine can have seen something at that time, now that it comes."""
    return now - LONGEST_AWAY_DAYS * _DAY_US <= booked <= now + ahead_us
