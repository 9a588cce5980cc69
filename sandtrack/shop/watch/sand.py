"""What went into mixes and came out of the laboratory that deserves a look: crossings, tests, lots."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, timedelta

from sandtrack.records import times
from sandtrack.shop import laboratory
from sandtrack.shop.answer import Flag
from sandtrack.shop.picture import KG, Seen
from sandtrack.shop.watch.items import Occurred, occurred
from sandtrack.shop.watch.recent import DAY_US, LOOK_BACK_DAYS, Recent
from sandtrack.shop.wording import day, kg

LOTS_BACK_DAYS = 800
CROSSING_LEAST_KG = 1.0


def crossings(recent: Recent) -> Iterator[Flag | Occurred]:
    """Sand that carries one binder family's residue in another family's heap, reclaimer, silo or mix."""
    picture = recent.picture
    into: dict[tuple[str, str], int] = {}
    for flow in recent.flows:
        if "conversion" in (flow.source, flow.target) or flow.target not in picture.setups.known("places"):
            continue
        own = _family(recent, picture.day.material_at(flow.target))
        if own and _family(recent, flow.material) not in ("", own):
            key = (flow.target, flow.material)
            into[key] = into.get(key, 0) + flow.mass_mg
    for (place, material), mass in sorted(into.items()):
        if mass >= CROSSING_LEAST_KG * KG:
            yield _crossing(recent, "family_crossing", kg(mass / KG), material, picture.name("places", place), place)
    mixed: dict[tuple[str, str, str], int] = {}
    for dose in recent.doses:
        if dose.seen.at < recent.since:
            continue
        family = dose.day.find("binder_systems", dose.system).family
        for stream in dose.seen.values["streams"]:
            material = stream.get("material") or dose.day.material_at(stream["place"])
            if _family(recent, material) not in ("", family):
                key3 = (dose.mixer, dose.system, material)
                mixed[key3] = mixed.get(key3, 0) + dose.day.mass_mg(stream["mass_kg"])
    for (mixer, system, material), mass in sorted(mixed.items()):
        if mass:
            where = f"mixes of {picture.name('binder_systems', system)} on {picture.name('mixers', mixer)}"
            yield _crossing(recent, "sand_of_other_family", kg(mass / KG), material, where, mixer)


def _crossing(recent: Recent, code: str, mass: str, material: str, where: str, subject: str) -> Flag:
    return Flag(
        code,
        f"{mass} of {recent.picture.name('materials', material)} went into {where} within {LOOK_BACK_DAYS} days: "
        "residue of another binder family upsets the cure; test a piece, and find out how it got there",
        subject,
    )


def _family(recent: Recent, material: str) -> str:
    return str(recent.picture.day.find("materials", material).family) if material else ""


def tests(recent: Recent) -> Iterator[Flag | Occurred]:
    """Latest results outside the limits of the material, and tests whose readings make no result."""
    picture = recent.picture
    found = laboratory.results(picture, recent.since, picture.at)
    for result in laboratory.latest(found):
        for name, value, limits in laboratory.outside(picture, result):
            yield Flag(
                "test_outside_limits",
                f"{name.replace('_pct', ' %').replace('_', ' ')} of {picture.name('places', result.place)} was "
                f"{value:.2f} on {day(result.at, picture.zone)}, limit {limits} (test {result.id}): test again, and "
                "hold the sand if it stays so",
                result.place,
            )
    for result in found:
        if result.problem:
            yield occurred(
                "test_not_used",
                f"test {result.id} of {day(result.at, picture.zone)} gives no result: {result.problem}",
                result.id,
                at=result.at,
            )


def lots(recent: Recent) -> Iterator[Flag | Occurred]:
    """Lots past their last day of use that may still be in their place, first in, first out."""
    picture = recent.picture
    by_place: dict[str, list[Seen]] = {}
    for seen in picture.records("delivery", since=picture.at - LOTS_BACK_DAYS * DAY_US):
        by_place.setdefault(seen.values["place"], []).append(seen)
    for place, deliveries in sorted(by_place.items()):
        left = recent.held_mg(place)
        for seen in reversed(deliveries):
            if left <= 0:
                break
            on = picture.setups.on(seen.at)
            material = seen.values.get("material") or on.material_at(place)
            mass = seen.values.get("mass_kg") or seen.values["gross_kg"] - seen.values["tare_kg"]
            whole = on.mass_mg(mass)
            last_day = _last_day(seen, on.find("materials", material).shelf_life_days if material else None)
            if last_day is not None and last_day < picture.today:
                lot = seen.values.get("lot", seen.id)
                yield occurred(
                    "lot_past_use_by",
                    f"up to {kg(min(left, whole) / KG)} of lot {lot} may still be in {picture.name('places', place)}; "
                    f"its last day was {last_day.isoformat()}: test it before use",
                    lot,
                    at=times.day_end(last_day, picture.zone),
                )
            left -= whole


def _last_day(seen: Seen, shelf_life_days: float | None) -> date | None:
    stated: date | None = seen.values.get("use_by")
    made: date | None = seen.values.get("made_on")
    if stated is not None or made is None or shelf_life_days is None:
        return stated
    return made + timedelta(days=shelf_life_days)


CHECKS: tuple[Callable[[Recent], Iterator[Flag | Occurred]], ...] = (crossings, tests, lots)
