"""How a cell of a file is read: numerals of either decimal mark, named values, lists."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from sandtrack import units
from sandtrack.errors import FieldError
from sandtrack.records import fields as f

ITEM = ";"
PLAIN = {
    ".": re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?").fullmatch,
    ",": re.compile(r"[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][+-]?[0-9]{1,3})?").fullmatch,
}
_SURE_DIGITS = 15
# A mark with three digits after it: the decimal mark, or the mark of thousands, which never follows a leading 0.
_TWO_READINGS = re.compile(r"([+\-−]?[1-9][0-9]{0,2})[.,]([0-9]{3})(?![0-9.,]|[eE][+\-−]?[0-9])").match

# What 35 % is in a column that ends in _pct, and in one that ends in _share, by powers of ten.
_OF_PERCENT: dict[type[f.Field], int] = {f.Percent: 0, f.Share: -2}

Convert = Callable[[str], Any]


def as_number(label: str, field: f.Field, unit: str | None, decimal: str) -> Convert:
    """Plain numerals as numbers; text with a unit stays text, with a decimal point."""
    plain = PLAIN[decimal]
    percent = next((scale for kind, scale in _OF_PERCENT.items() if isinstance(field, kind)), None)
    quantity = field.quantity if isinstance(field, f.Quantity) and unit != "amount" else ""

    def convert(cell: str) -> Any:
        if cell.isdecimal() and cell.isascii() and len(cell) <= _SURE_DIGITS:
            return int(cell)
        if plain(cell):
            value = Decimal(cell if decimal == "." else cell.replace(",", "."))
            # What a float cannot hold stays text: the field reads it exactly all the same.
            if len(cell) <= _SURE_DIGITS or Decimal(repr(float(value))) == value:
                return value
            return str(value)
        if percent is not None and cell.endswith("%") and plain(cell[:-1].rstrip()):
            return Decimal(cell[:-1].rstrip().replace(",", ".")).scaleb(percent)
        if decimal == ".":
            return cell
        if quantity:
            units.parse(cell, quantity, field=label, unit=unit or getattr(field, "unit", ""), decimal=decimal)
        else:
            units.number(cell, field=label, decimal=decimal)
        return cell.replace(",", ".")

    return convert


def asked_back(label: str, convert: Convert) -> Convert:
    """The same, where nobody said which mark is the decimal one: a number with two readings is refused."""

    def ask(cell: str) -> Any:
        match = _TWO_READINGS(cell)
        if match is None:
            return convert(cell)
        whole, three = match.groups()
        small, large = f"{whole}.{three}".rstrip("0").rstrip("."), whole + three
        raise FieldError(
            field=label,
            value=cell,
            reason=f"may be {small} or {large}: three digits stand after its mark",
            accepted=f"{small} or {large}, written so; or state the decimal mark (--decimal)",
            code="ambiguous_number",
        )

    return ask


def as_value(label: str, decimal: str) -> Convert:
    """A named value: yes or no, a number, else text; a number with the other decimal mark is no text."""
    plain, other = PLAIN[decimal], PLAIN["," if decimal == "." else "."]
    percent = 0 if label.endswith("_pct") else -2 if label.endswith("_share") else None

    def convert(cell: str) -> Any:
        if plain(cell):
            return Decimal(cell if decimal == "." else cell.replace(",", "."))
        if percent is not None and cell.endswith("%") and plain(cell[:-1].rstrip()):
            return Decimal(cell[:-1].rstrip().replace(",", ".")).scaleb(percent)
        return units.number(cell, field=label, decimal=decimal) if other(cell) else as_flag(cell)

    return convert


def as_flag(cell: str) -> Any:
    """Yes or no, else the text as it is."""
    return {"true": True, "false": False}.get(cell.lower(), cell)


def as_items(label: str, item: Convert | None) -> Convert:
    """Entries of a list, each converted by itself."""

    def convert(cell: str) -> list[Any]:
        entries = [entry.strip() for entry in cell.split(ITEM)]
        if not all(entries):
            raise FieldError(
                field=label, value=cell, reason="has an empty entry", accepted="entries separated by one ';'"
            )
        return entries if item is None else [item(entry) for entry in entries]

    return convert
