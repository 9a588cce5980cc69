"""What levels say against the book: the mass below the latest reading of each place, and the gap."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from sandtrack.ledger import Day
from sandtrack.records import times
from sandtrack.shop.answer import Flag
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.shop.wording import clock
from sandtrack.trade.silo import DENSITY_SPREAD_SHARE, Silo

LOOK_BACK_DAYS = 35.0
LIQUID_SPREAD_SHARE = 0.02
"""Half-width of a liquid's density round the set-up's, by temperature and lot. practice"""
LIQUIDS = ("resin", "catalyst", "hardener")
"""Kinds of material that a binder is made of and that react."""
_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class LevelMass:
    """One level as a mass, beside the book at that instant."""

    place: str
    at: int
    level_m: float | None
    ullage_m: float | None
    book_kg: float
    counted_since: bool
    """The place was counted after the reading."""
    top_m: float | None = None
    low_kg: float | None = None
    mass_kg: float | None = None
    high_kg: float | None = None
    because: str = ""
    """Why there is no mass."""

    @property
    def outside(self) -> bool:
        """Whether the reading lies outside the height of its place."""
        return self.top_m is not None and self.because != "" and self.mass_kg is None

    @property
    def gap_pct(self) -> float | None:
        """Level less book, of the larger of the two."""
        if self.mass_kg is None or max(self.mass_kg, self.book_kg) <= 0:
            return None
        return 100.0 * (self.mass_kg - self.book_kg) / max(self.mass_kg, self.book_kg)


def level_masses(picture: Picture) -> list[LevelMass]:
    """The latest level of each place within the last 35 days as a mass, beside the book at that instant."""
    last: dict[str, Seen] = {}
    for seen in picture.records("level", since=picture.at - round(LOOK_BACK_DAYS * _DAY_US)):
        last[seen.values["place"]] = seen
    return [against_book(picture, seen) for _, seen in sorted(last.items())]


def told(picture: Picture, levels: Iterable[LevelMass]) -> list[dict[str, Any]]:
    """Levels as an answer's values."""
    return [
        {
            "place": level.place,
            "at": times.show(level.at, picture.zone),
            "level_m": level.level_m,
            "low_kg": level.low_kg,
            "mass_kg": level.mass_kg,
            "high_kg": level.high_kg,
            "book_kg": level.book_kg,
            "gap_pct": level.gap_pct,
            "counted_since": level.counted_since,
            "because": level.because,
        }
        for level in levels
    ]


def level_flags(picture: Picture, levels: Iterable[LevelMass]) -> Iterator[Flag]:
    """Levels that cannot be, and levels that tell another mass than the book."""
    limit = picture.plant.limits.level_gap_pct
    for level in levels:
        read = f"the level of {picture.name('places', level.place)} read on {clock(level.at, picture.zone)}"
        if level.outside:
            yield Flag("level_outside", f"{read} cannot be: {level.because}; read it again", level.place)
        elif level.gap_pct is not None and abs(level.gap_pct) > limit and not level.counted_since:
            yield Flag(
                "level_gap",
                f"{read} says {_tonnes(level.mass_kg)} ({_tonnes(level.low_kg)} to {_tonnes(level.high_kg)}), the book "
                f"{_tonnes(level.book_kg)}: read it again, then count",
                level.place,
            )


def against_book(picture: Picture, seen: Seen) -> LevelMass:
    """One reading of a level as a mass, beside the book at that instant."""
    place = seen.values["place"]
    held = [material for where, material in picture.reader.holdings() if where == place]
    anchors = [picture.reader.anchor(place, material, picture.at) for material in held]
    level, top, span, because = _mass(picture, seen)
    low, mid, high = span or (None, None, None)
    return LevelMass(
        place=place,
        at=seen.at,
        level_m=level,
        ullage_m=seen.values.get("ullage_m"),
        book_kg=sum(picture.reader.stock_mg(place, material, seen.at) for material in held) / KG,
        counted_since=any(anchor is not None and anchor.at >= seen.at for anchor in anchors),
        top_m=top,
        low_kg=low,
        mass_kg=mid,
        high_kg=high,
        because=because,
    )


_Span = tuple[float, float, float]


def _mass(picture: Picture, seen: Seen) -> tuple[float | None, float | None, _Span | None, str]:
    """Level, height of the top, low, middle and high mass, and why there is no mass."""
    day = picture.setups.on(seen.at)
    place = day.find("places", seen.values["place"])
    level: float | None = seen.values.get("level_m")
    read: float = seen.values["ullage_m"] if level is None else level
    if place.shape is None:
        return level, None, None, "the set-up has no shape of it"
    silo = shape_of(place.shape)
    if read > silo.top_m:
        what = f"{read:g} m of {'free height' if level is None else 'level'}"
        return level, silo.top_m, None, f"{what} in a height of {silo.top_m:g} m"
    if level is None:
        level = silo.level_from_ullage_m(read)
    material = day.find("materials", place.material) if place.material else None
    sand = material is not None and material.kind == "sand"
    density = None if material is None else material.bulk_density_kg_m3 if sand else material.density_kg_m3
    if density is None:
        return level, None, None, "the set-up has no density of what it holds"
    spread = DENSITY_SPREAD_SHARE if sand else LIQUID_SPREAD_SHARE
    return level, silo.top_m, silo.mass_range_kg(level, bulk_density_kg_m3=density, density_spread_share=spread), ""


def is_tank(day: Day, place: str) -> bool:
    """Whether a place holds a liquid: a tank, or what is set up for resin, catalyst or hardener."""
    entry = day.find("places", place)
    return bool(entry.kind == "tank" or (entry.material and day.find("materials", entry.material).kind in LIQUIDS))


def shape_of(shape: Any) -> Silo:
    """A vessel of the set-up as the trade sees it."""
    if shape.form == "box":
        return Silo.box(length_m=shape.length_m, width_m=shape.width_m, height_m=shape.height_m)
    if shape.form == "cylinder":
        return Silo.cylinder(diameter_m=shape.diameter_m, height_m=shape.height_m)
    return Silo.cylinder_on_cone(
        diameter_m=shape.diameter_m, height_m=shape.height_m, cone_height_m=shape.cone_height_m
    )


def _tonnes(mass_kg: float | None) -> str:
    mass = mass_kg or 0.0
    return f"{mass / 1000:,.1f} t" if abs(mass) >= 1000 else f"{mass:,.0f} kg"
