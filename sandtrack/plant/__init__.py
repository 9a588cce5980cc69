"""What the plant is: places, materials, binder systems, mixers, measures … on one day of its life.

A set-up is read from TOML or from a mapping, by the same fields as the records and with the same messages.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from sandtrack.errors import FieldError, InputErrors, UnknownName
from sandtrack.plant import checks
from sandtrack.plant.tables import (
    FAMILY_LEVERS,
    MOULDS,
    ONE_MATERIAL_KINDS,
    OUTSIDE,
    PURPOSES_APART,
    SINGLE,
    TABLES,
    BinderSystem,
    Calendar,
    Limits,
    Material,
    Measure,
    Mixer,
    Pattern,
    Person,
    Place,
    Shape,
    ShopTable,
    schema_of,
)
from sandtrack.records import times
from sandtrack.records.naming import suggested

__all__ = [
    "FAMILY_LEVERS",
    "MOULDS",
    "ONE_MATERIAL_KINDS",
    "OUTSIDE",
    "PURPOSES_APART",
    "BinderSystem",
    "Calendar",
    "Limits",
    "Material",
    "Measure",
    "Mixer",
    "Pattern",
    "Person",
    "Place",
    "Plant",
    "Shape",
    "ShopTable",
    "read_toml",
]


@dataclass(frozen=True)
class Plant:
    """One revision of the set-up."""

    shop: ShopTable
    materials: Mapping[str, Material]
    places: Mapping[str, Place]
    binder_systems: Mapping[str, BinderSystem]
    mixers: Mapping[str, Mixer]
    measures: Mapping[str, Measure]
    patterns: Mapping[str, Pattern]
    people: Mapping[str, Person]
    calendar: Calendar
    limits: Limits
    prices: Mapping[str, float]

    @classmethod
    def read(cls, source: str | Path | Mapping[str, Any], *, stored: bool = False) -> Plant:
        """Read a set-up from a TOML file or a mapping; raise InputErrors with everything that is wrong.

        One that is `stored` in the book was accepted by the rules of its day, and later rules do not refuse it.
        """
        content = source if isinstance(source, Mapping) else read_toml(source)
        sections: dict[str, Any] = {}
        problems: list[FieldError] = []
        for section in content:
            if section not in TABLES and section not in SINGLE and section != "prices":
                problems.append(
                    FieldError(
                        field=str(section),
                        reason="is not a section of the set-up",
                        accepted=", ".join([*SINGLE, *TABLES, "prices"]),
                    )
                )
        for section, table in SINGLE.items():
            if section == "shop" and section not in content:
                problems.append(FieldError(field="shop", reason="is missing", accepted="a table [shop]"))
                continue
            values, found = schema_of(table).check(content.get(section, {}))
            problems += [problem.within(section) for problem in found]
            if not found:
                sections[section] = table(**values)
        for section, table in TABLES.items():
            sections[section], found = _keyed(section, table, content.get(section, {}))
            problems += found
        sections["prices"], found = _prices(content.get("prices", {}))
        problems += found
        if not problems:
            plant = cls(**{name: _frozen(value) for name, value in sections.items()})
            problems = list(checks.violations(plant, stored=stored))
            if not problems:
                return plant
        raise InputErrors(problems, what="the set-up")

    @property
    def zone(self) -> ZoneInfo:
        return times.zone(self.shop.time_zone)

    def named(self, section: str, key: str) -> Any:
        """An entry of the set-up by its key; raises UnknownName with the keys there are."""
        entries: Mapping[str, Any] = getattr(self, section)
        if key not in entries:
            labels = {name: str(getattr(entry, "name", "")) for name, entry in entries.items()}
            raise UnknownName(
                f"{section.removesuffix('s').replace('_', ' ')} {key!r} is not in the set-up; "
                f"{suggested(key, labels, start='there are: ') or 'there are: none'}",
                section=section,
                key=key,
            )
        return entries[key]

    def is_sand(self, material: str) -> bool:
        """Whether a material is a sand; liquids and the rest are not."""
        return self.materials[material].kind == "sand"


LONGEST_TOML = 10_000_000
_BEYOND_TOML = "holds a number that cannot be kept, or is nested too deeply"


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read a TOML file; numbers exactly, as Decimal. Raises InputErrors for a file that is no TOML."""
    try:
        with Path(path).open("rb") as file:
            text = file.read(LONGEST_TOML + 1)
        if len(text) > LONGEST_TOML:
            raise ValueError(f"longer than {LONGEST_TOML:,} bytes")
        return tomllib.loads(text.decode("utf-8-sig"), parse_float=Decimal)
    except OSError as problem:
        raise InputErrors(
            [
                FieldError(
                    field="file", value=str(path), reason=f"cannot be read ({problem.strerror})", accepted="a TOML file"
                )
            ],
            what="the set-up",
        ) from None
    except (ValueError, ArithmeticError, RecursionError) as problem:
        # What is no TOML; and numbers of thousands of digits, exponents beyond all measure, nests without end.
        reason = f"is not TOML: {str(problem)[:200]}" if isinstance(problem, ValueError) else _BEYOND_TOML
        raise InputErrors(
            [FieldError(field="file", value=str(path), reason=reason, accepted="a TOML file in UTF-8")],
            what="the set-up",
        ) from None


def _frozen(value: Any) -> Any:
    return MappingProxyType(value) if isinstance(value, dict) else value


def _keyed(section: str, table: type[Any], content: Any) -> tuple[dict[str, Any], list[FieldError]]:
    if not isinstance(content, Mapping):
        return {}, [
            FieldError(field=section, value=content, reason="is not a table of tables", accepted=f"[{section}.KEY]")
        ]
    schema = schema_of(table)
    entries: dict[str, Any] = {}
    problems: list[FieldError] = []
    for key, raw in content.items():
        problems += [problem.within(section) for problem in checks.key_violations(section, key)]
        values, found = schema.check(raw)
        problems += [problem.within(f"{section}.{key}") for problem in found]
        if not found:
            entries[key] = table(key=key, **values)
    return entries, problems


def _prices(content: Any) -> tuple[dict[str, float], list[FieldError]]:
    if not isinstance(content, Mapping):
        return {}, [FieldError(field="prices", value=content, reason="is not a table", accepted="[prices.MATERIAL]")]
    prices: dict[str, float] = {}
    problems: list[FieldError] = []
    for material, raw in content.items():
        values, found = checks.price_schema().check(raw)
        problems += [problem.within(f"prices.{material}") for problem in found]
        if not found:
            prices[material] = values["per_kg"]
    return prices, problems
