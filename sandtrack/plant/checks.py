"""What must fit together in a set-up: small functions that yield every violation."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import TYPE_CHECKING, Any

from sandtrack.errors import FieldError
from sandtrack.plant.tables import (
    GRADES,
    MOULDS,
    ONE_MATERIAL_KINDS,
    OUTSIDE,
    OWN_OF_PURPOSE,
    PURPOSES_APART,
    USUAL_SANDS,
    BinderSystem,
)
from sandtrack.records import fields as f
from sandtrack.records import times
from sandtrack.records.naming import suggested
from sandtrack.records.schema import Declared

if TYPE_CHECKING:
    from sandtrack.plant import Plant


class _Price(Declared):
    per_kg = f.Number("price of one kilogram", required=True, least=0)


def price_schema() -> Declared:
    """The schema of one price."""
    return _Price()


def key_violations(section: str, key: Any) -> Iterator[FieldError]:
    """What is wrong with a key of the set-up."""
    field = f.Key()
    field.name = str(key)
    try:
        field.parse(key)
    except FieldError as problem:
        yield problem
    if section == "places" and key in (*OUTSIDE, MOULDS):
        yield FieldError(
            field=str(key),
            reason="is a name that the ledger keeps for itself",
            accepted=f"any key but {', '.join((*OUTSIDE, MOULDS))}",
        )


def violations(plant: Plant, *, stored: bool = False) -> Iterator[FieldError]:
    """Everything in a set-up that does not fit together; one that the book holds is not judged by later rules."""
    for check in _CHECKS if stored else (*_CHECKS, *_ARRIVING):
        yield from check(plant)


def _missing(field: str, key: str, section: str, known: Any) -> Iterator[FieldError]:
    if key and key not in known:
        yield FieldError(
            field=field,
            value=key,
            reason=f"is not among the {section}",
            accepted=suggested(key, {name: _label(entry) for name, entry in _entries(known)}) or "none declared yet",
        )


def _entries(known: Any) -> list[tuple[str, Any]]:
    return list(known.items()) if hasattr(known, "items") else [(name, None) for name in known]


def _label(entry: Any) -> str:
    return str(getattr(entry, "name", ""))


def _zone(plant: Plant) -> Iterator[FieldError]:
    try:
        times.zone(plant.shop.time_zone)
    except ValueError as problem:
        yield FieldError(field="shop.time_zone", value=plant.shop.time_zone, reason=str(problem))


def _materials(plant: Plant) -> Iterator[FieldError]:
    for key, material in plant.materials.items():
        at = f"materials.{key}.continues"
        yield from _missing(at, material.continues, "materials", plant.materials)
        if material.continues == key:
            yield FieldError(
                field=at, value=key, reason="is the material itself", accepted="the key that it had before"
            )
        if material.continues_spread_pct is not None and not material.continues:
            yield FieldError(field=f"{at}_spread_pct", reason="says how far it differs from none", accepted="continues")


def _places(plant: Plant) -> Iterator[FieldError]:
    for key, place in plant.places.items():
        at = f"places.{key}"
        yield from _missing(f"{at}.material", place.material, "materials", plant.materials)
        yield from _missing(f"{at}.mixer", place.mixer, "mixers", plant.mixers)
        if place.kind in ONE_MATERIAL_KINDS and not place.material:
            yield FieldError(
                field=f"{at}.material",
                reason=f"is missing for a {place.kind.replace('_', ' ')}",
                accepted="the one material it holds",
            )
        kind = plant.materials[place.material].kind if place.material in plant.materials else ""
        if place.kind in ("silo", "heap", "reclaimer", "core_store") and kind not in ("", "sand"):
            yield FieldError(
                field=f"{at}.material",
                value=place.material,
                reason=f"is no sand, and a {place.kind.replace('_', ' ')} holds sand",
                accepted="a sand",
            )
        if place.kind == "tank" and kind == "sand":
            yield FieldError(
                field=f"{at}.material",
                value=place.material,
                reason="is a sand, and a tank holds a liquid",
                accepted="a liquid",
            )
        if place.shape is not None:
            yield from _shape(at, place.shape)


def _shape(at: str, shape: Any) -> Iterator[FieldError]:
    needed = {
        "cylinder_on_cone": ("diameter_m", "cone_height_m"),
        "cylinder": ("diameter_m",),
        "box": ("length_m", "width_m"),
    }[shape.form]
    for name in needed:
        if getattr(shape, name) is None:
            yield FieldError(
                field=f"{at}.shape.{name}", reason=f"is missing for a {shape.form}", accepted="a length in m"
            )


def _binder_systems(plant: Plant) -> Iterator[FieldError]:
    for key, system in plant.binder_systems.items():
        at = f"binder_systems.{key}"
        for name in ("resin", "catalyst", "part_1", "part_2", "drier"):
            yield from _missing(f"{at}.{name}", getattr(system, name), "materials", plant.materials)
        for grade, material in system.grades.items():
            yield from _missing(f"{at}.grades.{grade}", material, "materials", plant.materials)
        if system.lever == "grade":
            if set(GRADES).isdisjoint(system.grades):
                yield FieldError(
                    field=f"{at}.grades",
                    reason="is missing: speed of this family is set by grade",
                    accepted='grades = { slow = "…", fast = "…" }, or one of the two alone',
                )
        elif not system.catalyst and not system.drier and not system.catalysts:
            yield FieldError(
                field=f"{at}.catalyst",
                reason="is missing: speed of this family is set by its amount",
                accepted="the key of the catalyst",
            )
        first, second = system.part_1_share, system.part_2_share
        if first is not None and second is not None and abs(first + second - 1) > 1e-9:
            yield FieldError(
                field=f"{at}.part_2_share",
                value=second,
                reason=f"and part_1_share, {first:g}, are not the whole binder",
                accepted="shares that make 1, or one of the two alone",
            )
        urethane = system.family in ("phenolic_urethane", "alkyd_urethane")
        for name in ("part_1", "part_2") if urethane else ("resin",):
            if not getattr(system, name):
                yield FieldError(
                    field=f"{at}.{name}", reason="is missing for this family", accepted="the key of a material"
                )
        yield from _two_catalysts(at, system, plant)
        yield from _sand_shares(at, system, plant)
        yield from _reference(at, system)
        yield from _windows(at, system, OWN_OF_PURPOSE)
        for purpose in PURPOSES_APART:
            yield from _of_purpose(f"{at}.{purpose}", system, purpose)


def _two_catalysts(at: str, system: BinderSystem, plant: Plant) -> Iterator[FieldError]:
    """Two catalysts of one family whose speed is set by their amount, each with a pump of its own."""
    if not system.catalysts:
        return
    for name, material in system.catalysts.items():
        yield from _missing(f"{at}.catalysts.{name}", material, "materials", plant.materials)
    if set(system.catalysts) != set(GRADES):
        yield FieldError(
            field=f"{at}.catalysts",
            value=", ".join(system.catalysts),
            reason="does not name two catalysts, slow and fast",
            accepted='catalysts = { slow = "…", fast = "…" }, or catalyst = "…" where there is one',
        )
    if system.catalyst or system.lever == "grade" or system.family == "alkyd_urethane":
        reason = "cannot stand beside catalyst" if system.catalyst else "is not for this family"
        yield FieldError(field=f"{at}.catalysts", reason=reason, accepted="one of the two: catalyst, or catalysts")
    elif system.fast_share is None:
        yield FieldError(
            field=f"{at}.fast_share",
            reason="is missing beside catalysts",
            accepted="the usual share of the fast one, 0 to 1",
        )


def _sand_shares(at: str, system: BinderSystem, plant: Plant) -> Iterator[FieldError]:
    """Shares of sands that are not one whole, or of what is no sand of the set-up."""
    sands = {key: entry.name for key, entry in plant.materials.items() if entry.kind == "sand"}
    tables = [(at, system.sand_shares, system.reclaimed_share)]
    for purpose, own in (("facing", system.facing), ("backing", system.backing), ("core", system.core)):
        tables.append((f"{at}.{purpose}", own.get("sand_shares", {}), own.get("reclaimed_share")))
    for where, shares, reclaimed in tables:
        for name in shares:
            if name not in USUAL_SANDS and name not in sands:
                yield FieldError(
                    field=f"{where}.sand_shares",
                    value=name,
                    reason="is no sand of the set-up",
                    accepted=suggested(name, {**dict.fromkeys(USUAL_SANDS, ""), **sands}),
                )
        if shares and abs(sum(shares.values()) - 1) > 1e-9:
            yield FieldError(
                field=f"{where}.sand_shares",
                value=sum(shares.values()),
                reason="are not the whole sand",
                accepted="shares that make 1",
            )
        if shares and reclaimed is not None:
            yield FieldError(
                field=f"{where}.sand_shares", reason="cannot stand beside reclaimed_share", accepted="one of the two"
            )


def _windows(at: str, system: BinderSystem, told: Collection[str]) -> Iterator[FieldError]:
    """Amounts outside their windows, of the fields told in this table."""
    for what, name in (("resin_pct", "resin_window_pct"), ("catalyst_pct", "catalyst_window_pct")):
        value, window = getattr(system, what), getattr(system, name)
        if not {what, name}.isdisjoint(told) and window and value is not None and not window[0] <= value <= window[1]:
            yield FieldError(
                field=f"{at}.{what}",
                value=value,
                reason="is outside its own window",
                accepted=f"{window[0]:g} to {window[1]:g} %",
            )


def _of_purpose(at: str, system: BinderSystem, purpose: str) -> Iterator[FieldError]:
    own = system.own(purpose)
    yield from _windows(at, system.of(purpose), own)
    if "fast_share" in own and system.lever != "grade" and not system.catalysts:
        yield FieldError(
            field=f"{at}.fast_share", reason="does not set the speed of this family", accepted="catalyst_pct"
        )


def _reference(at: str, system: Any) -> Iterator[FieldError]:
    if system.reference is None:
        return
    for name in ("reading", "scale"):
        if getattr(system.reference, name) not in (None, "") and system.reference.definition == "hand":
            yield FieldError(
                field=f"{at}.reference.{name}",
                reason="is no part of strip judged by hand",
                accepted="a gauge's definition",
            )
    wanted, other = ("fast_share", "catalyst_pct") if system.lever == "grade" else ("catalyst_pct", "fast_share")
    if getattr(system.reference, wanted) is None and not (wanted == "fast_share" and len(system.grades) == 1):
        yield FieldError(
            field=f"{at}.reference.{wanted}",
            reason="is missing: it sets the speed of this family",
            accepted="the setting at which the strip time was known",
        )
    if getattr(system.reference, other) is not None and wanted == "fast_share":
        yield FieldError(
            field=f"{at}.reference.{other}", reason="does not set the speed of this family", accepted=wanted
        )


def _mixers(plant: Plant) -> Iterator[FieldError]:
    for key, mixer in plant.mixers.items():
        for system in mixer.binder_systems:
            yield from _missing(f"mixers.{key}.binder_systems", system, "binder systems", plant.binder_systems)
        for system, streams in mixer.draws.items():
            yield from _missing(f"mixers.{key}.draws", system, "binder systems", plant.binder_systems)
            for stream, place in streams.items():
                yield from _missing(f"mixers.{key}.draws.{system}.{stream}", place, "places", plant.places)
        drawn = {(system, draw) for system, draws in mixer.draws.items() for draw in draws}
        known = sorted({draw for _, draw in drawn} | {f"{system}_{draw}" for system, draw in drawn})
        for stream in mixer.setting_steps:
            yield from _missing(f"mixers.{key}.setting_steps", stream, "streams that it draws", known)


def streams_of(system: BinderSystem, plant: Plant) -> dict[str, str]:
    """Names that a stream of a binder system may go by, with what people call it: sands, its liquids, any material."""
    liquids = {
        "phenolic_urethane": ("part_1", "part_2"),
        "alkyd_urethane": ("resin", "part_1", "part_2", "co_reactant", "drier"),
    }.get(system.family, ("resin",))
    speed = tuple(system.grades) or tuple(system.catalysts) or ("catalyst",)
    named = dict.fromkeys(("sand", *USUAL_SANDS, *liquids, *speed), "")
    return {**named, **{key: material.name for key, material in plant.materials.items()}}


def _draw_names(plant: Plant) -> Iterator[FieldError]:
    for key, mixer in plant.mixers.items():
        for name, streams in mixer.draws.items():
            if (system := plant.binder_systems.get(name)) is None:
                continue
            known = streams_of(system, plant)
            for stream in streams:
                if stream not in known:
                    yield FieldError(
                        field=f"mixers.{key}.draws.{name}",
                        value=stream,
                        reason="is no stream of this binder system, and no material",
                        accepted=suggested(stream, known),
                    )


def _grade_names(plant: Plant) -> Iterator[FieldError]:
    for key, system in plant.binder_systems.items():
        for grade in system.grades:
            if grade not in GRADES:
                yield FieldError(
                    field=f"binder_systems.{key}.grades",
                    value=grade,
                    reason="is not the name of a grade",
                    accepted="slow, fast",
                )


def _patterns(plant: Plant) -> Iterator[FieldError]:
    for key, pattern in plant.patterns.items():
        yield from _missing(
            f"patterns.{key}.binder_system", pattern.binder_system, "binder systems", plant.binder_systems
        )


def _prices(plant: Plant) -> Iterator[FieldError]:
    for material in plant.prices:
        yield from _missing(f"prices.{material}", material, "materials", plant.materials)


_CHECKS: tuple[Callable[[Plant], Iterator[FieldError]], ...] = (
    _zone,
    _materials,
    _places,
    _binder_systems,
    _mixers,
    _patterns,
    _prices,
)
_ARRIVING: tuple[Callable[[Plant], Iterator[FieldError]], ...] = (_draw_names, _grade_names)
"""Rules for what is brought in; a set-up that the book holds already goes on being read without them."""
