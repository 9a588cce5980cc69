"""What mixes should have held, and how far off they were: a series of readings for each thing that is dosed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median

from sandtrack.shop.answer import Tag
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.mixers.doses import HALVES, Group, Mix, by_day, by_setting

Names = tuple[str, ...]

FEWEST_LEARNED = 25
"""So many readings at the least set a chart's centre and limits. practice: 20 to 30"""
PLENTY_LEARNED = 60
"""So many are taken where the period's own are needed: limits from the fewest alarm near three times as often."""
FEWEST_MIXES = 3
"""Fewer mixes than this are no reading: what is left in a totaliser alone may be some per cent. practice"""
FAR_OFF_PCT = 25.0
"""A single mix further off than this, beyond chance and rounding, puts its moulds in question. practice"""
STREAM_SD_PCT = 1.0
"""How far a stream of one mix lies from what was set; only its proportion to rounding matters. practice"""


@dataclass(frozen=True)
class Reading:
    """How far off the mixes of a day, or under one setting, were together."""

    group: Group
    value: float
    wanted: float
    off: float
    """[% of what was wanted], or points of a share."""
    scale: float
    """What its standard deviation is in proportion to: chance of its mixes, and rounding. [as off]"""

    @property
    def mixes(self) -> int:
        """How many."""
        return len(self.group.mixes)


@dataclass(frozen=True)
class Series:
    """Readings of one thing on one mixer for one system, in order of time.

    Limits are learned from the first ones: those before the period, and where they are too few its own first ones
    as well; charted are all of the period.
    """

    mixer: str
    system: str
    what: str
    """catalyst_pct, fast_share, resin_pct, co_reactant_pct or reclaimed_share."""
    unit: str
    """Of off: "%" of what was wanted, or "points"."""
    demand: str
    tag: Tag
    readings: tuple[Reading, ...]
    learned: int
    period: int
    """Position of the first reading of the period."""
    made: int
    """Mixes of the period, judged or not."""

    @property
    def key(self) -> str:
        """Its name in an answer."""
        return f"{self.mixer}.{self.system}.{self.what}"

    @property
    def charted(self) -> tuple[Reading, ...]:
        """What is judged."""
        return self.readings[self.period :]

    @property
    def enough(self) -> bool:
        """Whether there is enough to learn from and to chart."""
        return self.learned >= FEWEST_LEARNED and bool(self.charted)


@dataclass(frozen=True)
class FarOff:
    """One mix that held much more or less of a liquid than the others of its day, by their median."""

    mix: Mix
    what: str
    pct: float
    others_pct: float

    @property
    def off_pct(self) -> float:
        """Against the others."""
        return 100 * (self.pct / self.others_pct - 1)


def learned(groups: Sequence[Group], since: int) -> int:
    """How many readings are learned from: those before the period, and its first ones where they are too few."""
    before = sum(group.start < since for group in groups)
    return before if before >= FEWEST_LEARNED else min(PLENTY_LEARNED, len(groups))


class Demands:
    """What one mixer's mixes of one system should have held; what lies before `since` is for learning alone."""

    def __init__(self, mixes: Sequence[Mix], settings: dict[str, tuple[float, int]], since: int) -> None:
        self.mixes, self.settings, self.since = mixes, settings, since
        self.system = mixes[-1].system
        self.grade = self.system.family.lever == "grade"
        self.days = by_day(mixes)
        self.rounding_kg = _rounding_kg(mixes)
        self.told: dict[Names, bool] = {}

    def series(self) -> Iterator[Series]:
        """Each thing that is dosed."""
        liquids = self.system.liquids
        yield self._lever()
        names = ("part_1", "part_2") if "part_1" in liquids else ("resin", "co_reactant")
        yield self._set_up("resin_pct", names, (), lambda system: system.entry.resin_pct, "% of sand")
        if self.grade:
            unit = f"{self.system.family.co_reactant_window_pct.unit}, both grades together"
            yield self._set_up("co_reactant_pct", ("slow", "fast"), ("resin",), lambda system: system.amount_pct, unit)
        elif "co_reactant" in liquids:
            yield self._set_up(
                "co_reactant_pct", ("co_reactant",), ("resin",), lambda system: system.amount_pct, "% of resin"
            )
        elif "part_2" in liquids:
            yield self._set_up("part_2_pct", ("part_2",), ("part_1",), _part_2_pct, "% of part 1")
        demand = "the mixer's own share for each purpose while its limits were learned"
        yield self._made("reclaimed_share", "points", demand, "record", self._shares())

    def far_off(self) -> Iterator[FarOff]:
        """Single mixes of the period further from the others of their day than chance and rounding bring them."""
        liquids = self.system.liquids
        base = next(name for name in ("part_1", "resin") if name in liquids)
        speed = ("slow", "fast") if self.grade else tuple(name for name in ("catalyst", "drier") if name in liquids)
        asked: list[tuple[str, Names, Names]] = [
            ("resin_pct", (base,), ()),
            ("co_reactant_pct" if self.grade else "catalyst_pct", speed, (base,)),
        ]
        for day in self.days:
            for what, top, below in asked if len(day.mixes) > FEWEST_MIXES else ():
                alone = [Group([mix]) for mix in day.mixes]
                bases = [own.liquid_kg(*below) if below else own.sand_kg for own in alone]
                ratios = [100 * own.liquid_kg(*top) / base for own, base in zip(alone, bases, strict=True) if base > 0]
                others = median(ratios) if ratios else None
                for own in alone:
                    found = self._ratio(own, top, below, others)
                    if own.start >= self.since and found is not None and abs(found.off) > FAR_OFF_PCT + 3 * found.scale:
                        yield FarOff(own.mixes[0], what, found.value, found.wanted)

    def _set_up(
        self, what: str, top: Names, base: Names, wanted: Callable[[System], float | None], unit: str
    ) -> Series:
        """What the set-up of each day asks for."""
        asked = list(dict.fromkeys(f"{pct:g}" for day in self.days if (pct := wanted(day.system)) is not None))
        readings = (self._ratio(day, top, base, wanted(day.system)) for day in self.days)
        return self._made(what, "%", f"{', then '.join(asked) or '–'} {unit}", "set-up", readings)

    def _made(self, what: str, unit: str, demand: str, tag: Tag, readings: Iterable[Reading | None]) -> Series:
        found = tuple(one for one in readings if one is not None and one.mixes >= FEWEST_MIXES)
        return Series(
            mixer=self.mixes[-1].mixer,
            system=self.system.key,
            what=what,
            unit=unit,
            demand=demand,
            tag=tag,
            readings=found,
            learned=learned([reading.group for reading in found], self.since),
            period=sum(reading.group.start < self.since for reading in found),
            made=sum(mix.at >= self.since for mix in self.mixes),
        )

    def _ratio(self, group: Group, top: Names, base: Names, wanted: float | None) -> Reading | None:
        """A liquid on its base (on sand, if none is named) against a demand, in % of it; None if never told."""
        if top not in self.told:
            self.told[top] = any(day.liquid_kg(*top) > 0 for day in self.days)
        above, below = group.liquid_kg(*top), group.liquid_kg(*base) if base else group.sand_kg
        if not wanted or below <= 0 or not self.told[top]:
            return None
        pct = 100 * above / below
        rounding = 100 * self.rounding_kg * math.hypot(100 / (wanted * below), 1 / below if base else 0.0)
        scale = math.hypot(STREAM_SD_PCT * math.sqrt(2 / len(group.mixes)), rounding)
        return Reading(group, pct, wanted, 100 * (pct / wanted - 1), scale)

    def _share(self, group: Group, value: float, wanted: float, whole_kg: float) -> Reading:
        """A share of two streams against a demand, in points."""
        chance = wanted * (1 - wanted) * STREAM_SD_PCT * math.sqrt(2 / len(group.mixes))
        scale = math.hypot(chance, 100 * self.rounding_kg / whole_kg)
        return Reading(group, value, wanted, 100 * (value - wanted), scale)

    def _shares(self) -> Iterator[Reading]:
        """Reclaimed share of each day against what its purposes took while learning."""
        taken: dict[str, list[float]] = {}
        for group in self.days[: learned(self.days, self.since)]:
            for mix in group.mixes:
                total = taken.setdefault(mix.purpose, [0.0, 0.0])
                total[0] += mix.reclaimed_kg
                total[1] += mix.sand_kg
        usual = {purpose: part / whole for purpose, (part, whole) in taken.items() if whole and part}
        for group in self.days:
            known = Group([mix for mix in group.mixes if mix.purpose in usual])
            if known.mixes and known.sand_kg:
                value = sum(mix.reclaimed_kg for mix in known.mixes) / known.sand_kg
                wanted = sum(mix.sand_kg * usual[mix.purpose] for mix in known.mixes) / known.sand_kg
                yield self._share(known, value, wanted, known.sand_kg)

    def _lever(self) -> Series:
        """What sets the speed, against the setting strip checks tell; too few of them: against the mixer's habit."""
        unit, what = ("points" if self.grade else "%"), self.system.lever_field
        told = (self._off(group, group.told) for group in by_setting(self.mixes, self.settings))
        demand = f"the setting in force, as strip checks tell it; {HALVES}"
        found = self._made(what, unit, demand, "record", told)
        if found.enough:
            return found
        dated = [group for group in self.days if group.temp_c is not None]
        line = _habit([group for group in dated[: learned(dated, self.since)] if group.lever is not None], self.grade)
        if line is None:
            return found
        habit = (self._off(group, line(group)) for group in dated)
        demand = (
            "the mixer's own habit at that sand temperature while its limits were learned: too few settings are told"
        )
        return self._made(what, unit, demand, "record", habit)

    def _off(self, group: Group, wanted: float | None) -> Reading | None:
        if wanted is None:
            return None
        if not self.grade:
            drier = "drier" in self.system.liquids
            base = "part_1" if "part_1" in self.system.liquids else "resin"
            return self._ratio(group, ("drier" if drier else "catalyst",), (base,), wanted)
        value = group.lever
        if value is None or (wanted in (0.0, 1.0) and value == wanted):
            return None  # one grade alone: no share can be off, and no spread be learned from it
        return self._share(group, value, wanted, group.liquid_kg("slow", "fast"))


def _rounding_kg(mixes: Iterable[Mix]) -> float:
    """What rounding leaves of a sum of liquid: totalisers round, so a sum is off by a part of a step at either end."""
    grams = {round(kg * 1000) for mix in mixes for _, is_sand, kg in mix.streams if not is_sand}
    step = next(step for step in (1000, 100, 10, 1) if step == 1 or all(mass % step == 0 for mass in grams))
    return step / 1000 / math.sqrt(6)


def _part_2_pct(system: System) -> float | None:
    """Part 2 by the set-up. [% of part 1]"""
    own, other = system.entry.part_1_share, system.entry.part_2_share
    share = own if own is not None or other is None else 1 - other
    return 100 * (1 - share) / share if share else None


def _habit(groups: Sequence[Group], grade: bool) -> Callable[[Group], float] | None:
    """The line of what set the speed over the sand's temperature, by medians: a drift among them hardly bends it.

    source: Theil 1950, Sen, J. American Statistical Association 63 (1968) 1379
    """
    points = [(group.temp_c or 0.0, group.lever or 0.0) for group in groups]
    if len(points) < FEWEST_LEARNED:
        return None
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(points, 2) if a[0] != b[0]]
    slope = median(slopes) if slopes else 0.0
    level = median(lever - slope * temp for temp, lever in points)
    most = 1.0 if grade else math.inf
    return lambda group: min(max(level + slope * (group.temp_c or 0.0), 0.0), most)
