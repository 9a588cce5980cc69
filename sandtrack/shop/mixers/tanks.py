"""Liquid drawn from each tank, by counts and by levels, against the sum of the doses booked from it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sandtrack.records import times
from sandtrack.shop.answer import Flag, Range
from sandtrack.shop.circuit.unexplained import unexplained
from sandtrack.shop.levels import LIQUID_SPREAD_SHARE, shape_of
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.shop.wording import day, kg

# practice: a level in a tank is read to this, as one standard deviation.
LEVEL_SD_M = 0.005
COVERAGE = 0.95
MEANING = "errors of both readings as stated, two standard deviations; the doses' own error is left out"


@dataclass(frozen=True)
class Drawn:
    """What a tank gave between two counts or levels, against its doses."""

    place: str
    material: str
    by: str
    """ "count" or "level"."""
    since: int
    until: int
    doses_kg: float
    measured_kg: float
    error_kg: float
    """Two standard deviations."""

    @property
    def off_pct(self) -> float | None:
        """Measured against the doses."""
        return 100 * (self.measured_kg / self.doses_kg - 1) if self.doses_kg > 0 else None

    @property
    def within_errors(self) -> bool:
        """Whether the errors of counts or levels explain it."""
        return abs(self.measured_kg - self.doses_kg) <= self.error_kg

    @property
    def surely_off(self) -> bool:
        """Whether it is beyond three standard deviations: by mere chance once in some 370."""
        return abs(self.measured_kg - self.doses_kg) > 1.5 * self.error_kg

    def told(self, picture: Picture) -> dict[str, Any]:
        """As an answer's values."""
        return {
            "place": self.place,
            "material": self.material,
            "by": self.by,
            "since": times.show(self.since, picture.zone),
            "until": times.show(self.until, picture.zone),
            "doses_kg": self.doses_kg,
            "measured_kg": self.measured_kg,
            "off_pct": self.off_pct,
            "within_errors": self.within_errors,
        }

    def span(self) -> Range:
        """Range of what was drawn."""
        return Range(
            self.measured_kg - self.error_kg, self.measured_kg, self.measured_kg + self.error_kg, COVERAGE, MEANING
        )

    def flag(self, picture: Picture) -> Flag:
        """What it says, in words."""
        off = self.measured_kg - self.doses_kg
        share = "" if self.off_pct is None else f", {abs(self.off_pct):.1f} % of the doses"
        return Flag(
            "tank_off",
            f"by its {self.by}s {picture.name('places', self.place)} gave {kg(abs(off))} "
            f"{'more' if off > 0 else 'less'} between {day(self.since, picture.zone)} and "
            f"{day(self.until, picture.zone)} than the doses say{share} (errors of the {self.by}s: "
            f"{kg(self.error_kg)}): a delivery, loss or transfer not or wrongly recorded, or mixers that dose "
            "otherwise than they say",
            self.place,
        )


def tanks(picture: Picture, mixer: str | None) -> list[tuple[str, str]]:
    """Place and material of each liquid that mixers (or one of them) draw."""
    found = {
        place
        for key, entry in picture.plant.mixers.items()
        if mixer in (None, key)
        for draws in entry.draws.values()
        for place in draws.values()
    }
    pairs = [(place, picture.day.material_at(place)) for place in sorted(found)]
    return [(place, material) for place, material in pairs if material and not picture.day.is_sand(material)]


def drawn(picture: Picture, mixer: str | None, since: int, until: int) -> list[Drawn]:
    """Every stretch between two counts that ends in the period, and from the first level in it to the last."""
    wanted = tanks(picture, mixer)
    found = []
    for one in unexplained(picture, picture.reader.differences(since - 1, until)):
        if one.since is not None and (one.place, one.material) in wanted:
            doses = _doses_kg(picture, one.place, one.material, one.since, one.at)
            missing = -one.mass_mg / KG
            found.append(
                Drawn(one.place, one.material, "count", one.since, one.at, doses, doses + missing, one.error_kg)
            )
    levels: dict[str, list[Seen]] = {}
    for seen in picture.records("level", since=since, until=until):
        levels.setdefault(seen.values["place"], []).append(seen)
    for place, material in wanted:
        found += _by_levels(picture, place, material, levels.get(place, []))
    return sorted(found, key=lambda one: (one.place, one.by, one.until))


def _doses_kg(picture: Picture, place: str, material: str, after: int, until: int) -> float:
    flows = picture.reader.flows(after, until)
    return sum(f.mass_mg for f in flows if f.kind == "mix" and (f.source, f.material) == (place, material)) / KG


def _by_levels(picture: Picture, place: str, material: str, read: list[Seen]) -> Iterator[Drawn]:
    """From the first level to the last: what went, more than came in and less than went another way."""
    if len(read) < 2:
        return
    first, last = read[0], read[-1]
    ends = [_mass(picture, seen, material) for seen in (first, last)]
    if ends[0] is None or ends[1] is None:
        return
    (opening, opening_sd), (closing, closing_sd) = ends[0], ends[1]
    doses = _doses_kg(picture, place, material, first.at, last.at)
    others = picture.reader.net_mg(place, material, first.at, last.at) / KG + doses
    # The density is the same at both ends: its error goes with the difference of the two masses alone.
    density = LIQUID_SPREAD_SHARE * (closing - opening)
    error = math.hypot(2 * opening_sd, 2 * closing_sd, density)
    yield Drawn(place, material, "level", first.at, last.at, doses, opening - closing + others, error)


def _mass(picture: Picture, seen: Seen, material: str) -> tuple[float, float] | None:
    """Mass below a level and its standard deviation by how well a level is read."""
    on = picture.setups.on(seen.at)
    shape = on.find("places", seen.values["place"]).shape
    density = on.find("materials", material).density_kg_m3
    if shape is None or density is None:
        return None
    tank = shape_of(shape)
    level = seen.values.get("level_m")
    if level is None:
        if seen.values["ullage_m"] > tank.top_m:
            return None
        level = tank.level_from_ullage_m(seen.values["ullage_m"])
    if not 0 <= level <= tank.top_m:
        return None
    low, high = max(level - LEVEL_SD_M, 0.0), min(level + LEVEL_SD_M, tank.top_m)
    masses = [float(tank.mass_kg(each, bulk_density_kg_m3=density)) for each in (low, level, high)]
    return masses[1], (masses[2] - masses[0]) / (high - low) * LEVEL_SD_M
