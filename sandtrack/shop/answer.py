"""The one shape of every answer: values with their ranges, what they rest on, what to look at, and cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from sandtrack.shop.cautions import DEFER, Caution
from sandtrack.trade.advice import Verdict

__all__ = ["Answer", "Basis", "Caution", "Flag", "Range", "Receipt", "Tag"]

Tag = Literal["record", "set-up", "source", "practice", "memory", "derived", "default"]


@dataclass(frozen=True)
class Range:
    """Where a value may lie: `coverage` is the share of cases that low to high is meant to hold."""

    low: float
    mid: float
    high: float
    coverage: float
    meaning: str


@dataclass(frozen=True)
class Basis:
    """What a number rests on, and how far to trust that."""

    what: str
    value: str
    tag: Tag
    source: str


@dataclass(frozen=True)
class Flag:
    """Something to look at: a stable code, a sentence, and the place, lot, mould, mixer … it is about."""

    code: str
    text: str
    subject: str = ""


@dataclass(frozen=True)
class Verified:
    """Up to where a shop file was last verified: records and head, when, and when all of it was last worked out."""

    records: int
    head: str
    at: str
    whole_at: str


@dataclass(frozen=True)
class Answer:
    """An answer to one question. A refusal is an answer too: not possible, because …, instead …"""

    question: str
    as_of: str
    known_on: str | None = None
    values: Mapping[str, Any] = field(default_factory=dict)
    ranges: Mapping[str, Range] = field(default_factory=dict)
    basis: tuple[Basis, ...] = ()
    flags: tuple[Flag, ...] = ()
    cautions: tuple[Caution, ...] = ()
    possible: bool = True
    verdict: Verdict = "yes"
    """Beside `possible`: "no", or "test_piece" where nothing more than a test piece may be made; both not possible."""
    because: str = ""
    instead: tuple[str, ...] = ()
    head: str = ""
    """Number of records and hash of the last one: fixes what the answer was given from."""
    verified: Verified | None = None
    """The last `verify` that found nothing. What changed in the file since then, an answer may not show."""

    def __post_init__(self) -> None:
        if not self.possible and self.verdict == "yes":
            object.__setattr__(self, "verdict", "no")

    @property
    def defer(self) -> str:
        """To whom it gives way where it bears on safety; "" elsewhere."""
        return DEFER if self.cautions else ""

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain mappings and lists, ready for JSON."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__}
        plain["values"] = _plain(self.values)
        plain["ranges"] = {name: asdict(span) for name, span in self.ranges.items()}
        for name in ("basis", "flags", "cautions"):
            plain[name] = [asdict(entry) for entry in plain[name]]
        plain["instead"] = list(self.instead)
        plain["verified"] = None if self.verified is None else asdict(self.verified)
        plain["defer"] = self.defer
        return plain


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping | MappingProxyType):
        return {str(name): _plain(entry) for name, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(entry) for entry in value]
    return value


@dataclass(frozen=True)
class BookedMove:
    """A mass that went from one place to another; below zero where a movement was taken back."""

    material: str
    mass_kg: float
    source: str
    target: str
    moulds: tuple[str, ...]


@dataclass(frozen=True)
class BookedAfter:
    """What a place holds now; null where it was never counted, so that nobody knows."""

    place: str
    material: str
    stock_kg: float | None
    room_kg: float | None


@dataclass(frozen=True)
class Booked:
    """What a record put into the book: what went where, what is there after it, other numbers as read.

    `at` is when it happened; `read` has quantities by name, the unit in the name.
    """

    at: str = ""
    moves: tuple[BookedMove, ...] = ()
    after: tuple[BookedAfter, ...] = ()
    read: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Receipt:
    """What became of a record that was sent."""

    kind: str
    sender: str
    id: str
    new: bool
    recorded_at: str
    flags: tuple[Flag, ...] = ()
    cautions: tuple[Caution, ...] = ()
    booked: Booked = field(default_factory=Booked)

    @property
    def defer(self) -> str:
        """To whom it gives way where it bears on safety; "" elsewhere."""
        return DEFER if self.cautions else ""

    def as_dict(self) -> dict[str, Any]:
        """The receipt as plain mappings and lists, ready for JSON."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__}
        plain["flags"] = [asdict(flag) for flag in self.flags]
        plain["cautions"] = [asdict(caution) for caution in self.cautions]
        plain["defer"] = self.defer
        plain["booked"] = _plain(asdict(self.booked))
        return plain
