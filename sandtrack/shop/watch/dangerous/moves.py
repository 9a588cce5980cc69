"""What a record puts into places and what it draws from them, as the book would have it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from sandtrack.ledger import Day
from sandtrack.shop.picture import Seen


class Into(NamedTuple):
    """A material that came into a place of the shop."""

    place: str
    material: str
    """As it came, whatever the book makes of it there."""
    family: str
    """Binder family whose residue or binder it carries; "" for none."""


class From(NamedTuple):
    """A draw from a place."""

    place: str
    material: str
    lot: str


INTO = ("delivery", "transfer", "reclaim_run", "mix")
OUT_OF = ("mix", "transfer", "reclaim_run", "disposal")


def into(seen: Seen, day: Day) -> Iterator[Into]:
    """What a record put into places; sand of a mix carries the family of its binder."""
    values = seen.values
    if seen.kind == "delivery":
        yield _as_it_came(values["place"], values.get("material") or day.material_at(values["place"]), day)
    elif seen.kind == "transfer" and "target" in values:
        yield _as_it_came(values["target"], values.get("material") or day.material_at(values["source"]), day)
    elif seen.kind == "mix" and "destination" in values:
        yield Into(values["destination"], "", day.find("binder_systems", values["binder_system"]).family)
    elif seen.kind == "reclaim_run":
        sand = day.material_at(values["source"])
        for field in ("reclaimer", "to", "lumps_to", "dust_to"):
            if field in values:
                yield _as_it_came(values[field], sand, day)


def _as_it_came(place: str, material: str, day: Day) -> Into:
    return Into(place, material, day.find("materials", material).family if material else "")


def out_of(seen: Seen, day: Day) -> Iterator[From]:
    """What a record drew from places."""
    values = seen.values
    if seen.kind == "mix":
        for stream in values["streams"]:
            if day.mass_mg(stream["mass_kg"]):
                material = stream.get("material") or day.material_at(stream["place"])
                yield From(stream["place"], material, stream.get("lot", ""))
    elif seen.kind in ("transfer", "disposal", "reclaim_run"):
        place = values["place"] if seen.kind == "disposal" else values["source"]
        yield From(place, values.get("material") or day.material_at(place), values.get("lot", ""))
