"""What a receipt repeats: what was booked from where to where, the stock and room after it, and numbers as read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sandtrack.ledger import Accepted, Day, Entry, movements
from sandtrack.plant import MOULDS, OUTSIDE
from sandtrack.records import fields as f
from sandtrack.records import times
from sandtrack.shop.answer import Booked, BookedAfter, BookedMove
from sandtrack.shop.picture import KG, Picture

_AS_IT_IS = ("delivery", "transfer", "disposal")
"""Kinds that leave a material what it is; others make it the sand of the place that it comes to."""


def booked(picture: Picture, entry: Entry, accepted: Accepted) -> Booked:
    """What one record booked, as it now stands in the book."""
    at = times.show(accepted.at, picture.zone)
    until = max(picture.at, accepted.at)  # of what is dated ahead: once it has happened
    if entry.kind == "plant":
        return Booked(at)
    moved = movements.of_record(picture.reader.connection, accepted.seq)
    day = picture.setups.on(accepted.at)
    touched = dict.fromkeys(
        (place, move.material if entry.kind in _AS_IT_IS else day.material_at(place) or move.material)
        for move in moved
        for place in (move.source, move.target)
        if _on_site(place)
    )
    if entry.kind == "count":
        place = entry.values["place"]
        touched[place, entry.values.get("material") or day.material_at(place)] = None
    after = dict.fromkeys(
        (place, held) for place, material in touched for held in _held(picture, day, place, material, until)
    )
    return Booked(
        at,
        moves=tuple(
            BookedMove(move.material, move.mass_mg / KG, move.source, move.target, move.moulds) for move in moved
        ),
        after=tuple(_after(picture, place, material, until) for place, material in after if material),
        read=dict(_read(picture, entry, accepted)),
    )


def _on_site(place: str) -> bool:
    return place != MOULDS and place not in OUTSIDE


def _held(picture: Picture, day: Day, place: str, material: str, at: int) -> Iterator[str]:
    """What to show of a place: its own material too where another came; the other one alone is never to be counted."""
    own = day.material_at(place)
    if own and own != material:
        yield own
        if not _counted(picture, place, material, at):
            return
    yield material


def _counted(picture: Picture, place: str, material: str, at: int) -> bool:
    """Whether stock is known: a place whose own material was counted held nothing else then, but what was booked."""
    own = picture.setups.on(at).material_at(place)
    return any(held and picture.reader.anchor(place, held, at) is not None for held in (material, own))


def _after(picture: Picture, place: str, material: str, at: int) -> BookedAfter:
    """Stock of a material in a place, and the room there; neither is known before the place was counted."""
    counted = _counted(picture, place, material, at)
    stock = picture.reader.stock_mg(place, material, at) / KG if counted else None
    entry = picture.day.find("places", place)
    room = None
    if counted and entry.safe_fill_kg is not None:
        held = [other for where, other in picture.reader.holdings() if where == place]
        room = entry.safe_fill_kg - sum(picture.reader.stock_mg(place, other, at) for other in held) / KG
    return BookedAfter(place, material, stock, room)


def _read(picture: Picture, entry: Entry, accepted: Accepted) -> Iterator[tuple[str, float]]:
    """Quantities of a record as they were understood; masses in the units of their names."""
    day = picture.setups.on(accepted.at)
    fields: Mapping[str, Any] = picture.ledger.forms.schema(entry.kind).declared()
    for name, value in entry.values.items():
        field = fields.get(name)
        if isinstance(field, f.Mass):
            yield name, day.mass_mg(value) / KG
        elif isinstance(field, f.Quantity) and field.quantity and isinstance(value, int | float):
            yield name, float(value)
    for name, value in entry.values.get("results", {}).items() if entry.kind == "sand_test" else ():
        if isinstance(value, int | float):
            yield name, float(value)
