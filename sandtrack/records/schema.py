"""How a declared schema is checked: the names a field may go by, the plain loop, and marshmallow's own load."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from datetime import tzinfo
from operator import itemgetter
from typing import Any, ClassVar

import marshmallow as ma

from sandtrack import units
from sandtrack.errors import WHOLE, FieldError, InputErrors
from sandtrack.records.composite import Inside
from sandtrack.records.fields import Field, Mass, Measured, Quantity, Spelled


class Declared(ma.Schema):
    """Base of records, their parts and the tables of the set-up."""

    class Meta:
        unknown = ma.RAISE

    zone: tzinfo | None
    open_names: ClassVar[bool] = False

    def __init__(self, *, zone: tzinfo | None = None, **kwargs: Any) -> None:
        self.zone = zone
        super().__init__(**kwargs)
        self.names = _names(self)
        self.required_names = [name for name, field in self.declared().items() if field.required]
        self._parsers = {name: field.parser() for name, field in self.declared().items()}
        self._all_required = itemgetter(*self.required_names) if self.required_names else bool
        self.ruled = type(self).rules is not Declared.rules

    def declared(self) -> Mapping[str, Field]:
        """Fields by name, in order of declaration."""
        return self.fields  # type: ignore[return-value]

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        """Complaints about fields that do not go together; overridden where there are such rules."""
        return ()

    def spell(self, content: Mapping[str, Any]) -> tuple[dict[str, Any], list[FieldError]]:
        """Bring every field under its own name; what came under another name is marked `Spelled`."""
        spelled: dict[str, Any] = {}
        labels: dict[str, str] = {}
        problems: list[FieldError] = []
        for label, value in content.items():
            if value is None:
                continue
            found = self.names.get(label)
            if found is None:
                problems.append(self._unknown(label))
                continue
            name, unit = found
            if unit == "amount" or unit == "measure":
                if unit == "amount":
                    measure = content.get(name.removesuffix("_kg") + "_measure")
                    if measure is None:
                        problems.append(
                            FieldError(
                                field=name.removesuffix("_kg") + "_measure",
                                reason="is missing",
                                accepted="the measure that the amount is told in",
                            )
                        )
                        continue
                    value = Measured(value, measure)
                elif content.get(name.removesuffix("_kg") + "_amount") is None:
                    problems.append(
                        FieldError(
                            field=name.removesuffix("_kg") + "_amount",
                            reason="is missing",
                            accepted="how many of the measure",
                        )
                    )
                    continue
                else:
                    continue
            elif unit is not None:
                value = Spelled(value, unit or None, label)
            if name in spelled:
                problems.append(
                    FieldError(field=label, reason=f"says again what {labels[name]} says", accepted="one of the two")
                )
                continue
            spelled[name], labels[name] = value, label
        return spelled, problems

    def _unknown(self, label: str) -> FieldError:
        near = difflib.get_close_matches(str(label), self.names, n=1)
        hint = f"did you mean {near[0]}?" if near else ", ".join(self.fields)
        return FieldError(field=str(label), reason="is not a field here", accepted=hint)

    def check(self, content: Any) -> tuple[dict[str, Any], list[FieldError]]:
        """Check one mapping by the plain loop; return what was meant and everything that is wrong."""
        good = self.good((content,))
        if good is None:
            return self._judged(content)
        return good[0], list(self.rules(good[0])) if self.ruled else []

    def good(self, contents: Sequence[Any]) -> list[dict[str, Any]] | None:
        """What was meant, if every content has all its fields under their own names and good; None: `check` each."""
        parsers, all_required = self._parsers, self._all_required
        good: list[dict[str, Any]] = []
        try:
            for content in contents:
                if type(content) is not dict:
                    return None
                values = {}
                for name, raw in content.items():
                    values[name] = parsers[name](raw)
                all_required(values)
                good.append(values)
        except (FieldError, KeyError, TypeError):
            return None
        return good

    def _judged(self, content: Any) -> tuple[dict[str, Any], list[FieldError]]:
        if not isinstance(content, Mapping):
            return {}, [FieldError(field=WHOLE, value=content, reason="is not an object with fields")]
        spelled, problems = self.spell(content)
        values: dict[str, Any] = {}
        fields = self.fields
        for name, raw in spelled.items():
            try:
                values[name] = fields[name].parse(raw)  # type: ignore[attr-defined]
            except Inside as inside:
                problems += inside.problems
            except FieldError as problem:
                problems.append(problem)
        told = {self.names[label][0] for label, value in content.items() if value is not None and label in self.names}
        problems += [self._missing(name) for name in self.required_names if name not in told]
        if not problems:
            problems += self.rules(values)
        return values, problems

    def _missing(self, name: str) -> FieldError:
        field = self.declared()[name]
        return FieldError(field=name, reason=f"is missing ({field.doc})", accepted=field.accepted)

    @ma.pre_load
    def _spell_first(self, content: Any, **_: Any) -> Any:
        if not isinstance(content, Mapping):
            raise ma.ValidationError(
                [{"problem": FieldError(field=WHOLE, value=content, reason="is not an object with fields")}]
            )
        spelled, problems = self.spell(content)
        if problems:
            raise ma.ValidationError([{"problem": problem} for problem in problems])
        return spelled

    @ma.validates_schema
    def _go_together(self, values: Any, **_: Any) -> None:
        problems = list(self.rules(values))
        if problems:
            raise ma.ValidationError([{"problem": problem} for problem in problems])

    def require(self, content: Any, *, what: str) -> dict[str, Any]:
        """Check, and raise InputErrors with everything that is wrong."""
        values, problems = self.check(content)
        if problems:
            raise InputErrors(problems, what=what)
        return values


def _names(schema: Declared) -> dict[str, tuple[str, str | None]]:
    """Every name a value may come under → (field, unit): None as declared, "" with a unit in the text."""
    names: dict[str, tuple[str, str | None]] = {}
    for name, field in schema.fields.items():
        names[name] = (name, None)
        stem = _stem(name, field)
        if stem is None:
            continue
        names.setdefault(stem, (name, ""))
        quantity = field.quantity  # type: ignore[attr-defined]
        for suffix, (other, unit) in units.SUFFIXES.items():
            if other == quantity:
                names.setdefault(f"{stem}_{suffix}", (name, unit))
        if isinstance(field, Mass) and field.in_measures:
            names.setdefault(f"{stem}_amount", (name, "amount"))
            names.setdefault(f"{stem}_measure", (name, "measure"))
    return names


def _stem(name: str, field: Any) -> str | None:
    if not isinstance(field, Quantity) or field.quantity == "":
        return None
    for suffix in sorted(units.SUFFIXES, key=len, reverse=True):
        if name.endswith(f"_{suffix}") and units.SUFFIXES[suffix][0] == field.quantity:
            return name.removesuffix(f"_{suffix}")
    return None
