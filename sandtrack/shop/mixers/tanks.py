"""Liquid drawn from each tank, by counts and by levels, against the sum of the doses booked from it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from sandtrack.records import times
from sandtrack.shop.answer import Flag, Range
from sandtrack.shop.circuit.unexplained import Unexplained, unexplained
from sandtrack.shop.levels import LIQUID_SPREAD_SHARE, shape_of
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.shop.wording import day, kg

# practice: a level in a tank is read to this, as one standard deviation.
LEVEL_SD_M = 0.005
COUNT_ERROR_PCT = 2.0
"""How far off a count may be that states no error, as two standard deviations. practice, default"""
COVERAGE = 0.95
MEANING = (
    "errors of both readings, two standard deviations: of a count as it states, else "
    f"{COUNT_ERROR_PCT:g} %; of a level {2000 * LEVEL_SD_M:g} mm, and {100 * LIQUID_SPREAD_SHARE:g} % of density; "
    "nothing is taken for evaporation, and the doses' and deliveries' own errors are left out"
)
_MORE = "a loss or draw not recorded, a delivery booked twice or too high, or pumps that give more than the mixers say"
_LESS = "a delivery not recorded or booked too low, a draw booked twice, or pumps that give less than the mixers say"


@dataclass(frozen=True)
class Drawn:
    """What a tank gave between two counts or levels, against its doses."""

    place: str
    material: str
    by: str
    """ "count" or "level"."""
    whole: bool
    """From the first reading of the period to its last; else one stretch of several."""
    since: int
    until: int
    doses_kg: float
    measured_kg: float
    error_kg: float
    """Two standard deviations."""

    @property
    def off_kg(self) -> float:
        """Measured less the doses."""
        return self.measured_kg - self.doses_kg

    @property
    def off_pct(self) -> float | None:
        """Measured against the doses."""
        return 100 * self.off_kg / self.doses_kg if self.doses_kg > 0 else None

    @property
    def within_errors(self) -> bool:
        """Whether the errors of counts or levels explain it."""
        return abs(self.off_kg) <= self.error_kg

    @property
    def surely_off(self) -> bool:
        """Whether it is beyond three standard deviations: by mere chance once in some 370."""
        return abs(self.off_kg) > 1.5 * self.error_kg

    def told(self, picture: Picture) -> dict[str, Any]:
        """As an answer's values."""
        return {
            "place": self.place,
            "material": self.material,
            "by": self.by,
            "whole": self.whole,
            "since": times.show(self.since, picture.zone),
            "until": times.show(self.until, picture.zone),
            "doses_kg": self.doses_kg,
            "measured_kg": self.measured_kg,
            "off_kg": self.off_kg,
            "off_pct": self.off_pct,
            "within_errors": self.within_errors,
            "surely_off": self.surely_off,
        }

    def span(self) -> Range:
        """Range of what was drawn."""
        return Range(
            self.measured_kg - self.error_kg, self.measured_kg, self.measured_kg + self.error_kg, COVERAGE, MEANING
        )

    def flag(self, picture: Picture) -> Flag:
        """What it says, in words."""
        share = "" if self.off_pct is None else f", {abs(self.off_pct):.1f} % of them"
        return Flag(
            "tank_off",
            f"by its {self.by}s {picture.name('places', self.place)} gave {kg(abs(self.off_kg))} "
            f"{'more' if self.off_kg > 0 else 'less'} between {day(self.since, picture.zone)} and "
            f"{day(self.until, picture.zone)} than the doses say{share} (sure to ± {kg(self.error_kg)}): "
            f"{_MORE if self.off_kg > 0 else _LESS}",
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


def drawn(picture: Picture, mixer: str | None, since: int, until: int) -> tuple[list[Drawn], dict[str, str]]:
    """Each tank by its counts and by its levels, from first to last and stretch by stretch; and why some are not."""
    wanted = tanks(picture, mixer)
    stretches: dict[tuple[str, str], list[Unexplained]] = {pair: [] for pair in wanted}
    for one in unexplained(picture, picture.reader.differences(since - 1, until)):
        if one.since is not None and (one.place, one.material) in stretches:
            stretches[one.place, one.material].append(one)
    levels: dict[str, list[Seen]] = {}
    for seen in picture.records("level", since=since, until=until):
        levels.setdefault(seen.values["place"], []).append(seen)
    found: list[Drawn] = []
    because: dict[str, str] = {}
    for place, material in wanted:
        own = [
            *_by_counts(picture, sorted(stretches[place, material], key=lambda one: one.at)),
            *_by_levels(picture, place, material, levels.get(place, [])),
        ]
        found += own
        if not own:
            because[place] = "no two counts, and no two levels with shape and density in the set-up"
    return found, because


def flags(picture: Picture, compared: Iterable[Drawn]) -> Iterator[Flag]:
    """What no error of reading explains, once for each tank: its stretches, else all of them, else its levels."""
    off: dict[str, list[Drawn]] = {}
    for one in compared:
        if one.surely_off:
            off.setdefault(one.place, []).append(one)
    for found in off.values():
        counted = [one for one in found if one.by == "count"]
        stretches = [one for one in counted if not one.whole]
        yield from (one.flag(picture) for one in stretches or counted or found)


def _doses_kg(picture: Picture, place: str, material: str, after: int, until: int) -> float:
    flows = picture.reader.flows(after, until)
    return sum(f.mass_mg for f in flows if f.kind == "mix" and (f.source, f.material) == (place, material)) / KG


def _by_counts(picture: Picture, stretches: list[Unexplained]) -> Iterator[Drawn]:
    """Every stretch between two counts that ends in the period; and all together, whose inner counts cancel out."""
    if not stretches:
        return
    place, material = stretches[0].place, stretches[0].material
    times_counted = [stretches[0].since or 0, *(one.at for one in stretches)]
    errors = [_count_error_kg(picture, place, material, at) for at in times_counted]
    doses = [_doses_kg(picture, place, material, *span) for span in pairwise(times_counted)]
    measured = [dose - one.mass_mg / KG for dose, one in zip(doses, stretches, strict=True)]
    ends = math.hypot(errors[0], errors[-1])
    yield Drawn(place, material, "count", True, times_counted[0], times_counted[-1], sum(doses), sum(measured), ends)
    if len(stretches) > 1:
        for at, span in enumerate(pairwise(times_counted)):
            error = math.hypot(errors[at], errors[at + 1])
            yield Drawn(place, material, "count", False, *span, doses[at], measured[at], error)


def _count_error_kg(picture: Picture, place: str, material: str, at: int) -> float:
    anchor = picture.reader.anchor(place, material, at)
    if anchor is None:
        return 0.0
    return anchor.mass_mg / KG * (COUNT_ERROR_PCT if anchor.error_pct is None else anchor.error_pct) / 100


def _by_levels(picture: Picture, place: str, material: str, read: list[Seen]) -> Iterator[Drawn]:
    """From the first level to the last: what went, more than came in and less than went another way."""
    ends = [(seen.at, *mass) for seen in read if (mass := _mass(picture, seen, material)) is not None]
    if len(ends) < 2:
        return
    (since, opening, opening_sd), (until, closing, closing_sd) = ends[0], ends[-1]
    doses = _doses_kg(picture, place, material, since, until)
    others = picture.reader.net_mg(place, material, since, until) / KG + doses
    # The density is the same at both ends: its error goes with the difference of the two masses alone.
    density = LIQUID_SPREAD_SHARE * (closing - opening)
    error = math.hypot(2 * opening_sd, 2 * closing_sd, density)
    yield Drawn(place, material, "level", True, since, until, doses, opening - closing + others, error)


def _mass(picture: Picture, seen: Seen, material: str) -> tuple[float, float] | None:
    """Mass below a level and its standard deviation by how well a level is read; None where it cannot be told."""
    on = picture.setups.on(seen.at)
    shape = on.find("places", seen.values["place"]).shape
    density = on.find("materials", material).density_kg_m3
    if shape is None or density is None or on.material_at(seen.values["place"]) != material:
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
