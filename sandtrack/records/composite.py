"""Fields that hold several values: lists, named values, parts, rows of parts."""

from __future__ import annotations

import copy
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import marshmallow as ma

from sandtrack import units
from sandtrack.errors import FieldError
from sandtrack.records.fields import Field


class Inside(FieldError):
    """Several complaints about the parts of one field."""

    def __init__(self, problems: list[FieldError]) -> None:
        first = problems[0]
        super().__init__(field=first.field, value=first.value, reason=first.reason, accepted=first.accepted)
        self.problems = problems


class Items(Field):
    """Several values of one field, in order; in files separated by `;`."""

    json_type = "array"

    def __init__(self, item: Field, doc: str = "", *, distinct: bool = False, **kwargs: Any) -> None:
        super().__init__(doc, refers=item.refers, **kwargs)
        self.item = item
        self._parse_item = item.parse
        self.distinct = distinct

    def _bind_to_schema(self, field_name: str, parent: ma.Schema | ma.fields.Field[Any]) -> None:
        super()._bind_to_schema(field_name, parent)
        self.item = copy.copy(self.item)
        self.item.name = field_name
        self._parse_item = self.item.parse

    def parse(self, raw: Any) -> tuple[Any, ...]:
        if type(raw) is not list and (isinstance(raw, str) or not isinstance(raw, Sequence)):
            raise self.error(raw, "is not a list", "a list; in files separated by ';'")
        if not raw:
            raise self.error(raw, "is an empty list", "at least one")
        values = tuple(map(self._parse_item, raw))
        if self.distinct and len(values) > 1 and len(set(values)) < len(values):
            twice = next(value for value in values if values.count(value) > 1)
            raise self.error(raw, f"lists {twice!r} twice", "each one once")
        return values


class Values(Field):
    """Named values: numbers, words, yes or no. In files one column a name, `FIELD_NAME`."""

    json_type = "object"

    def __init__(self, doc: str = "", *, names: Sequence[str] = (), **kwargs: Any) -> None:
        super().__init__(doc, **kwargs)
        self.names = tuple(names)
        """Names that are known beforehand, for templates; others may be used too."""

    def parse(self, raw: Any) -> dict[str, Any]:
        if not isinstance(raw, Mapping):
            raise self.error(raw, "is not a map of names to values", "names with values")
        values: dict[str, Any] = {}
        for name, value in raw.items():
            label = f"{self.label}.{name}"
            if not isinstance(name, str) or not re.fullmatch(r"[A-Za-z0-9_.]{1,60}", name):
                raise FieldError(field=label, reason="is not a name", accepted="letters, digits, '_' and '.'")
            if isinstance(value, bool):
                values[name] = value
            elif isinstance(value, int | float | Decimal):
                values[name] = float(units.number(value, field=label))
            elif isinstance(value, str) and value.strip() and len(value) <= 200:
                values[name] = value.strip()
            else:
                raise FieldError(
                    field=label,
                    value=value,
                    reason="is not a usable value",
                    accepted="a number, true, false or a short text",
                )
        return values


class Amounts(Values):
    """Named numbers, none of them below zero."""

    def parse(self, raw: Any) -> dict[str, Any]:
        values = super().parse(raw)
        for name, value in values.items():
            if not isinstance(value, float) or value < 0:
                label = f"{self.label}.{name}"
                raise FieldError(
                    field=label, value=raw[name], reason="is not an amount", accepted="a number, 0 or above"
                )
        return values


class Part(Field):
    """Fields that belong together under one name; in files `FIELD_PART`."""

    json_type = "object"

    def __init__(self, schema: type[ma.Schema], doc: str = "", **kwargs: Any) -> None:
        super().__init__(doc, **kwargs)
        self.schema_class = schema
        self._schema: Any = None

    @property
    def schema(self) -> Any:
        if self._schema is None:
            self._schema = self.schema_class(zone=self.root.zone)  # type: ignore[call-arg,union-attr]
        return self._schema

    def parse(self, raw: Any) -> dict[str, Any]:
        values, problems = self.schema.check(raw)
        if problems:
            raise Inside([problem.within(self.label) for problem in problems])
        return dict(values)


class Rows(Part):
    """A list of like parts; in files `PREFIX1_PART, PREFIX2_PART …`."""

    json_type = "array"

    def __init__(self, schema: type[ma.Schema], doc: str = "", *, prefix: str, usual: int = 3, **kwargs: Any) -> None:
        super().__init__(schema, doc, **kwargs)
        self.prefix = prefix
        self.usual = usual
        """How many there most often are, at most: for templates and help."""

    def parse(self, raw: Any) -> Any:
        if not raw or (type(raw) is not list and (isinstance(raw, str) or not isinstance(raw, Sequence))):
            raise self.error(raw, "is not a list with at least one entry", "a list of objects")
        schema = self._schema or self.schema
        good = None if schema.ruled else schema.good(raw)
        return tuple(good) if good is not None else self._judged(raw)

    def _judged(self, raw: Sequence[Any]) -> tuple[dict[str, Any], ...]:
        checked = [self.schema.check(entry) for entry in raw]
        problems = [
            problem.within(f"{self.label}[{index}]") for index, (_, found) in enumerate(checked) for problem in found
        ]
        if problems:
            raise Inside(problems)
        return tuple([values for values, _ in checked])
