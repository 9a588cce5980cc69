"""What mixes should have held, and how far off they were: a series of readings for each thing that is dosed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from sandtrack.shop.answer import Tag
from sandtrack.shop.mixers.doses import HALVES, Group, Mix, by_day, by_setting

FEWEST_LEARNED = 25
"""So many readings at the least set a chart's centre and limits. practice: 20 to 30"""
FEWEST_CHARTED = 4
FEWEST_MIXES = 3
"""Fewer mixes than this are no reading: what is left in a totaliser alone may be some per cent. practice"""
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
    """Readings of one thing on one mixer for one system, in order of time: `learned` first, then those charted."""

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

    @property
    def key(self) -> str:
        """Its name in an answer."""
        return f"{self.mixer}.{self.system}.{self.what}"

    @property
    def charted(self) -> tuple[Reading, ...]:
        """What is judged."""
        return self.readings[self.learned :]

    @property
    def enough(self) -> bool:
        """Whether there is enough to learn from and to chart."""
        return self.learned >= FEWEST_LEARNED and len(self.charted) >= FEWEST_CHARTED


def series(mixes: Sequence[Mix], settings: dict[str, tuple[float, int]], since: int) -> Iterator[Series]:
    """Every series of one mixer and system; what lies before `since` is for learning alone."""
    yield from _Demands(mixes, settings, since).series()


def learned(groups: Sequence[Group], since: int) -> int:
    """How many readings are learned from: those before the period, and its first ones where they are too few."""
    before = sum(group.start < since for group in groups)
    return before if before >= FEWEST_LEARNED else min(FEWEST_LEARNED, len(groups))


class _Demands:
    """What one mixer's mixes of one system should have held."""

    def __init__(self, mixes: Sequence[Mix], settings: dict[str, tuple[float, int]], since: int) -> None:
        self.mixes, self.settings, self.since = mixes, settings, since
        self.system = mixes[-1].system
        self.grade = self.system.family.lever == "grade"
        self.days = by_day(mixes)
        self.rounding_kg = _rounding_kg(mixes)

    def series(self) -> Iterator[Series]:
        """Each thing that is dosed."""
        yield self._lever()
        entry = self.system.entry
        names = ("part_1", "part_2") if "part_1" in self.system.liquids else ("resin", "co_reactant")
        resin = (self._ratio(day, names, (), day.system.entry.resin_pct) for day in self.days)
        yield self._made("resin_pct", "%", f"{entry.resin_pct:g} % of sand", "set-up", resin)
        if self.grade and self.system.amount_pct is not None:
            demand = (
                f"{self.system.amount_pct:g} {self.system.family.co_reactant_window_pct.unit}, both grades together"
            )
            ester = (self._ratio(day, ("slow", "fast"), ("resin",), day.system.amount_pct) for day in self.days)
            yield self._made("co_reactant_pct", "%", demand, "set-up", ester)
        demand = "the mixer's own share for each purpose while its limits were learned"
        yield self._made("reclaimed_share", "points", demand, "record", self._shares())

    def _made(self, what: str, unit: str, demand: str, tag: Tag, readings: Iterable[Reading | None]) -> Series:
        found = tuple(one for one in readings if one is not None and one.mixes >= FEWEST_MIXES)
        count = learned([reading.group for reading in found], self.since)
        return Series(self.mixes[-1].mixer, self.system.key, what, unit, demand, tag, found, count)

    def _ratio(
        self, group: Group, top: Sequence[str], base: Sequence[str], wanted: float | None, value: float | None = None
    ) -> Reading | None:
        """A liquid on its base (on sand, if none is named) against a demand, in % of it."""
        above, below = group.liquid_kg(*top), group.liquid_kg(*base) if base else group.sand_kg
        if not wanted or above <= 0 or below <= 0:
            return None
        pct = 100 * above / below if value is None else value
        rounding = 100 * self.rounding_kg * math.hypot(1 / above, 1 / below)
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
        dated = [group for group in self.days if group.temp_c is not None and group.lever is not None]
        line = _habit(dated[: learned(dated, self.since)])
        if line is None:
            return found
        habit = (self._off(group, line(group)) for group in dated)
        demand = (
            "the mixer's own habit at that sand temperature while its limits were learned: too few settings are told"
        )
        return self._made(what, unit, demand, "record", habit)

    def _off(self, group: Group, wanted: float | None) -> Reading | None:
        value = group.lever
        if value is None or wanted is None:
            return None
        if self.grade:
            return self._share(group, value, wanted, group.liquid_kg("slow", "fast"))
        drier = "drier" in self.system.liquids
        base = "part_1" if "part_1" in self.system.liquids else "resin"
        return self._ratio(group, ("drier" if drier else "catalyst",), (base,), wanted, value)


def _rounding_kg(mixes: Iterable[Mix]) -> float:
    """What rounding leaves of a sum of liquid: totalisers round, so a sum is off by a part of a step at either end."""
    grams = {round(kg * 1000) for mix in mixes for _, is_sand, kg in mix.streams if not is_sand}
    step = next(step for step in (1000, 100, 10, 1) if step == 1 or all(mass % step == 0 for mass in grams))
    return step / 1000 / math.sqrt(6)


def _habit(groups: Sequence[Group]) -> Callable[[Group], float] | None:
    """The least-squares line of what set the speed over the sand's temperature."""
    points = [(group.temp_c or 0.0, group.lever or 0.0) for group in groups]
    if len(points) < FEWEST_LEARNED:
        return None
    middle = sum(temp for temp, _ in points) / len(points)
    mean = sum(lever for _, lever in points) / len(points)
    square = sum((temp - middle) ** 2 for temp, _ in points)
    slope = sum((lever - mean) * (temp - middle) for temp, lever in points) / square if square > 0 else 0.0
    return lambda group: mean + slope * ((group.temp_c or middle) - middle)
