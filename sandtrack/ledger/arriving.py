"""What is refused of a record that arrives, and not of one that the book holds already: names nobody knows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sandtrack import units
from sandtrack.errors import FieldError
from sandtrack.ledger import booking
from sandtrack.ledger.setups import Setups
from sandtrack.plant.checks import streams_of
from sandtrack.records import kind_named
from sandtrack.records.composite import Part, Rows
from sandtrack.records.naming import suggested
from sandtrack.records.schema import Declared


def unknown_streams(kind: str, values: Mapping[str, Any], setups: Setups) -> Iterator[FieldError]:
    """A calibration of a stream that its mixer does not have in any revision: a slip that would calibrate nothing."""
    if kind != "calibration":
        return
    known: dict[str, str] = {}
    for revision in reversed(setups.revisions):
        plant = revision.plant
        mixer = plant.mixers.get(values["mixer"])
        if mixer is None:
            continue
        for name in {*mixer.binder_systems, *mixer.draws} & set(plant.binder_systems):
            streams = {**streams_of(plant.binder_systems[name], plant), **dict.fromkeys(mixer.draws.get(name, {}), "")}
            known |= streams | {f"{name}_{stream}": "" for stream in streams}
        if values["stream"] in known:
            return
    if known:
        yield FieldError(
            field="stream",
            value=values["stream"],
            reason=f"is no stream of mixer {values['mixer']}",
            accepted=suggested(values["stream"], known),
        )


def with_suggestions(kind: str, problems: list[FieldError], setups: Setups) -> list[FieldError]:
    """The same complaints; what is no key, as a thing's name, gets the nearest key."""
    return [_suggested(kind, problem, setups) for problem in problems]


def _suggested(kind: str, problem: FieldError, setups: Setups) -> FieldError:
    section = booking.section_of(kind, problem.field)
    if section is None or not isinstance(problem.value, str):
        return problem
    accepted = suggested(problem.value, setups.labels(section)) or problem.accepted
    return FieldError(field=problem.field, value=problem.value, reason=problem.reason, accepted=accepted)


def without_unit(kind: str, content: Mapping[str, Any]) -> Iterator[FieldError]:
    """Bare numbers under names that have no unit: in a shop of US units nobody can tell what they mean."""
    yield from _bare(kind_named(kind)(), content, "")


def _bare(form: Declared, content: Mapping[str, Any], path: str) -> Iterator[FieldError]:
    fields = form.declared()
    for label, value in content.items():
        name, unit = form.names.get(label, (label, None))
        field = fields.get(name)
        if isinstance(field, Part):
            parts = value if isinstance(field, Rows) and isinstance(value, list) else [value]
            for index, part in enumerate(parts):
                if isinstance(part, Mapping):
                    at = f"{path}{label}[{index}]." if isinstance(field, Rows) else f"{path}{label}."
                    yield from _bare(field.schema, part, at)
        elif unit == "" and _is_bare(value):
            quantity = getattr(field, "quantity", "")
            endings = [f"{label}_{end}" for end, (other, _) in units.SUFFIXES.items() if other == quantity]
            yield FieldError(
                field=f"{path}{label}",
                value=value,
                reason="has no unit, and this is a shop of US units",
                accepted=f"the unit in the name: {', '.join(endings)}",
            )


def _is_bare(value: Any) -> bool:
    """Whether a value is a number without a unit."""
    if isinstance(value, bool) or value is None:
        return False
    try:
        units.number(value, field="")
    except FieldError:
        return False
    return True
