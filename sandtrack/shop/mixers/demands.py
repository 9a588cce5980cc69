"""What mixes should have held, and how far off they were: a series of readings for each thing that is dosed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median

from sandtrack.plant.tables import GRADES
from sandtrack.shop.answer import Tag
from sandtrack.shop.dosing.systems import System, part_1_share
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
        if not (self.grade and len(self.system.setting_speed) == 1):  # one grade alone cannot be set wrong
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
        yield self._reclaimed()

    def far_off(self) -> Iterator[FarOff]:
        """Single mixes of the period further from the others of their day than chance and rounding bring them."""
        liquids = self.system.liquids
        base = next(name for name in ("part_1", "resin") if name in liquids)
        speed = (
            ("slow", "fast")
            if self.grade
            else tuple(name for name in ("catalyst", *GRADES, "drier") if name in liquids)
        )
        yield from self._far_off("resin_pct", self.days, (base,), (), lambda system: system.entry.resin_pct)
        if self.grade:
            yield from self._far_off("co_reactant_pct", self.days, speed, (base,), lambda system: system.amount_pct)
        else:
            days = [day for part in _by_speed(self.mixes) for day in by_day(part)]
            yield from self._far_off("catalyst_pct", days, speed, (base,), lambda _: 1.0)

    def _far_off(
        self, what: str, days: Iterable[Group], top: Names, base: Names, wanted: Callable[[System], float | None]
    ) -> Iterator[FarOff]:
        """Single mixes far from the others of their day, in proportion to what each should have held."""
        for day in days:
            told = []
            for mix in day.mixes if len(day.mixes) > FEWEST_MIXES else ():
                alone, own = Group([mix]), wanted(mix.system) or 1.0
                below = _base_kg(mix, base)
                if below > 0:
                    told.append((alone, own, 100 * alone.liquid_kg(*top) / below / own))
            others = median(ratio for _, _, ratio in told) if told else 0.0
            for alone, own, _ in told:
                found = self._ratio(alone, top, base, others * own)
                if alone.start >= self.since and found is not None and abs(found.off) > FAR_OFF_PCT + 3 * found.scale:
                    yield FarOff(alone.mixes[0], what, found.value, found.wanted)

    def _set_up(
        self, what: str, top: Names, base: Names, wanted: Callable[[System], float | None], unit: str
    ) -> Series:
        """What the set-up of each day asks for of each purpose."""
        readings = (self._ratio(day, top, base, _on_the_mean(day, base, wanted)) for day in self.days)
        return self._made(what, "%", f"{_asked(self.mixes, wanted)} {unit}", "set-up", readings)

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

    def _reclaimed(self) -> Series:
        """Reclaimed share, by the set-up where that states one for a purpose, else by the mixer's own."""
        demand = "the mixer's own share for each purpose while its limits were learned"
        stated = [mix for mix, share in _stated_shares(self.mixes) if share is not None]
        asked = f"by the set-up {_asked(stated, lambda system: system.entry.reclaimed_share, named=True)}"
        if len(stated) == len(self.mixes):
            return self._made("reclaimed_share", "points", asked, "set-up", self._shares())
        demand = f"{asked}; else {demand}" if stated else demand
        return self._made("reclaimed_share", "points", demand, "record", self._shares())

    def _shares(self) -> Iterator[Reading]:
        """Reclaimed share of each day against what is stated for its purposes, or what these took while learning."""
        taken: dict[str, list[float]] = {}
        for group in self.days[: learned(self.days, self.since)]:
            for mix in group.mixes:
                total = taken.setdefault(mix.purpose, [0.0, 0.0])
                total[0] += mix.reclaimed_kg
                total[1] += mix.sand_kg
        usual = {purpose: part / whole for purpose, (part, whole) in taken.items() if whole and part}
        for group in self.days:
            shares = [(mix, usual.get(mix.purpose) if own is None else own) for mix, own in _stated_shares(group.mixes)]
            known = Group([mix for mix, share in shares if share is not None])
            if known.mixes and known.sand_kg:
                value = sum(mix.reclaimed_kg for mix in known.mixes) / known.sand_kg
                wanted = sum(mix.sand_kg * share for mix, share in shares if share is not None) / known.sand_kg
                yield self._share(known, value, wanted, known.sand_kg)

    def _lever(self) -> Series:
        """What sets the speed, against the setting strip checks tell; too few of them: against the mixer's habit."""
        unit, what = ("points" if self.grade else "%"), self.system.lever_field
        parts = _by_speed(self.mixes)
        groups = sorted((one for part in parts for one in by_setting(part, self.settings)), key=lambda one: one.start)
        told = (self._off(group, group.told) for group in groups)
        demand = f"the setting in force, as strip checks tell it; {HALVES}"
        found = self._made(what, unit, demand, "record", told)
        if found.enough:
            return found
        lines = [(group, line) for part in parts for group, line in self._by_habit(part)]
        if not lines:
            return found
        habit = (self._off(group, wanted) for group, wanted in sorted(lines, key=lambda one: one[0].start))
        demand = (
            "the mixer's own habit at that sand temperature while its limits were learned: too few settings are told"
        )
        return self._made(what, unit, demand, "record", habit)

    def _by_habit(self, mixes: Sequence[Mix]) -> Iterator[tuple[Group, float]]:
        """The days of mixes with what is usual at their sand's temperature; none where too few are learned from."""
        dated = [group for group in by_day(mixes) if group.temp_c is not None]
        line = _habit([group for group in dated[: learned(dated, self.since)] if group.lever is not None], self.grade)
        if line is not None:
            yield from ((group, line(group)) for group in dated)

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


def _base_kg(mix: Mix, base: Names) -> float:
    """What a percent is on: some liquids, or the sand if none is named."""
    return Group([mix]).liquid_kg(*base) if base else mix.sand_kg


def _on_the_mean(group: Group, base: Names, wanted: Callable[[System], float | None]) -> float | None:
    """What is asked of mixes together, each by its purpose and weighed by what the percent is on."""
    asked = [wanted(mix.system) for mix in group.mixes]
    if len(set(asked)) == 1:
        return asked[0]
    told = [(_base_kg(mix, base), pct) for mix, pct in zip(group.mixes, asked, strict=True) if pct is not None]
    whole = sum(kg for kg, _ in told)
    return sum(kg * pct for kg, pct in told) / whole if whole and len(told) == len(asked) else None


def _asked(mixes: Iterable[Mix], wanted: Callable[[System], float | None], named: bool = False) -> str:
    """What is asked for, with purposes if `named` or where these differ: "1.08", or "1 whole; 1.1, then 1.2 facing"."""
    asked: dict[str, dict[str, None]] = {}
    for mix in mixes:
        value = wanted(mix.system)
        asked.setdefault(mix.purpose, {})["–" if value is None else f"{value:g}"] = None
    by_values: dict[str, list[str]] = {}
    for purpose, values in sorted(asked.items(), reverse=True):
        by_values.setdefault(", then ".join(values), []).append(purpose)
    if len(by_values) == 1 and not named:
        return next(iter(by_values))
    return "; ".join(f"{values} {' and '.join(purposes)}" for values, purposes in by_values.items())


def _by_speed(mixes: Iterable[Mix]) -> list[list[Mix]]:
    """Mixes apart whose purpose has a speed of its own: no setting of the others is theirs."""
    parts: dict[str, list[Mix]] = {}
    for mix in mixes:
        own = mix.system.entry.own(mix.purpose)
        apart = any(field in own for field in (mix.system.lever_field, "catalyst_window_pct", "usual_strip_min"))
        parts.setdefault(mix.purpose if apart else "", []).append(mix)
    return list(parts.values())


def _stated_shares(mixes: Iterable[Mix]) -> list[tuple[Mix, float | None]]:
    """Each mix with the share of reclaimed sand that the set-up states for its purpose alone."""
    return [(mix, mix.system.entry.own(mix.purpose).get("reclaimed_share")) for mix in mixes]


def _rounding_kg(mixes: Iterable[Mix]) -> float:
    """What rounding leaves of a sum of liquid: totalisers round, so a sum is off by a part of a step at either end."""
    grams = {round(kg * 1000) for mix in mixes for _, is_sand, kg in mix.streams if not is_sand}
    step = next(step for step in (1000, 100, 10, 1) if step == 1 or all(mass % step == 0 for mass in grams))
    return step / 1000 / math.sqrt(6)


def _part_2_pct(system: System) -> float | None:
    """Part 2 by the set-up. [% of part 1]"""
    share = part_1_share(system.entry)
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
