"""JSON Schema of what is declared: records, questions and set-up from their fields, answers from their dataclasses."""

from __future__ import annotations

import dataclasses
import inspect
import re
import types
from collections.abc import Callable, Mapping
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from sandtrack.plant import checks
from sandtrack.plant.table_fields import Named
from sandtrack.plant.tables import SINGLE, TABLES, Nested, OfPurpose, schema_of, schema_of_purpose
from sandtrack.records import composite as c
from sandtrack.records import fields as f
from sandtrack.records.schema import Declared

Schema = dict[str, Any]

_KEY = "^[a-z][a-z0-9_]{0,59}$"
_VALUE_NAME = "^[A-Za-z0-9_.]{1,60}$"
_DAY = "[0-9]{4}-[0-9]{2}-[0-9]{2}"
_TIME = rf"^{_DAY}[Tt ][0-9]{{2}}:[0-9]{{2}}(:[0-9]{{2}}([.,][0-9]{{1,6}})?)?([Zz]|[+-][0-9]{{2}}:[0-9]{{2}})?$"


def form(declared: Declared) -> Schema:
    """An object as declared: every field under each name that it may go by."""
    properties = {
        label: _spelled(declared.declared()[name], label, name, unit) for label, (name, unit) in declared.names.items()
    }
    made: Schema = {"type": "object", "properties": properties, "additionalProperties": False}
    text = inspect.getdoc(type(declared))
    if text:
        made["description"] = text
    ways = {name: _ways(declared, name) for name in declared.required_names}
    single = [name for name, spellings in ways.items() if len(spellings) == 1]
    if single:
        made["required"] = single
    several = [{"anyOf": [{"required": way} for way in spellings]} for spellings in ways.values() if len(spellings) > 1]
    if several:
        made["allOf"] = several
    pairs = [name.removesuffix("_amount") for name, (_, unit) in declared.names.items() if unit == "amount"]
    if pairs:
        made["dependentRequired"] = {f"{stem}_amount": [f"{stem}_measure"] for stem in pairs} | {
            f"{stem}_measure": [f"{stem}_amount"] for stem in pairs
        }
    return made


def joined(first: Schema, second: Schema) -> Schema:
    """One object with the fields of both; described as the second."""
    return {
        **second,
        "properties": {**first["properties"], **second["properties"]},
        "required": [*first.get("required", ()), *second.get("required", ())],
    }


def set_up() -> Schema:
    """A whole set-up, section by section."""
    sections = {name: form(schema_of(table)) for name, table in SINGLE.items()}
    for name, table in TABLES.items():
        sections[name] = _keyed(form(schema_of(table)))
    sections["prices"] = _keyed(form(checks.price_schema()))
    return {
        "type": "object",
        "description": "A whole revision of the set-up, section by section as in plant.toml.",
        "properties": sections,
        "required": ["shop"],
        "additionalProperties": False,
    }


def _keyed(schema: Schema) -> Schema:
    return {"type": "object", "propertyNames": {"pattern": _KEY}, "additionalProperties": schema}


def _ways(declared: Declared, name: str) -> list[list[str]]:
    """The names, or pairs of names, under each of which a field may come."""
    ways = []
    for label, (own, unit) in declared.names.items():
        if own == name and unit != "measure":
            stem = label.removesuffix("_amount")
            ways.append([label, f"{stem}_measure"] if unit == "amount" else [label])
    return ways


def _spelled(field: f.Field, label: str, name: str, unit: str | None) -> Schema:
    if unit is None:
        return {**_property(field), **({"description": _said(field)} if _said(field) else {})}
    if unit == "measure":
        return {
            "type": "string",
            "pattern": _KEY,
            "description": f"the measure of the set-up that {name.removesuffix('_kg')}_amount is told in",
        }
    if unit == "amount":
        text = f"{name} as so many of {name.removesuffix('_kg')}_measure"
    else:
        text = f"{name} in {unit}" if unit else f"{name} as text with its unit"
    return {"type": ["number", "string"], "description": f"instead of {name}: {text}"}


def _said(field: f.Field) -> str:
    parts = [field.doc, field.accepted if not isinstance(field, f.Quantity | f.Choice) else ""]
    if isinstance(field, f.Quantity) and field.unit:
        parts.append(f"in {field.unit}; or text with another unit")
    if field.refers:
        parts.append(f"one of the set-up's {field.refers.replace('_', ' ')}")
    return "; ".join(part for part in parts if part)


def _property(field: f.Field) -> Schema:
    """The values that one field takes under its own name."""
    made = next((made for kind, made in _MADE.items() if isinstance(field, kind)), None)
    return {"type": field.json_type} if made is None else made(field)


def _text(field: Any) -> Schema:
    return {"type": ["string", "integer"], "minLength": 1, "maxLength": field.longest}


def _quantity(field: Any) -> Schema:
    bounds = {"minimum": field.least, "maximum": field.most, "exclusiveMinimum": field.above}
    if isinstance(field, f.Mass):
        bounds = {"minimum": 0} if field.zero else {"exclusiveMinimum": 0}
    return {"type": ["number", "string"], **{name: bound for name, bound in bounds.items() if bound is not None}}


def _items(field: Any) -> Schema:
    return {"type": "array", "minItems": 1, "items": _property(field.item), "uniqueItems": field.distinct}


def _values(field: Any) -> Schema:
    value = {"type": ["number", "boolean", "string"], "minLength": 1, "maxLength": 200}
    return {
        "type": "object",
        "properties": dict.fromkeys(field.names, value),
        "propertyNames": {"pattern": _VALUE_NAME},
        "additionalProperties": value,
    }


def _amounts(field: Any) -> Schema:
    return {**_values(field), "additionalProperties": {"type": "number", "minimum": 0}}


def _rows(field: Any) -> Schema:
    return {"type": "array", "minItems": 1, "items": form(field.schema)}


def _instant(field: Any) -> Schema:
    dated = field.date_end is not None
    return {"type": "string", "pattern": f"{_TIME}|^{_DAY}$" if dated else _TIME}


# The first kind that fits: special ones before those that they are made of.
_MADE: Mapping[type[f.Field], Callable[[Any], Schema]] = {
    c.Rows: _rows,
    c.Part: lambda field: form(field.schema),
    c.Amounts: _amounts,
    c.Values: _values,
    c.Items: _items,
    Nested: lambda field: form(schema_of(field.table)),
    OfPurpose: lambda _: form(schema_of_purpose()),
    Named: lambda field: {"type": "object", "additionalProperties": _property(field.item)},
    f.Quantity: _quantity,
    f.Choice: lambda field: {"type": "string", "enum": list(field.words)},
    f.Flag: lambda _: {"type": ["boolean", "string"]},
    f.Day: lambda _: {"type": "string", "format": "date"},
    f.Instant: _instant,
    f.Key: lambda _: {"type": "string", "pattern": _KEY},
    f.Text: _text,
}


# -- answers ----------------------------------------------------------------------------------------------------


_TIMES: Mapping[str, Schema] = {name: {"format": "date-time"} for name in ("as_of", "recorded_at")}


def dataclass(kind: type[Any]) -> Schema:
    """An object as its dataclass says, every field present, and what it works out from them: its properties."""
    hints = get_type_hints(kind)
    names = [entry.name for entry in dataclasses.fields(kind)]
    for name, worked_out in vars(kind).items():
        if isinstance(worked_out, property):
            names.append(name)
            hints[name] = get_type_hints(worked_out.fget)["return"]
    text = re.sub(r"`+", "", inspect.getdoc(kind) or "")
    return {
        "type": "object",
        "description": text,
        "properties": {name: _hinted(hints[name]) | _TIMES.get(name, {}) for name in names},
        "required": names,
        "additionalProperties": False,
    }


def _hinted(hint: Any) -> Schema:
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Literal:
        return {"type": "string", "enum": list(inner)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_hinted(one) for one in inner]}
    if origin is tuple:
        return {"type": "array", "items": _hinted(inner[0])}
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _hinted(inner[1])}
    if dataclasses.is_dataclass(hint):
        return dataclass(hint) if isinstance(hint, type) else {}
    return {
        str: {"type": "string"},
        bool: {"type": "boolean"},
        float: {"type": "number"},
        int: {"type": "integer"},
        type(None): {"type": "null"},
    }.get(hint, {})
