"""The flat form of a kind: a record as one row of cells, for CSV, Excel and templates; all from its declaration."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import cache
from typing import Any, NamedTuple

from sandtrack.errors import FieldError, InputErrors
from sandtrack.records import fields as f
from sandtrack.records.cells import ITEM, PLAIN, Convert, as_flag, as_items, as_number, as_value, asked_back
from sandtrack.records.composite import Items, Part, Rows, Values
from sandtrack.records.schema import Declared

__all__ = ["IGNORED", "Column", "Reader", "column_of", "columns", "flatten", "reader", "template"]

IGNORED = ("rejected_line", "rejected_reason")
"""Columns that a load adds to lines it refuses; they are passed over when such a file is loaded again."""

_VALUE_NAME = re.compile(r"[A-Za-z0-9_.]{1,60}")
_PATH = re.compile(r"([^.\[]+)(?:\[([0-9]+)\])?(?:\.(.+))?").fullmatch

_Plan = list[tuple[int, str, Convert | None]]


class Column(NamedTuple):
    """One column of a kind's flat form."""

    name: str
    doc: str
    required: bool
    accepted: str
    path: tuple[str | int, ...]
    """Where its value lies in the content: ("streams", 0, "mass_kg")."""
    also: tuple[str, ...] = ()
    """Other names that it may go by, with another unit."""


class _Slot(NamedTuple):
    """What a header names: a path into the content (list entries counted from 1), its field, its unit."""

    path: tuple[str | int, ...]
    field: f.Field
    unit: str | None


@cache
def _form(kind: str) -> Declared:
    from sandtrack.records import kind_named

    return kind_named(kind)()


# -- columns ----------------------------------------------------------------------------------------------------


def columns(kind: str, *, repeat: int | None = None) -> list[Column]:
    """The columns of a kind under their own names; named values as FIELD_NAME.

    Lists have `repeat` entries, or as many as are usual.
    """
    form = _form(kind)
    listed = [
        Column("id", "the record's own id; made from the line where there is none", False, f.Name.accepted, ("id",)),
        Column("sender", "who sends it: a device or a person", False, f.Name.accepted, ("sender",)),
    ]
    declared = dict(form.declared())
    first = {name: declared.pop(name) for name in ("at", "by")}
    last = {"note": declared.pop("note")}
    for name, field in {**first, **declared, **last}.items():
        listed += _columns_of(form, name, field, repeat)
    return listed


def _columns_of(form: Declared, name: str, field: f.Field, repeat: int | None) -> Iterator[Column]:
    if isinstance(field, Rows):
        for number in range(1, (field.usual if repeat is None else repeat) + 1):
            for column in _inner(field, f"{field.prefix}{number}_", (name, number - 1)):
                yield column if number == 1 else column._replace(required=False)
    elif isinstance(field, Part):
        yield from _inner(field, f"{name}_", (name,))
    elif isinstance(field, Values):
        for inner in (*field.names, "NAME"):
            yield Column(f"{name}_{inner}", field.doc, False, "a number, true, false or a short text", (name, inner))
    else:
        yield Column(name, field.doc, field.required, _accepted(field), (name,), _also(form, name))


def _inner(field: Part, prefix: str, path: tuple[str | int, ...]) -> Iterator[Column]:
    for name, part in field.schema.declared().items():
        if isinstance(part, Values):
            for column in _columns_of(field.schema, name, part, 0):
                yield column._replace(name=prefix + column.name, path=(*path, *column.path))
            continue
        also = tuple(prefix + other for other in _also(field.schema, name))
        needed = part.required and field.required
        yield Column(prefix + name, part.doc, needed, _accepted(part), (*path, name), also)


def _accepted(field: f.Field) -> str:
    if isinstance(field, Items):
        return f"{_accepted(field.item) or 'names'}; several separated by ';'"
    if isinstance(field, f.Choice):
        return ", ".join(field.words)
    if isinstance(field, f.Quantity):
        bounded = field.least is not None or field.most is not None or field.above is not None
        return f"a number, {field.span}" if bounded else f"a number in {field.unit}" if field.unit else "a number"
    return field.accepted


def _also(form: Declared, name: str) -> tuple[str, ...]:
    return tuple(label for label, (own, _) in form.names.items() if own == name and label != name)


def template(kind: str) -> str:
    """A header line to fill in below; named values that the declaration does not list are left out."""
    return ",".join(column.name for column in columns(kind) if column.path[-1] != "NAME") + "\n"


# -- headers ----------------------------------------------------------------------------------------------------


def slot_of(kind: str, label: str) -> _Slot | None:
    """The field that a column of a kind is, or None."""
    return _slot(_form(kind), label)


def accepted_by(field: f.Field) -> str:
    """What a cell of a field may hold, in words."""
    return _accepted(field)


def _slot(form: Declared, label: str) -> _Slot | None:
    """What a header's name means, or None."""
    found = form.names.get(label)
    if found is not None:
        field = form.declared()[found[0]]
        return None if isinstance(field, Part | Values) else _Slot((label,), field, found[1])
    for name, field in form.declared().items():
        if isinstance(field, Rows):
            match = re.fullmatch(rf"{field.prefix}([1-9][0-9]{{0,2}})_(.+)", label)
            if match and (slot := _slot(field.schema, match[2])):
                return slot._replace(path=(name, int(match[1]), *slot.path))
        elif label.startswith(f"{name}_"):
            inner = label.removeprefix(f"{name}_")
            if isinstance(field, Part) and (slot := _slot(field.schema, inner)):
                return slot._replace(path=(name, *slot.path))
            if isinstance(field, Values) and _VALUE_NAME.fullmatch(inner):
                return _Slot((name, inner), field, None)
    return None


def _unknown(kind: str, label: str) -> FieldError:
    listed = [column for column in columns(kind) if column.path[-1] != "NAME"]
    own = [column.name for column in listed]
    also = [name for column in listed for name in column.also]
    near = difflib.get_close_matches(label.lower(), own, n=1) or difflib.get_close_matches(label.lower(), also, n=1)
    accepted = f"did you mean {near[0]}?" if near else ", ".join(column.name for column in columns(kind, repeat=1))
    return FieldError(field=label, reason=f"is not a column of {kind}", accepted=accepted)


def column_of(kind: str, path: str, numbers: Sequence[int] = ()) -> str:
    """The column of a field's path: `streams[1].mass_kg` is `stream2_mass_kg`.

    `numbers` are the numbers of the list's entries in the row, where not 1, 2, 3 … were filled.
    """
    match = _PATH(path)
    field = _form(kind).fields.get(match[1]) if match else None
    if match is None or field is None:
        return path
    name, index, inner = match[1], match[2], match[3]
    if isinstance(field, Rows):
        place = int(index or 0)
        start = f"{field.prefix}{numbers[place] if place < len(numbers) else place + 1}_"
        return start + inner.replace(".", "_", 1) if inner else _needed(field, start)
    if isinstance(field, Part):
        return f"{name}_{inner}" if inner else _needed(field, f"{name}_")
    if isinstance(field, Values):
        return f"{name}_{inner or 'NAME'}"
    return name


def _needed(field: Part, start: str) -> str:
    names = field.schema.required_names or list(field.schema.declared())
    return ", ".join(start + name for name in names)


# -- cells ------------------------------------------------------------------------------------------------------


def _converter(label: str, slot: _Slot, decimal: str, sure: bool) -> Convert | None:
    field = slot.field
    item = field.item if isinstance(field, Items) else field
    convert: Convert | None = None
    if isinstance(item, Values):
        convert = as_value(label, decimal)
    elif isinstance(item, f.Flag):
        return as_flag
    elif item.numeric and slot.unit != "measure":
        convert = as_number(label, item, slot.unit, decimal)
    if convert is not None and not sure:
        convert = asked_back(label, convert)
    return as_items(label, convert) if isinstance(field, Items) else convert


# -- rows -------------------------------------------------------------------------------------------------------


def reader(kind: str, header: Sequence[str], *, decimal: str = ".", sure: bool = True) -> Reader:
    """Compile a header; raise InputErrors naming every column that cannot be used.

    Unless the decimal mark is `sure`, a number that could be read with either mark is refused.
    """
    if decimal not in PLAIN:
        raise FieldError(field="decimal", value=decimal, reason="is not a decimal mark", accepted="'.' or ','")
    return Reader(kind, header, decimal, sure)


class Reader:
    """Turns rows of cells under one header into contents."""

    def __init__(self, kind: str, header: Sequence[str], decimal: str, sure: bool = True) -> None:
        self.kind = kind
        self.header = [label.strip() for label in header]
        self.width = len(self.header)
        self._id = self._sender = -1
        self._nameless: list[int] = []
        self._plain: _Plan = []
        self._nested: list[tuple[str, bool, bool, list[tuple[int, _Plan]]]] = []
        problems: list[FieldError] = []
        nested: dict[str, dict[int, _Plan]] = {}
        form = _form(kind)
        for index, label in enumerate(self.header):
            if label and label in self.header[:index]:
                problems.append(FieldError(field=label, reason="is there twice", accepted="each column once"))
            elif label == "id":
                self._id = index
            elif label == "sender":
                self._sender = index
            elif not label:
                self._nameless.append(index)
            elif label not in IGNORED:
                slot = _slot(form, label)
                if slot is None:
                    problems.append(_unknown(kind, label))
                    continue
                path, convert = slot.path, _converter(label, slot, decimal, sure)
                number = path[1] if len(path) > 2 and isinstance(path[1], int) else 0
                plan = nested.setdefault(str(path[0]), {}).setdefault(number, []) if len(path) > 1 else self._plain
                inner = path[2 if number else 1 :] or path
                plan.append((index, ".".join(map(str, inner)), convert))
        if not any(self.header):
            problems.append(FieldError(field="header", reason="names no column", accepted="names in the first line"))
        if problems:
            raise InputErrors(problems, what=f"the header of {kind}")
        for name, numbered in nested.items():
            field = form.declared()[name]
            deep = isinstance(field, Part) and any("." in key for plan in numbered.values() for _, key, _ in plan)
            self._nested.append((name, isinstance(field, Rows), deep, sorted(numbered.items())))

    def read(self, cells: Sequence[str]) -> tuple[dict[str, Any], str, str]:
        """Content, id and sender ("" where the row does not say) of a row with stripped cells; raises InputErrors."""
        content, record_id, sender, problems = self.parse(cells)
        if problems:
            raise InputErrors(problems, what=self.kind)
        return content, record_id, sender

    def parse(self, cells: Sequence[str]) -> tuple[dict[str, Any], str, str, list[FieldError]]:
        """As `read`, with what is wrong told beside what could be read."""
        problems: list[FieldError] = []
        if len(cells) != self.width:
            return {}, "", "", [self._ragged(cells)]
        for index in self._nameless:
            if cells[index]:
                reason = "stands in a column without a name"
                problems.append(FieldError(field=f"column {index + 1}", value=cells[index], reason=reason))
        content: dict[str, Any] = {}
        _fill(content, self._plain, cells, problems)
        for name, many, deep, numbered in self._nested:
            filled: list[dict[str, Any]] = []
            for _, plan in numbered:
                part: dict[str, Any] = {}
                _fill(part, plan, cells, problems)
                if part:
                    filled.append(_unfolded(part) if deep else part)
            if filled:
                content[name] = filled if many else filled[0]
        record_id = cells[self._id] if self._id >= 0 else ""
        return content, record_id, cells[self._sender] if self._sender >= 0 else "", problems

    def _ragged(self, cells: Sequence[str]) -> FieldError:
        return FieldError(
            field="line",
            reason=f"has {len(cells)} cells under {self.width} columns{self._beyond(cells)}",
            accepted="one cell a column; a text with a separator in it stands in quotation marks",
            code="ragged",
        )

    def _beyond(self, cells: Sequence[str]) -> str:
        """Where a row ends: the first cell that has no column, or the first column that has no cell."""
        if len(cells) > self.width:
            return f", the first without a column is cell {self.width + 1}, {cells[self.width][:40]!r}"
        return f", the first column without a cell is {self.header[len(cells)] or len(cells) + 1}"

    def located(self, problem: FieldError, cells: Sequence[str]) -> FieldError:
        """The same complaint, of the column and cell of this row that it is about."""
        match = _PATH(problem.field)
        numbers: list[int] = []
        for name, many, _, numbered in self._nested:
            if many and match and match[1] == name:
                numbers = [number for number, plan in numbered if any(cells[index] for index, _, _ in plan)]
        column = column_of(self.kind, problem.field, numbers)
        value = problem.value
        whole = match is None or match[2] is None or match[3] is not None
        if value is not None and whole and column in self.header:
            value = cells[self.header.index(column)] or value
        return FieldError(
            field=column, value=value, reason=problem.reason, accepted=problem.accepted, code=problem.code
        )


def _fill(into: dict[str, Any], plan: _Plan, cells: Sequence[str], problems: list[FieldError]) -> None:
    for index, key, convert in plan:
        cell = cells[index]
        if cell:
            if convert is None:
                into[key] = cell
            else:
                try:
                    into[key] = convert(cell)
                except FieldError as problem:
                    problems.append(problem)


def _unfolded(part: dict[str, Any]) -> dict[str, Any]:
    """Named values within a part, "flows_kg_min.resin", as the map that they are."""
    whole: dict[str, Any] = {}
    for key, value in part.items():
        name, _, inner = key.partition(".")
        if inner:
            whole.setdefault(name, {})[inner] = value
        else:
            whole[name] = value
    return whole


def flatten(kind: str, content: Mapping[str, Any]) -> dict[str, str]:
    """A content as columns and cells; raises FieldError for a field that the kind does not have."""
    form = _form(kind)
    row: dict[str, str] = {}
    for label, value in content.items():
        if value is None:
            continue
        if label not in form.names:
            raise _unknown(kind, label)
        field = form.declared()[form.names[label][0]]
        if isinstance(field, Rows):
            for number, part in enumerate(value, 1):
                row.update(_cells(f"{field.prefix}{number}_", part))
        elif isinstance(field, Part | Values):
            row.update(_cells(f"{label}_", value))
        else:
            row[label] = _cell(value)
    return row


def _cells(prefix: str, part: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for name, value in part.items():
        if isinstance(value, Mapping):
            yield from _cells(f"{prefix}{name}_", value)
        elif value is not None:
            yield prefix + name, _cell(value)


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return ITEM.join(_cell(entry) for entry in value)
    return str(value)
