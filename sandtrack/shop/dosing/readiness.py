"""What to look at before a mixer is set: blocked stock, old lots, sand of another family; wet sand is in moisture."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sandtrack.plant import Mixer
from sandtrack.shop import blocks
from sandtrack.shop.answer import Basis, Flag
from sandtrack.shop.dosing import moisture
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.trade.advice import crossing_advice

_DAY = 86_400_000_000
_LOOK_BACK_DAYS = 400  # longer than liquids keep


@dataclass(frozen=True)
class Lot:
    """A lot that the stock of a place can be of, by its delivery or transfer."""

    place: str
    material: str
    seen: Seen
    part_mg: int
    """How much of the stock is of it."""

    @property
    def name(self) -> str:
        lot: str = self.seen.values.get("lot", "")
        return lot


def lots(picture: Picture, mixer: Mixer, system: System) -> list[Lot]:
    """Lots that the stock of everything drawn for this system can be of, the latest first."""
    return _lots(picture, mixer.draws.get(system.key, {}))


@dataclass(frozen=True)
class Readiness:
    """What keeps a mixer from a system, what allows no more than a test piece, and what else is to be looked at."""

    blocking: tuple[Flag, ...] = ()
    test_piece: tuple[Flag, ...] = ()
    notes: tuple[Flag, ...] = ()
    basis: tuple[Basis, ...] = ()

    @property
    def flags(self) -> tuple[Flag, ...]:
        """All of it."""
        return (*self.blocking, *self.test_piece, *self.notes)


def look_at(picture: Picture, mixer: Mixer, system: System, lots: list[Lot]) -> Readiness:
    """What is to be looked at before the mixer is set for this system."""
    draws = mixer.draws.get(system.key, {})
    if not draws:
        text = (
            f"the set-up does not say what {picture.name('mixers', mixer.key)} draws {system.name} from "
            f"(mixers.{mixer.key}.draws.{system.key}): blocked stock, lots and reclaimed sand cannot be checked"
        )
        return Readiness(notes=(Flag("draws_unknown", text, mixer.key),))
    wet = moisture.judged(picture, mixer, system)
    return Readiness(
        blocking=(*_blocking(picture, draws, lots), *(flag for flag in wet.flags if flag.code == moisture.VERY_WET)),
        test_piece=tuple(flag for flag in wet.flags if flag.code != moisture.VERY_WET),
        notes=(*_past_use_by(picture, lots), *_crossings(picture, _sands(picture, draws), system)),
        basis=wet.basis,
    )


def _blocking(picture: Picture, draws: Mapping[str, str], lots: list[Lot]) -> Iterator[Flag]:
    drawn = set(draws.values())
    held = {lot.name: lot.place for lot in lots if lot.name}
    for block in blocks.blocked(picture):
        if block.what == "place" and block.key in drawn:
            yield block.flag
        elif block.what == "lot" and block.key in held:
            place = picture.name("places", held[block.key])
            yield Flag(block.flag.code, f"{block.flag.text}; {place} can hold it", block.key)


def _lots(picture: Picture, draws: Mapping[str, str]) -> list[Lot]:
    """Lots that stock can be of: the latest to come in, back to as much as is there now (first in, first out)."""
    filled_by = _filled_by(picture, draws.values())
    left = {}
    for place in set().union(*filled_by.values()):
        own = picture.day.material_at(place)
        if own:
            left[place] = picture.reader.stock_mg(place, own, picture.at)
    found: list[Lot] = []
    for seen in _newest_first(picture, filled_by):
        place = seen.values.get("place") or seen.values.get("target", "")
        if place not in left:
            continue
        day = picture.setups.on(seen.at)
        material = seen.values.get("material") or day.material_at(seen.values.get("source", place))
        mass = _mass_mg(day, seen.values)
        found.append(Lot(place, material, seen, min(mass, left[place])))
        left[place] -= mass
        if left[place] <= 0:
            del left[place]
            if not left:
                break
    return found


def _filled_by(picture: Picture, places: Iterable[str]) -> dict[str, set[str]]:
    """Places that deliveries ever reached, and those that transfers did: for others none need be read."""
    found: dict[str, set[str]] = {}
    for place in places:
        rows = picture.reader.connection.execute(
            "SELECT DISTINCT kind FROM flow WHERE target = ? AND kind IN ('delivery', 'transfer')", (place,)
        )
        for (kind,) in rows:
            found.setdefault(kind, set()).add(place)
    return found


def _newest_first(picture: Picture, filled_by: Mapping[str, set[str]]) -> Iterator[Seen]:
    """Deliveries and transfers that name such a place; kind by kind, so that no more are read than are used."""
    since = picture.at - _LOOK_BACK_DAYS * _DAY
    each = [picture.records(kind, since=since, newest_first=True, naming=places) for kind, places in filled_by.items()]
    return heapq.merge(*each, key=lambda seen: (seen.at, seen.sender, seen.id), reverse=True)


def _mass_mg(day: Any, values: Mapping[str, Any]) -> int:
    mass: int = (
        day.mass_mg(values["mass_kg"])
        if "mass_kg" in values
        else day.mass_mg(values["gross_kg"]) - day.mass_mg(values["tare_kg"])
    )
    return mass


def _past_use_by(picture: Picture, lots: list[Lot]) -> Iterator[Flag]:
    for lot in lots:
        values = lot.seen.values
        keeps = picture.day.find("materials", lot.material).shelf_life_days
        made: date | None = values.get("made_on")
        last: date | None = values.get("use_by")
        if last is None and made is not None and keeps is not None:
            last = made + timedelta(days=int(keeps))
        if last is not None and last < picture.today:
            name = f"lot {lot.name}" if lot.name else f"delivery {lot.seen.id}"
            text = (
                f"{picture.name('materials', lot.material)}, {name} in {picture.name('places', lot.place)} was to be "
                f"used by {last}: test it, or change it"
            )
            yield Flag("past_use_by", text, lot.name or lot.place)


def _sands(picture: Picture, draws: Mapping[str, str]) -> dict[str, set[str]]:
    """Sands that the mixer draws: place → its own by set-up, and any other that the book has there."""
    sands: dict[str, set[str]] = {}
    for place in draws.values():
        own = picture.day.material_at(place)
        if own and picture.day.is_sand(own):
            sands[place] = {own}
    for place, material in picture.reader.holdings():
        other = place in sands and material not in sands[place] and picture.day.is_sand(material)
        if other and picture.reader.stock_mg(place, material, picture.at) > KG:
            sands[place].add(material)
    return sands


def _crossings(picture: Picture, sands: Mapping[str, set[str]], system: System) -> Iterator[Flag]:
    for place, held in sands.items():
        for material in sorted(held):
            family = picture.day.find("materials", material).family or None
            for advice in crossing_advice(binder_family=system.family, sand_family=family):
                text = f"{picture.name('materials', material)} in {picture.name('places', place)}: {advice.text}"
                yield Flag(advice.code, text, place)
