"""A record on its way into the ledger: checked against the set-up, and what it will book."""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal
from hashlib import sha256
from typing import Any, NamedTuple

from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger import arriving, booking, chain, stored
from sandtrack.ledger.booking import Move
from sandtrack.ledger.brought import BY_AGE, Brought
from sandtrack.ledger.setups import Day, Path, Setups, labelled
from sandtrack.records import Measured, canonical

MOST_MG = 1_000_000_000_000
_LONGEST_OWN = 91
"""An id has at most 100 signs."""
_MOST = "up to 1000 t; what is more is told in several records"


class Entry(NamedTuple):
    """A checked record on its way into the ledger."""

    kind: str
    sender: str
    id: str
    text: str
    """Content as sent, canonical."""
    values: Mapping[str, Any]
    own_at: int | None = None
    """By the sender's clock, where the time is corrected for that."""
    offset_us: int | None = None
    """How far the sender's clock was seen to be off."""
    token: str | None = None
    """Id of the token that brought it; None where it came by none."""
    marks: str | None = None
    """Codes of what is to be known of it, parted by blanks: see `brought`."""
    own_id: str | None = None
    """The id that its sender gave, where another record had that."""
    version: int = chain.VERSION
    brought: Brought | None = None
    """Who brings it, for what they may do; `token` and `marks` are what is kept of that."""

    def corrected(self, at: int) -> int:
        """A time of its content as it is to be booked."""
        return at if self.own_at is None else at + (self.offset_us or 0)

    def marked(self, code: str) -> bool:
        """Whether it bears a mark."""
        return code in (self.marks or "").split()

    def says_what(self, seq: int, kind: str, text: str, marks: str | None) -> bool:
        """Whether it is what a known record says; a time that was reckoned from an age is another each time."""
        if (kind, text) == (self.kind, self.text):
            return True
        if kind != self.kind or not self.marked(BY_AGE) or BY_AGE not in (marks or "").split():
            return False
        before, after = stored.content(text, seq), json.loads(self.text)
        return {**before, "at": None} == {**after, "at": None}

    def under_another_id(self) -> Entry:
        """The same under an id made of its own and its content, which the same sent again makes again."""
        text = self.text
        if self.marked(BY_AGE):  # its time is another each time that it is sent
            text = canonical({**json.loads(text, parse_float=Decimal), "at": None})
        made = sha256(f"{self.kind}\n{text}".encode()).hexdigest()[:8]
        return self._replace(id=f"{self.id[:_LONGEST_OWN]}~{made}", own_id=self.id)


Prepared = tuple[int, Day, list[Move], booking.Counted | None]
"""What an entry will book, by its content and the set-up alone: its instant, the set-up then, movements, a count."""


def prepare(entry: Entry, setups: Setups, *, replayed: bool = False) -> Prepared:
    """Check an entry (no reversal, no set-up) against the set-up; raises InputErrors with everything that is wrong.

    One that is `replayed` was accepted by the rules of its day, and later rules do not refuse it.
    """
    kind, values = entry.kind, entry.values
    form = booking.form_of(kind)
    problems = booking.unknown_keys(form, values, setups)
    if not problems and not replayed:
        problems += arriving.unknown_streams(kind, values, setups)
    telling = booking.telling(form, values, MOST_MG)
    problems += [
        setups.unknown(_told(path, "measure"), "measures", mass.measure)
        for path, mass in telling
        if isinstance(mass, Measured) and mass.measure not in setups.known("measures")
    ]
    if problems:
        raise InputErrors(problems, what=kind)
    at = entry.corrected(values["at"])
    day = setups.on(at)
    try:
        for path, mass in telling:
            _usable(path, mass, day, kind)
        counted = booking.counted(values, day) if kind == "count" else None
        return at, day, booking.moves(kind, values, day), counted
    except FieldError as problem:
        raise InputErrors([problem], what=kind) from None


def _told(path: Path, what: str) -> Path:
    """The field that a mass in a measure is told by: its amount, or the measure."""
    return (*path[:-1], f"{str(path[-1]).removesuffix('_kg')}_{what}")


def _usable(path: Path, mass: int | Measured, day: Day, kind: str) -> None:
    whole = day.mass_mg(mass)
    if isinstance(mass, Measured):
        path = _told(path, "amount")
        if whole == 0 and mass.amount:
            raise FieldError(
                field=labelled(path), value=mass.amount, reason="makes no whole milligram", accepted="a larger amount"
            )
    if whole > MOST_MG and kind != "count":
        value = f"{whole // 10**9} t"
        raise FieldError(field=labelled(path), value=value, reason="is more than one record can say", accepted=_MOST)


def squared(mass_mg: int) -> int:
    """Square of a mass in whole grams, half-even. [g²]

    Above `MOST_MG`, which no one record may say but many into one mould may add up to, it grows no more: SQLite's
    integers end at 9.2e18.
    """
    grams = round((mass_mg if mass_mg < MOST_MG else MOST_MG) / 1000)  # exact where it ends in a half
    return grams * grams
