"""What must fit together in a set-up: small functions that yield every violation."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import TYPE_CHECKING, Any

from sandtrack.errors import FieldError
from sandtrack.plant.tables import MOULDS, ONE_MATERIAL_KINDS, OUTSIDE, OWN_OF_PURPOSE, PURPOSES_APART, BinderSystem
from sandtrack.records import fields as f
from sandtrack.records import times
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


def violations(plant: Plant) -> Iterator[FieldError]:
    """Everything in a set-up that does not fit together."""
    for check in _CHECKS:
        yield from check(plant)


def _missing(field: str, key: str, section: str, known: Any) -> Iterator[FieldError]:
    if key and key not in known:
        yield FieldError(
            field=field,
            value=key,
            reason=f"is not among the {section}",
            accepted=", ".join(known) or "none declared yet",
        )


def _zone(plant: Plant) -> Iterator[FieldError]:
    try:
        times.zone(plant.shop.time_zone)
    except ValueError as problem:
        yield FieldError(field="shop.time_zone", value=plant.shop.time_zone, reason=str(problem))


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
            if not {"slow", "fast"} <= set(system.grades):
                yield FieldError(
                    field=f"{at}.grades",
                    reason="is missing: speed of this family is set by grade",
                    accepted='grades = { slow = "…", fast = "…" }',
                )
        elif not system.catalyst and not system.drier:
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
        yield from _reference(at, system)
        yield from _windows(at, system, OWN_OF_PURPOSE)
        for purpose in PURPOSES_APART:
            yield from _of_purpose(f"{at}.{purpose}", system, purpose)


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
    if "fast_share" in own and system.lever != "grade":
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
    if getattr(system.reference, wanted) is None:
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
    _places,
    _binder_systems,
    _mixers,
    _patterns,
    _prices,
)
