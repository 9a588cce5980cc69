"""Fields that only tables of the set-up have: spans, times of day, named values, limits."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from sandtrack.records import fields as f


class Span(f.Field):
    """Two numbers, low and high."""

    accepted = "two numbers [low, high]"
    json_type = "array"

    def parse(self, raw: Any) -> tuple[float, float]:
        if isinstance(raw, str) or not isinstance(raw, list | tuple) or len(raw) != 2:
            raise self.error(raw, "is not a pair of numbers")
        number = f.Number()
        number.name = self.label
        low, high = number.parse(raw[0]), number.parse(raw[1])
        if low > high:
            raise self.error(raw, "has its low end above its high end")
        return (low, high)


class AmountSpan(Span):
    """Lowest and highest of an amount."""

    def parse(self, raw: Any) -> tuple[float, float]:
        low, high = super().parse(raw)
        if low < 0 or high == 0:
            reason = "holds less than nothing" if low < 0 else "is nothing"
            raise self.error(raw, reason, "0 or more, not both 0")
        return (low, high)


class TimeOfDay(f.Field):
    """A time by the shop's clock, on any day."""

    accepted = 'a time as "07:00"'

    def parse(self, raw: Any) -> str:
        if not isinstance(raw, str) or not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", raw):
            raise self.error(raw, "is not a time of day in quotes")
        return raw


class Named(f.Field):
    """A mapping of keys to values of one field."""

    json_type = "object"

    def __init__(self, item: f.Field, doc: str = "", **kwargs: Any) -> None:
        super().__init__(doc, **kwargs)
        self.item = item

    def parse(self, raw: Any) -> dict[str, Any]:
        if not isinstance(raw, Mapping):
            raise self.error(raw, "is not a table", "a table of names with values")
        values = {}
        for name, value in raw.items():
            self.item.name = f"{self.label}.{name}"
            values[str(name)] = self.item.parse(value)
        return values


class Bounds(f.Field):
    """Limits of one named value: { min = …, max = … }."""

    accepted = "{ min = …, max = … }, one or both"
    json_type = "object"

    def parse(self, raw: Any) -> tuple[float | None, float | None]:
        if not isinstance(raw, Mapping) or not raw or set(raw) - {"min", "max"}:
            raise self.error(raw, "is not a pair of limits")
        number = f.Number()
        number.name = self.label
        low, high = (number.parse(raw[side]) if side in raw else None for side in ("min", "max"))
        if low is not None and high is not None and low > high:
            raise self.error(raw, "has its min above its max")
        return (low, high)
