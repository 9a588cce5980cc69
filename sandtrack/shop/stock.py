"""What is where, how sure, and how much more would fit."""

from __future__ import annotations

import math

from sandtrack.plant import MOULDS, OUTSIDE
from sandtrack.shop import blocks, dangers, levels
from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.picture import KG, Picture
from sandtrack.trade.silo import DENSITY_SPREAD_SHARE

COVERAGE = 0.8
_Z = 1.2815515655446004  # of a normal distribution, 80 % in the middle


def stock(picture: Picture) -> Answer:
    """Stock of every place on site by material, with its range where an error is known.

    Values: `stock_kg` {place: {material: kg}}, `room_kg` {place: kg}, `counted_on` {place: {material: time}},
    `not_counted` [places whose own material was never counted: their figure is what moved, null if nothing did, and
    their room is null], `levels`
    [the latest level of each place as a mass: place, at, level_m, low_kg, mass_kg, high_kg, book_kg, gap_pct …].
    """
    held: dict[str, dict[str, float | None]] = {}
    counted: dict[str, dict[str, str | None]] = {}
    ranges: dict[str, Range] = {}
    flags: list[Flag] = []
    for place, material in picture.reader.holdings():
        if place in OUTSIDE:
            continue
        mass = picture.reader.stock_mg(place, material, picture.at)
        anchor = None if place == MOULDS else picture.reader.anchor(place, material, picture.at)
        own = place != MOULDS and picture.day.material_at(place) == material
        if mass == 0 and anchor is None and not own:
            continue
        held.setdefault(place, {})[material] = mass / KG
        if place == MOULDS:
            continue
        counted.setdefault(place, {})[material] = None if anchor is None else _time(picture, anchor.at)
        span = None if anchor is None else _range(picture, place, material, mass)
        if span is not None:
            ranges[f"stock_kg.{place}.{material}"] = span
        flags += _flags(picture, place, material, mass, anchor is None)
    for place, entry in picture.plant.places.items():
        if entry.material:
            held.setdefault(place, {}).setdefault(entry.material, None)
    room = {
        place: entry.safe_fill_kg - sum(mass or 0.0 for mass in held.get(place, {}).values())
        for place, entry in picture.plant.places.items()
        if entry.safe_fill_kg is not None
    }
    not_counted = _not_counted(picture, counted)
    flags += [_too_full(picture, place, left) for place, left in room.items() if left < 0]
    read = levels.level_masses(picture)
    flags += levels.level_flags(picture, read)
    flags += [block.flag for block in blocks.blocked(picture)]
    return Answer(
        question="stock",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={
            "stock_kg": held,
            "room_kg": {place: None if place in not_counted else left for place, left in room.items()},
            "counted_on": counted,
            "not_counted": not_counted,
            "levels": levels.told(picture, read),
        },
        ranges=ranges,
        basis=(
            Basis("book", "last count of each place and material, plus what moved since", "record", picture.head),
            Basis("safe fill", "most each place may hold", "set-up", "plant.toml, safe_fill_kg"),
            Basis(
                "levels",
                f"latest of the last {levels.LOOK_BACK_DAYS:g} days, flat surface, bulk density ± "
                f"{100 * DENSITY_SPREAD_SHARE:g} % (liquids ± {100 * levels.LIQUID_SPREAD_SHARE:g} %)",
                "practice",
                "dry silica sand lies at 1440 loose to 1680 packed",
            ),
        ),
        flags=tuple(flags),
        cautions=dangers.cautions("stock", flags=[flag.code for flag in flags]),
        head=picture.head,
    )


def _too_full(picture: Picture, place: str, left: float) -> Flag:
    """More in the book than a place may hold; a tank spills, a silo bursts its filter."""
    name = picture.name("places", place)
    if levels.is_tank(picture.day, place):
        text = f"{name} holds {-left:,.0f} kg more than its mark: stop filling, look for a spill, check the book"
        return Flag("tank_over_mark", text, place)
    text = f"{name} holds {-left:,.0f} kg more than its safe fill of the set-up: check the level, and the book"
    return Flag("over_safe_fill", text, place)


def _not_counted(picture: Picture, counted: dict[str, dict[str, str | None]]) -> list[str]:
    """Places whose own material was never counted: what moved there tells nothing of what was there before."""
    return [
        key
        for key, place in picture.plant.places.items()
        if place.material and counted.get(key, {}).get(place.material) is None
    ]


def _time(picture: Picture, at: int) -> str:
    from sandtrack.records import times

    return times.show(at, picture.zone)


def _range(picture: Picture, place: str, material: str, mass_mg: int) -> Range | None:
    """Range from the count's stated error and the errors of the measures that movements since were told in."""
    anchor = picture.reader.anchor(place, material, picture.at)
    variance = 0.0
    if anchor is not None and anchor.error_pct:
        variance += (anchor.mass_mg / KG * anchor.error_pct / 100 / 2) ** 2  # stated as how far off it may be: two sd
    since = anchor.at if anchor else None
    for measure, kg, kg2 in picture.reader.measured(place, material, since, picture.at):
        entry = picture.day.find("measures", measure)
        variance += (kg * entry.steady_pct / 100) ** 2 + kg2 * (entry.chance_pct / 100) ** 2
    if variance == 0:
        return None
    half = _Z * math.sqrt(variance)
    mid = mass_mg / KG
    return Range(
        mid - half,
        mid,
        mid + half,
        COVERAGE,
        "by the stated error of the count and of the shop's own measures; what nobody recorded is not in it",
    )


def _flags(picture: Picture, place: str, material: str, mass_mg: int, never_counted: bool) -> list[Flag]:
    found: list[Flag] = []
    name = f"{picture.name('materials', material)} in {picture.name('places', place)}"
    own = picture.day.material_at(place)
    if never_counted and own in ("", None, material):  # nobody is sent to count what came there by mistake
        found.append(Flag("never_counted", f"{name} was never counted, so its stock is not known: count it", place))
    elif not never_counted and mass_mg < 0:
        found.append(
            Flag(
                "below_zero",
                f"{name} stands at {mass_mg / KG:,.0f} kg in the book: a delivery or a count "
                "is missing, or a draw was booked to the wrong place",
                place,
            )
        )
    if own and material != own and mass_mg > 0:
        found.append(
            Flag(
                "wrong_material",
                f"{picture.name('places', place)} is set up for "
                f"{picture.name('materials', own)} and holds {mass_mg / KG:,.0f} kg of "
                f"{picture.name('materials', material)}",
                place,
            )
        )
    return found
