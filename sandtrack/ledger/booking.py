"""From a checked record to its movements, by the record and the set-up alone.

Only an ending (knock-out, scrapped mould) also needs what its moulds held; it is told that.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from functools import cache
from typing import Any, NamedTuple

from sandtrack.errors import FieldError
from sandtrack.ledger.setups import EXACT, Day, Path, Setups, labelled
from sandtrack.plant import MOULDS
from sandtrack.records import Measured, kind_named
from sandtrack.records.composite import Items, Part, Rows
from sandtrack.records.fields import Mass

Values = Mapping[str, Any]


class Move(NamedTuple):
    """An exact mass of one material from one place to another; a negative mass takes a movement back."""

    source: str
    target: str
    material: str
    mass_mg: int
    mould: str | None = None
    measure: str | None = None


class Form(NamedTuple):
    """Where records of one kind name keys of the set-up, and where they tell masses."""

    keys: tuple[tuple[str, str], ...]
    """Fields that are a key: (field, section of the set-up)."""
    lists: tuple[tuple[str, str], ...]
    """Fields that are lists of keys."""
    part_keys: tuple[tuple[str, bool, tuple[tuple[str, str], ...]], ...]
    """Keys within parts: (field, whether it has many parts, (field of the part, section) …)."""
    masses: tuple[str, ...]
    part_masses: tuple[tuple[str, str], ...]
    """Masses within lists of parts: (field, field of the part)."""


@cache
def form_of(kind: str) -> Form:
    """Read the declaration of a kind."""
    declared = kind_named(kind)().declared()
    parts = [
        (name, isinstance(field, Rows), field.schema.declared().items())
        for name, field in declared.items()
        if isinstance(field, Part)
    ]
    refer = [(name, field) for name, field in declared.items() if field.refers and not isinstance(field, Part)]
    return Form(
        keys=tuple((name, field.refers) for name, field in refer if not isinstance(field, Items)),
        lists=tuple((name, field.refers) for name, field in refer if isinstance(field, Items)),
        part_keys=tuple(
            (name, many, keys)
            for name, many, inside in parts
            if (keys := tuple((inner, part.refers) for inner, part in inside if part.refers))
        ),
        masses=tuple(name for name, field in declared.items() if isinstance(field, Mass)),
        part_masses=tuple(
            (name, inner) for name, many, inside in parts if many for inner, part in inside if isinstance(part, Mass)
        ),
    )


def section_of(kind: str, field: str) -> str | None:
    """The section of the set-up that a field's key is looked up in, by its path as `streams[1].place`; None: no key."""
    form, name = form_of(kind), re.sub(r"\[[0-9]+\]", "", field)
    inner = {f"{part}.{key}": section for part, _, keys in form.part_keys for key, section in keys}
    return {**dict(form.keys), **dict(form.lists), **inner}.get(name)


def unknown_keys(form: Form, values: Values, setups: Setups) -> list[FieldError]:
    """Complain of every key in a checked record that no revision of the set-up has; measures aside."""
    known = setups.known
    problems: list[FieldError] = []
    for name, section in form.keys:
        key = values.get(name)
        if key is not None and key not in known(section):
            problems.append(setups.unknown((name,), section, key))
    for name, section in form.lists:
        for index, key in enumerate(values.get(name, ())):
            if key not in known(section):
                problems.append(setups.unknown((name, index), section, key))
    for name, many, keys in form.part_keys:
        parts = values.get(name)
        if parts is not None:
            for index, part in enumerate(parts if many else (parts,)):
                for inner, section in keys:
                    key = part.get(inner)
                    if key is not None and key not in known(section):
                        path = (name, index, inner) if many else (name, inner)
                        problems.append(setups.unknown(path, section, key))
    return problems


def telling(form: Form, values: Values, most_mg: int) -> list[tuple[Path, int | Measured]]:
    """Masses of a record and its parts that were told in a measure, or are more than `most_mg`, with their paths."""
    found: list[tuple[Path, int | Measured]] = []
    for name in form.masses:
        mass = values.get(name)
        if mass is not None and (type(mass) is not int or mass > most_mg):
            found.append(((name,), mass))
    for name, inner in form.part_masses:
        for index, part in enumerate(values.get(name, ())):
            mass = part.get(inner)
            if mass is not None and (type(mass) is not int or mass > most_mg):
                found.append(((name, index, inner), mass))
    return found


def moves(kind: str, values: Values, day: Day) -> list[Move]:
    """Movements of a record that its content and the set-up fix; of an ending, only what was carried out.

    Raises FieldError where the set-up does not say enough, or a place cannot be what the record makes of it.
    """
    book = _BOOKS.get(kind)
    return [move for move in book(values, day) if move.mass_mg] if book else []


def ending_moves(values: Values, day: Day, held: Sequence[tuple[str, str, int]]) -> list[Move]:
    """Movements that empty moulds of `held` (mould, material, mg): sand to the heap as its sand, the rest consumed."""
    to = values["to"]
    found: list[Move] = []
    become: dict[str, int] = {}
    own = day.material_at(to)
    for mould, material, mass in held:
        if day.is_sand(material):
            found.append(Move(MOULDS, to, material, mass, mould))
            if own and material != own and day.is_sand(own):
                become[material] = become.get(material, 0) + mass
        else:
            found.append(Move(MOULDS, "consumed", material, mass, mould))
    for material, mass in become.items():
        found += [Move(to, "conversion", material, mass), Move("conversion", to, own, mass)]
    return [move for move in found if move.mass_mg]


def filled(kind: str, values: Values) -> tuple[str, ...]:
    """Moulds that a record puts something into."""
    if kind == "mix":
        return tuple(values.get("moulds", ()))
    if kind == "transfer" and "mould" in values:
        return (values["mould"],)
    return ()


def _material(values: Values, place: str, day: Day, path: Path = ("material",)) -> str:
    material: str = values.get("material") or day.material_at(place)
    if not material:
        raise _no_material(place, path)
    return material


def _no_material(place: str, path: Path) -> FieldError:
    return FieldError(
        field=labelled(path),
        reason=f"is missing: {place} has no material of its own in the set-up",
        accepted="the key of a material",
    )


def _kind_of(place: str, day: Day, field: str, kinds: tuple[str, ...]) -> None:
    kind = day.find("places", place).kind
    if kind not in kinds:
        raise FieldError(
            field=field,
            value=place,
            reason=f"is a {kind.replace('_', ' ')}",
            accepted=", ".join(word.replace("_", " ") for word in kinds),
        )


def _measure(mass: Any) -> str | None:
    return mass.measure if isinstance(mass, Measured) else None


def _as_its_own(source: str, target: str, material: str, mass: int, day: Day, measure: str | None) -> Iterator[Move]:
    """Sand into a place, becoming that place's sand by equal movements through `conversion`."""
    if source == target:  # drawn and thrown back where it was: nothing moved
        return
    yield Move(source, target, material, mass, None, measure)
    own = day.material_at(target)
    if own and own != material and day.is_sand(own) and day.is_sand(material):
        yield Move(target, "conversion", material, mass)
        yield Move("conversion", target, own, mass)


def _delivery(values: Values, day: Day) -> Iterator[Move]:
    place = values["place"]
    _kind_of(place, day, "place", ("silo", "hopper", "tank", "store", "container", "core_store", "heap"))
    mass = values.get("mass_kg")
    if mass is None:
        mass = values["gross_kg"] - values["tare_kg"]
    yield Move("supplier", place, _material(values, place, day), day.mass_mg(mass), None, _measure(mass))


def _transfer(values: Values, day: Day) -> Iterator[Move]:
    source, mass = values["source"], values["mass_kg"]
    material = _material(values, source, day)
    target, mould = values.get("target", MOULDS), values.get("mould")
    yield Move(source, target, material, day.mass_mg(mass), mould, _measure(mass))


def _mix(values: Values, day: Day) -> Iterator[Move]:
    destination = values.get("destination")
    if destination:
        _kind_of(destination, day, "destination", ("core_store", "heap", "skip"))
    moulds = values.get("moulds", ())
    weights = _weights(values, day) if moulds else None
    for index, stream in enumerate(values["streams"]):
        place, mass = stream["place"], stream["mass_kg"]
        material = stream.get("material") or day.material_at(place)
        if not material:
            raise _no_material(place, ("streams", index, "material"))
        whole, measure = (mass, None) if type(mass) is int else (day.mass_mg(mass), _measure(mass))
        if destination and day.is_sand(material):
            yield from _as_its_own(place, destination, material, whole, day, measure)
        elif destination:
            yield Move(place, "consumed", material, whole, None, measure)
        elif weights is None:
            yield Move(place, MOULDS, material, whole, moulds[0], measure)
        else:
            for mould, part in zip(moulds, shared(whole, weights), strict=True):
                yield Move(place, MOULDS, material, part, mould, measure)


def _weights(values: Values, day: Day) -> list[Decimal] | None:
    """How a run is shared: by shares, else by the pattern cards if all are known, else evenly."""
    moulds = values["moulds"]
    if len(moulds) == 1:
        return None
    if "shares" in values:
        return [Decimal(repr(share)) for share in values["shares"]]
    if "patterns" in values:
        return [Decimal(repr(float(day.find("patterns", pattern).box_sand_kg))) for pattern in values["patterns"]]
    return [Decimal(1)] * len(moulds)


def shared(mass_mg: int, weights: Sequence[Decimal]) -> list[int]:
    """Share a mass: each takes the floor of its part, the first takes what is left besides."""
    scale = min(weight.as_tuple().exponent for weight in weights)  # whole numbers: no rounding of the context
    whole = [int(weight.scaleb(-int(scale), context=EXACT)) for weight in weights]
    total = sum(whole)
    parts = [mass_mg * weight // total for weight in whole]
    parts[0] += mass_mg - sum(parts)
    return parts


def _carried_out(values: Values, day: Day) -> Iterator[Move]:
    _kind_of(values["to"], day, "to", ("heap", "skip"))
    mass = values.get("carried_out_kg")
    if mass is not None:
        yield Move(
            values["to"],
            "carried_out",
            _material({}, values["to"], day, ("to",)),
            day.mass_mg(mass),
            None,
            _measure(mass),
        )


def _scrapped(values: Values, day: Day) -> Iterator[Move]:
    _kind_of(values["to"], day, "to", ("heap", "skip"))
    yield from ()


def _reclaim_run(values: Values, day: Day) -> Iterator[Move]:
    source, reclaimer = values["source"], values["reclaimer"]
    _kind_of(reclaimer, day, "reclaimer", ("reclaimer",))
    for field in ("source", "to", "lumps_to", "dust_to"):
        if values.get(field) == reclaimer:
            raise FieldError(field=field, value=reclaimer, reason="is the reclaimer itself", accepted="another place")
    out = [
        (values[f"{what}_kg"], values[to])
        for what, to in (("returned", "to"), ("lumps", "lumps_to"), ("dust", "dust_to"))
        if f"{what}_kg" in values and to in values
    ]
    fed = values.get("fed_kg")
    fed_mg = sum(day.mass_mg(mass) for mass, _ in out) if fed is None else day.mass_mg(fed)
    yield from _as_its_own(source, reclaimer, _material({}, source, day, ("source",)), fed_mg, day, _measure(fed))
    inside = day.material_at(reclaimer)
    for mass, to in out:
        yield from _as_its_own(reclaimer, to, inside, day.mass_mg(mass), day, _measure(mass))


def _disposal(values: Values, day: Day) -> Iterator[Move]:
    place, mass = values["place"], values["mass_kg"]
    yield Move(place, "off_site", _material(values, place, day), day.mass_mg(mass), None, _measure(mass))


_BOOKS: Mapping[str, Callable[[Values, Day], Iterator[Move]]] = {
    "delivery": _delivery,
    "transfer": _transfer,
    "mix": _mix,
    "knock_out": _carried_out,
    "mould_scrap": _scrapped,
    "reclaim_run": _reclaim_run,
    "disposal": _disposal,
}


class Counted(NamedTuple):
    """What a count anchors; an empty material means every material of the place."""

    place: str
    material: str
    mass_mg: int
    error_pct: float | None


def counted(values: Values, day: Day) -> Counted:
    """Return what a count found."""
    if values.get("empty"):
        return Counted(values["place"], "", 0, values.get("error_pct"))
    material = _material(values, values["place"], day)
    return Counted(values["place"], material, day.mass_mg(values["mass_kg"]), values.get("error_pct"))
