"""The field types that every record, set-up table and request is declared with.

A field owns one `parse`, which turns what was sent into what the program works with or raises
`FieldError`. marshmallow calls it for requests and documentation; files and bulk uploads call it
directly (see `records.check`), so that both give the same verdict.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import date, datetime, tzinfo
from decimal import Decimal
from functools import lru_cache
from typing import Any, ClassVar, NamedTuple

import marshmallow as ma

from sandtrack import units
from sandtrack.errors import FieldError
from sandtrack.records import times
from sandtrack.records.naming import suggested


class Spelled(NamedTuple):
    """A value under another of its field's names: `mass_t`, `sand_temp_f`, `mass` with a unit in the text."""

    value: Any
    unit: str | None
    label: str


class Measured(NamedTuple):
    """A mass told in one of the shop's own measures; the set-up of the day turns it into kilograms."""

    amount: Decimal
    measure: str


class Field(ma.fields.Field[Any]):
    """Base of all fields: `doc` says what it is; `refers` names the section of the set-up it must be found in."""

    accepted: str = ""
    json_type: ClassVar[str] = "string"
    numeric: ClassVar[bool] = False

    def __init__(self, doc: str = "", *, required: bool = False, refers: str = "", **kwargs: Any) -> None:
        super().__init__(required=required, metadata={"description": doc}, **kwargs)
        self.doc = doc
        self.refers = refers

    @property
    def label(self) -> str:
        return self.name or "value"

    def parse(self, raw: Any) -> Any:
        """Turn what was sent into the value meant; raise FieldError when that is impossible."""
        raise self.error(raw, "cannot be read")

    def parser(self) -> Callable[[Any], Any]:
        """`parse`, for calling often."""
        return self.parse

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        try:
            return self.parse(value)
        except FieldError as problem:
            raise ma.ValidationError([{"problem": problem}]) from problem

    def error(self, value: Any, reason: str, accepted: str | None = None) -> FieldError:
        label = self.label
        if type(value) is Spelled:
            label, value = value.label, value.value
        return FieldError(
            field=label, value=value, reason=reason, accepted=self.accepted if accepted is None else accepted
        )


# No control characters but tab and new line (also the return that comes with it), and no halves of characters.
_KEPT = re.compile(r"[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]*")


class Text(Field):
    """Free text, kept as sent, up to `longest` characters."""

    accepted = "text"

    def __init__(self, doc: str = "", *, longest: int = 500, **kwargs: Any) -> None:
        super().__init__(doc, **kwargs)
        self.longest = longest

    def parse(self, raw: Any) -> str:
        if type(raw) is int:
            raw = str(raw)
        if not isinstance(raw, str):
            raise self.error(raw, "is not text")
        text = raw.strip()
        if not text:
            raise self.error(raw, "is empty")
        if len(text) > self.longest:
            raise self.error(raw, f"is longer than {self.longest} characters")
        if not text.isprintable() and not _KEPT.fullmatch(text):
            raise self.error(raw.encode(errors="replace").decode(), "holds control characters or halves of characters")
        return text


class Name(Text):
    """A short name in one line without `;`: a mould number, a lot, a ticket, a record's id."""

    accepted = "a short text in one line, without ';'"

    def __init__(self, doc: str = "", *, longest: int = 100, **kwargs: Any) -> None:
        super().__init__(doc, longest=longest, **kwargs)

    def parse(self, raw: Any) -> str:
        if type(raw) is str and raw.isalnum() and len(raw) <= self.longest:
            return raw
        text = super().parse(raw)
        if ";" in text or not text.isprintable():
            raise self.error(raw, "holds a ';' or a sign that cannot be printed")
        return text


_LONGEST_KEY = 60
_KEY = re.compile(r"[a-z][a-z0-9_]*")


def is_key(raw: Any) -> bool:
    """Whether something has the form of a key."""
    return isinstance(raw, str) and len(raw) <= _LONGEST_KEY and _KEY.fullmatch(raw) is not None


class Key(Field):
    """The permanent key of something in the set-up."""

    accepted = "a key of lower-case letters, digits and '_', beginning with a letter"

    def parse(self, raw: Any) -> str:
        if not is_key(raw):
            raise self.error(raw, "is not a key")
        return str.__str__(raw)

    def parser(self) -> Callable[[Any], Any]:
        """A shop has few keys, so those found good are remembered; what has no hash raises TypeError."""
        return lru_cache(maxsize=1024)(self.parse)


class Choice(Field):
    """One of a fixed list of words."""

    def __init__(self, doc: str = "", *, words: Sequence[str], **kwargs: Any) -> None:
        super().__init__(doc, **kwargs)
        self.words = tuple(words)
        self.accepted = ", ".join(self.words)

    def parse(self, raw: Any) -> str:
        if not isinstance(raw, str) or raw not in self.words:
            accepted = suggested(raw, dict.fromkeys(self.words, "")) if isinstance(raw, str) else None
            raise self.error(raw, "is not one of the words known here", accepted)
        return raw


class Flag(Field):
    """Yes or no."""

    accepted = "true or false"
    json_type = "boolean"

    def parse(self, raw: Any) -> bool:
        if isinstance(raw, bool):
            return raw
        if isinstance(raw, str) and raw.strip().lower() in ("true", "yes", "1", "false", "no", "0"):
            return raw.strip().lower() in ("true", "yes", "1")
        raise self.error(raw, "is neither true nor false")


class Day(Field):
    """A calendar day."""

    accepted = "a day such as 2025-03-01"

    def parse(self, raw: Any) -> date:
        if isinstance(raw, datetime) or not isinstance(raw, str | date):
            raise self.error(raw, "is not a date")
        try:
            return raw if isinstance(raw, date) else times.day(raw)
        except ValueError as problem:
            raise self.error(raw, str(problem)) from None


class Instant(Field):
    """A moment, as microseconds since 1970 in UTC; local times are the shop's."""

    accepted = "a time as 2025-03-01T07:45:00+01:00, or 2025-03-01 07:45 in the shop's own time"
    date_end: ClassVar[str | None] = None
    _zone: tzinfo | None = None

    def _bind_to_schema(self, field_name: str, parent: ma.Schema | ma.fields.Field[Any]) -> None:
        super()._bind_to_schema(field_name, parent)
        self._zone = getattr(self.root, "zone", None)

    def parse(self, raw: Any) -> int:
        if type(raw) is not str and not isinstance(raw, str | datetime):
            raise self.error(raw, "is not a time")
        try:
            return times.instant(raw, self._zone, self.date_end)
        except ValueError as problem:
            raise self.error(raw, str(problem)) from None


class DayEndInstant(Instant):
    """A moment; a bare date means the last microsecond of that day."""

    accepted = Instant.accepted + ", or a date (the end of that day)"
    date_end = "end"


class DayStartInstant(Instant):
    """A moment; a bare date means the start of that day."""

    accepted = Instant.accepted + ", or a date (the start of that day)"
    date_end = "start"


class Quantity(Field):
    """A number in a stated unit, or in another unit of the fixed list when its name or text says so."""

    quantity: ClassVar[str] = ""
    unit: ClassVar[str] = ""
    json_type = "number"
    numeric = True

    def __init__(
        self,
        doc: str = "",
        *,
        least: float | None = None,
        most: float | None = None,
        above: float | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(doc, **kwargs)
        self.least, self.most, self.above = least, most, above
        how, home = type(self).convert, units.QUANTITIES.get(self.quantity)
        self._as_it_stands = how is Number.convert or (
            how is Quantity.convert and home is not None and home.canonical == self.unit
        )

    def convert(self, raw: Any, unit: str, label: str) -> Any:
        return units.parse(raw, self.quantity, field=label, unit=unit)

    def parse(self, raw: Any) -> Any:
        value = units.plain_number(raw) if self._as_it_stands else None
        if value is None:
            if type(raw) is Spelled:
                value = self.convert(raw.value, raw.unit or self.unit, raw.label)
            else:
                value = self.convert(raw, self.unit, self.label)
        if self.least is not None and value < self.least:
            raise self.error(raw, f"is below {self.least:g} {self.shown_unit}".rstrip(), self.span)
        if self.most is not None and value > self.most:
            raise self.error(raw, f"is above {self.most:g} {self.shown_unit}".rstrip(), self.span)
        if self.above is not None and value <= self.above:
            raise self.error(raw, f"is not above {self.above:g} {self.shown_unit}".rstrip(), self.span)
        return value

    @property
    def shown_unit(self) -> str:
        return "°C" if self.unit == "degC" else self.unit

    @property
    def span(self) -> str:
        up_to = "" if self.most is None else f"up to {self.most:g}"
        if self.above is not None:
            text = f"more than {self.above:g}" + (f", {up_to}" if up_to else "")
        elif self.least is not None:
            text = f"{self.least:g} or more" if self.most is None else f"{self.least:g} to {self.most:g}"
        else:
            text = up_to
        return f"{text} {self.shown_unit}".strip()


class Mass(Quantity):
    """A mass as whole milligrams, exact; or `Measured`, in one of the shop's own measures."""

    quantity, unit = "mass", "kg"

    def __init__(self, doc: str = "", *, zero: bool = False, in_measures: bool = True, **kwargs: Any) -> None:
        super().__init__(doc, **kwargs)
        self.zero = zero
        self.in_measures = in_measures

    def parse(self, raw: Any) -> int | Measured:
        mass: int | Measured | None = units.plain_mass_mg(raw)
        if mass is None:
            mass = self._told_otherwise(raw)
        if mass or self.zero:
            return mass
        raise self.error(raw, "is no mass", "a mass above 0")

    def _told_otherwise(self, raw: Any) -> int | Measured:
        if type(raw) is Measured:
            if not is_key(raw.measure):
                raise FieldError(
                    field=f"{self.label.removesuffix('_kg')}_measure",
                    value=raw.measure,
                    reason="is not a key",
                    accepted=Key.accepted,
                )
            amount = units.number(raw.amount, field=f"{self.label.removesuffix('_kg')}_amount")
            if amount < 0 or (amount == 0 and not self.zero):
                raise FieldError(
                    field=f"{self.label.removesuffix('_kg')}_amount",
                    value=raw.amount,
                    reason="is negative" if amount else "is none",
                    accepted="0 or more" if self.zero else "a number above 0",
                )
            return Measured(amount, raw.measure)
        if type(raw) is Spelled:
            return units.mass_mg(raw.value, field=raw.label, unit=raw.unit or "kg")
        return units.mass_mg(raw, field=self.label)


class Kilograms(Quantity):
    """A mass for reckoning with, as kilograms; the ledger's own masses are `Mass`."""

    quantity, unit = "mass", "kg"


class Temperature(Quantity):
    """A temperature in °C; what cannot be one in a foundry's sand, air or metal is refused."""

    quantity, unit = "temperature", "degC"

    def __init__(self, doc: str = "", *, least: float = -60, most: float = 200, **kwargs: Any) -> None:
        super().__init__(doc, least=least, most=most, **kwargs)


class Minutes(Quantity):
    quantity, unit = "time", "min"


class Seconds(Quantity):
    quantity, unit = "time", "s"

    def convert(self, raw: Any, unit: str, label: str) -> float:
        minutes: float = super().convert(raw, unit, label)
        return 60.0 * minutes


class Hours(Quantity):
    quantity, unit = "time", "h"

    def convert(self, raw: Any, unit: str, label: str) -> float:
        minutes: float = super().convert(raw, unit, label)
        return minutes / 60.0


class Length(Quantity):
    quantity, unit = "length", "m"


class Density(Quantity):
    quantity, unit = "density", "kg/m3"


class MassFlow(Quantity):
    quantity, unit = "mass_flow", "kg/min"


class Energy(Quantity):
    quantity, unit = "energy", "kWh"


class Number(Quantity):
    """A plain number without unit."""

    def convert(self, raw: Any, unit: str, label: str) -> float:
        return float(units.number(raw, field=label))


class Percent(Number):
    """A percentage of what the field's name says, 0 to 100 unless stated."""

    unit = "%"

    def __init__(self, doc: str = "", *, least: float = 0, most: float = 100, **kwargs: Any) -> None:
        super().__init__(doc, least=least, most=most, **kwargs)


class Share(Number):
    """A share, 0 to 1."""

    def __init__(self, doc: str = "", *, least: float = 0, most: float = 1, **kwargs: Any) -> None:
        super().__init__(doc, least=least, most=most, **kwargs)
