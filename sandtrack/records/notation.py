"""How the people of a shop write: the units of a bare number, the decimal sign, the order of a date, names of things.

It is read where something is typed or a file is loaded, and only there: what comes out has keys, units in its names and
dates as RFC 3339 has them, so that no content depends on a setting.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sandtrack import units
from sandtrack.errors import FieldError
from sandtrack.records import fields as f
from sandtrack.records import flat
from sandtrack.records.cells import ITEM, PLAIN
from sandtrack.records.composite import Items
from sandtrack.records.naming import plain

FindKey = Callable[[str, str, str], str]
"""From a field's name, a section of the set-up and a word: the key meant. Raises FieldError for a name not known."""

_US = {
    "mass": "lb",
    "temperature": "f",
    "length": "ft",
    "density": "lb_ft3",
    "mass_flow": "lb_min",
}
"""Units of a US shop, as endings of names; of what is not here (times, energy) both systems have the field's own."""
_DATE = re.compile(r"([0-9]{1,2})([/.\-])([0-9]{1,2})\2([0-9]{4})(?:[T ]+([0-9]{1,2}):([0-9]{2})(.*))?").fullmatch
_ORDERS = {"day_first": "day, month, year", "month_first": "month, day, year"}


@dataclass(frozen=True)
class Notation:
    """How one shop writes, by its set-up in force."""

    units: str = "metric"
    decimal: str = "."
    date_order: str = "year_first"
    find_key: FindKey | None = None

    def unit_of(self, field: f.Field) -> str:
        """The ending of the name that a bare number of this field means, as lb, kg or f; "" of what has no unit."""
        quantity = field.quantity if isinstance(field, f.Quantity) else ""
        if self.units == "us" and quantity in _US:
            return _US[quantity]
        own = getattr(field, "unit", "")
        return next(
            (end for end, (other, unit) in units.SUFFIXES.items() if other == quantity and own in (unit, end)), ""
        )

    def quantity(self, value: str, quantity: str, *, field: str, unit: str = "") -> str:
        """A typed quantity with its unit and a decimal point: a bare number is in the shop's units, or in `unit`."""
        text = value.strip()
        home = _US.get(quantity, "") if self.units == "us" else ""
        if quantity == "temperature_difference":
            home = "f" if self.units == "us" else "c"
        suffix = home or unit or next(end for end, (other, _) in units.SUFFIXES.items() if other == quantity)
        _, spelled = units.SUFFIXES[suffix]
        units.parse(text, quantity, field=field, unit=spelled, decimal=self.decimal)
        if self.is_bare(text):
            text = f"{text} {_SHOWN.get(spelled, spelled)}"
        return text.replace(",", ".") if self.decimal == "," else text

    def is_bare(self, value: str) -> bool:
        """Whether it is a number without a unit."""
        return PLAIN[self.decimal](value.strip()) is not None

    def number(self, value: str, *, field: str) -> str:
        """A typed plain number, with a decimal point."""
        return str(units.number(value, field=field, decimal=self.decimal))

    def moment(self, value: str, *, field: str) -> str:
        """A date or time in the order of the shop, as 2025-04-03 or 2025-04-03 07:45; others are left as they are."""
        match = _DATE(value.strip())
        if match is None:
            return value
        first, _, second, year, hour, minute, rest = match.groups()
        order = _ORDERS.get(self.date_order)
        if order is None:
            raise FieldError(
                field=field,
                value=value,
                reason="may be the day or the month first",
                accepted=f"{year}-MM-DD, or the shop's date_order in the set-up",
            )
        day, month = (first, second) if self.date_order == "day_first" else (second, first)
        try:
            iso_day = date(int(year), int(month), int(day)).isoformat()
        except ValueError:
            raise FieldError(
                field=field,
                value=value,
                reason=f"is not a date in the order of this shop ({order})",
                accepted=f"a date in that order, or {year}-MM-DD",
            ) from None
        return iso_day if hour is None else f"{iso_day} {int(hour):02}:{minute}{rest}"

    def key(self, value: str, section: str, *, field: str) -> str:
        """The key of a thing of the set-up, which may be called by its name."""
        return value if self.find_key is None else self.find_key(field, section, value)


_SHOWN = {"degC": "°C", "degF": "°F", "lb/ft3": "lb/ft3"}

Cell = Callable[[str], str]


class Columns:
    """Reads the cells of rows under one header by a shop's notation, before they are read as the kind's fields."""

    def __init__(self, kind: str, header: Sequence[str], notation: Notation, *, typed: bool = False) -> None:
        self.header = list(header)
        self._typed = typed
        self._notation = notation
        self._cells: list[tuple[int, str, Cell]] = []
        self._bare: list[tuple[int, str, f.Field]] = []
        for index, label in enumerate(header):
            slot = flat.slot_of(kind, label)
            if slot is None:
                continue
            if slot.unit == "":
                self._bare.append((index, label, slot.field))
            elif (cell := _cell(label, slot.field, notation)) is not None:
                self._cells.append((index, label, cell))

    def read(self, cells: Sequence[str]) -> tuple[list[str], list[str], list[FieldError]]:
        """Header and cells with keys, units in their names and plain dates; and what is wrong."""
        header, read = self.header, list(cells)
        problems: list[FieldError] = []
        if len(read) != len(header):
            return header, read, problems
        for index, label, field in self._bare:
            if self._notation.is_bare(read[index]):
                if self._typed:
                    header = [*header[:index], f"{label}_{self._notation.unit_of(field)}", *header[index + 1 :]]
                else:
                    problems.append(_without_unit(label, field, read[index], self._notation))
        for index, _, cell in self._cells:
            if read[index]:
                try:
                    read[index] = cell(read[index])
                except FieldError as problem:
                    problems.append(problem)
        return header, read, problems


def _without_unit(label: str, field: f.Field, value: str, notation: Notation) -> FieldError:
    """A bare number in a column whose name has no unit: nobody can tell what it means."""
    endings = [f"{label}_{end}" for end, (other, _) in units.SUFFIXES.items() if other == field.quantity]  # type: ignore[attr-defined]
    own = f"{label}_{notation.unit_of(field)}"
    named = ", ".join([own, *(name for name in endings if name != own)][:3])
    end = units.SUFFIXES[notation.unit_of(field)][1]
    return FieldError(
        field=label,
        value=value,
        reason="has no unit, and neither has its column's name",
        accepted=f"the unit in the name ({named}), or in the cell ({value} {_SHOWN.get(end, end)})",
    )


def _cell(label: str, field: f.Field, notation: Notation) -> Cell | None:
    """How a cell of one column is read by the notation; None where it is read as it stands."""
    if isinstance(field, Items):
        inner = _cell(label, field.item, notation)
        return None if inner is None else lambda cell: ITEM.join(inner(one.strip()) for one in cell.split(ITEM))
    if field.refers:
        return lambda cell: notation.key(cell, field.refers, field=label)
    if isinstance(field, f.Choice):
        words = field.words
        return lambda cell: plain(cell) if plain(cell) in words else cell
    if isinstance(field, f.Instant | f.Day):
        return lambda cell: notation.moment(cell, field=label)
    return None


def as_typed(kind: str, cells: dict[str, Any], notation: Notation) -> tuple[list[str], list[str], list[FieldError]]:
    """Header and cells of one record as somebody typed it: bare numbers are in the shop's units."""
    return Columns(kind, list(cells), notation, typed=True).read(list(cells.values()))
