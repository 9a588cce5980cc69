"""Which setting serves one box: stripped by the wanted time with the wanted chance, filled within the work time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from sandtrack.shop.dosing.pumped import Pumped
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.dosing.warmth import Surroundings
from sandtrack.trade.learning.protocol import StripTimes

COVERAGE = 0.8
_HAIR = 1e-9  # a chance or a time this close counts as reached
_TEMP_STEP_C = 0.5
_FEW, _DOUBT, _LITTLE_DOUBT = 9, 0.02, 0.001

Span = tuple[float, float, float]


@dataclass(frozen=True)
class Times:
    """What one setting gives: low, middle and high of 80 %."""

    lever: float
    strip_min: Span
    """Of the slowest point of the mould."""
    work_min: Span
    """Of the quickest point of the mould."""
    kept_strip_min: float
    """Middle of sand that keeps its temperature."""
    chance: float | None
    """Chance of having stripped by the wanted time."""


@dataclass(frozen=True)
class Job:
    """One box to be moulded in one binder system, with sand of one temperature."""

    pumped: Pumped
    law: StripTimes
    sand_temp_c: float
    chance: float
    work_time_share: float
    wanted_min: float | None = None
    fill_min: float | None = None
    lot: int | None = None
    """Label of the resin's lot among the checks."""
    around: Surroundings | None = None
    """Pattern and room, where they are known: then the slowest and the quickest point of the mould count."""

    @property
    def system(self) -> System:
        """The binder system, as the pumps deliver what does not set its speed."""
        return self.pumped.system

    @property
    def settings(self) -> tuple[float, ...]:
        """Every setting of what sets the speed that can be set, lowest first."""
        return self.pumped.levers

    @cached_property
    def _told(self) -> dict[float, Times]:
        return {}

    @cached_property
    def _chances(self) -> dict[float, float | None]:
        return {}

    def times(self, lever: float) -> Times:
        """Times at one setting."""
        told = self._told.get(lever)
        if told is None:
            told = self._told[lever] = self._times(lever)
        return told

    def _times(self, lever: float) -> Times:
        kept = self.law.strip_range_min(self.sand_temp_c, lever, coverage=COVERAGE, lot=self.lot)
        strip, work = kept, work_min(self.system, kept)
        if self.around is not None:
            strip = as_span(self.around.slowest_min(self.sand_temp_c, np.array(kept)))
            work = as_span(self.around.quickest_min(self.sand_temp_c, np.array(work)))
        return Times(lever, strip, work, kept[1], self.chance_at(lever))

    def chance_at(self, lever: float) -> float | None:
        """Chance of having stripped by the wanted time at one setting; None where none is wanted."""
        if lever not in self._chances:
            self._chances[lever] = self._chance_at(lever)
        return self._chances[lever]

    def _chance_at(self, lever: float) -> float | None:
        if self.wanted_min is None:
            return None
        by = self._kept(self.wanted_min, self.sand_temp_c)
        return float(self.law.chance_by(by, self.sand_temp_c, lever, lot=self.lot))

    def _kept(self, by_min: float, temps_c: Any) -> Any:
        """A strip time of the slowest point, as that of sand which keeps its temperature; of many sands too. [min]"""
        return by_min if self.around is None else self.around.kept_min(temps_c, by_min)

    def points(self, lever: float) -> dict[str, Any]:
        """The slowest and the quickest point of the mould at one setting; nothing where all is as warm as the sand."""
        kept = self.times(lever).kept_strip_min
        work = kept * self.system.work_share.usual
        return {} if self.around is None else self.around.told(self.sand_temp_c, kept, work)

    def longest_fill_min(self, lever: float) -> float:
        """Longest time a fill may plan to take: a share of the low end of the work time. [min]"""
        return self.work_time_share * self.times(lever).work_min[0]

    def fits(self, lever: float) -> bool:
        """Whether the box can be filled in time; true where its fill time is not known."""
        return self.fill_min is None or self.fill_min <= self.longest_fill_min(lever) * (1 + _HAIR)

    def strips(self, lever: float) -> bool:
        """Whether it strips by the wanted time with the wanted chance; true where no time is wanted."""
        chance = self.chance_at(lever)
        return chance is None or chance >= self.chance * (1 - _HAIR)

    @cached_property
    def smallest(self) -> float | None:
        """Smallest setting, rounded up to what can be set, that strips in time; None where none does."""
        if self.wanted_min is None:
            return None
        settings = self.settings
        by, ends = float(self._kept(self.wanted_min, self.sand_temp_c)), (settings[0], settings[-1])
        exact = self.law.lever_for(by, self.sand_temp_c, chance=self.chance, window=ends, lot=self.lot)
        if exact is None:
            return None
        # What is rounded is worked out again: the setting told is the one that was found to serve.
        rounded = (lever for lever in settings if lever >= exact * (1 - _HAIR))
        return next((lever for lever in rounded if self.strips(lever)), None)

    @property
    def quick_enough(self) -> float:
        """Smallest setting that strips in time; where none does, the quickest."""
        return self.settings[-1] if self.smallest is None else self.smallest

    def serving(self) -> float | None:
        """Smallest setting that strips in time and leaves time to fill; None where none does both."""
        lever = self.smallest
        return lever if lever is not None and self.fits(lever) else None

    @cached_property
    def fastest_fitting(self) -> float | None:
        """Largest setting that leaves time to fill, None where none does."""
        settings = self.settings
        if self.fill_min is None:
            return settings[-1]
        # Some are looked at all at once, then those around the largest that may fit, then these one by one.
        marks = np.unique(np.linspace(0, len(settings) - 1, 2 * _FEW).astype(int))
        hopes = np.flatnonzero(self._may_fit(self.sand_temp_c, np.array(settings)[marks], _DOUBT))
        for hope in hopes[::-1].tolist():
            block = np.array(settings[marks[hope] : marks[min(hope + 1, marks.size - 1)] + 1])
            near = block[self._may_fit(self.sand_temp_c, block, _LITTLE_DOUBT)].tolist()
            for lever in reversed(near):
                if self.fits(lever):
                    return float(lever)
        return None

    def _may_fit(self, temps_c: Any, levers: Any, doubt: float) -> Any:
        """Where the box may be filled in time, of many temperatures or settings at once."""
        low, middle, _ = self.law.strip_range_min(temps_c, levers, lot=self.lot)
        work = work_low(self.system, low, middle)
        quickest = work if self.around is None else self.around.quickest_min(temps_c, work)
        return (self.fill_min or 0.0) <= self.work_time_share * quickest * (1 + doubt)

    def surely_by_min(self, lever: float) -> float:
        """Time by which a setting strips with the wanted chance. [min]"""
        coverage = max(abs(2 * self.chance - 1), _HAIR)
        low, _, high = self.law.strip_range_min(self.sand_temp_c, lever, coverage=coverage, lot=self.lot)
        kept = float(high if self.chance >= 0.5 else low)
        return kept if self.around is None else float(self.around.slowest_min(self.sand_temp_c, kept))

    @property
    def plain_yes_c(self) -> tuple[float, float]:
        """Coldest and hottest sand of which moulds are made without a test piece first. [degC]"""
        return plain_yes_c(self.system)

    def serving_temperature_c(self, *, warmer: bool) -> float | None:
        """Nearest warmer (or cooler) sand, in half degrees, at which some setting serves; None if none does. [degC]

        Only where the sand gets a plain yes: what is offered instead has no new fault.
        """
        sand = self.sand_temp_c / _TEMP_STEP_C
        coldest, hottest = (end / _TEMP_STEP_C for end in self.plain_yes_c)
        if warmer:
            steps = range(max(math.floor(sand) + 1, math.ceil(coldest)), math.floor(hottest) + 1)
        else:
            steps = range(min(math.ceil(sand) - 1, math.floor(hottest)), math.ceil(coldest) - 1, -1)
        temps = [step * _TEMP_STEP_C for step in steps]
        may = (temp for temp, hope in zip(temps, self._may_serve(np.array(temps)), strict=True) if hope)
        return next((temp for temp in may if replace(self, sand_temp_c=temp).serving() is not None), None)

    def _may_serve(self, temps_c: Any) -> Any:
        """Temperatures of the sand at which a setting may serve, by a few settings looked at all at once."""
        if self.wanted_min is None or not temps_c.size:
            return np.ones(temps_c.shape, bool)
        few = np.array(self.settings)[np.linspace(0, len(self.settings) - 1, _FEW).astype(int)]
        temps, levers = (each.ravel() for each in np.meshgrid(temps_c, few, indexing="ij"))
        by = self._kept(self.wanted_min, temps)
        chances = self.law.chance_by(by, temps, levers, lot=self.lot).reshape(-1, _FEW)
        may = chances.max(axis=1) >= self.chance - _DOUBT
        return may if self.fill_min is None else may & self._may_fit(temps_c, few[0], _DOUBT)


def plain_yes_c(system: System) -> tuple[float, float]:
    """Coldest and hottest sand of which a system makes moulds without a test piece first. [degC]"""
    family = system.family
    window = family.sand_window_c
    return max(window.low, family.cold_c.low), min(window.high, family.hot_c.high)


def as_span(times_min: Any) -> Span:
    """Low, middle and high of an array of them."""
    low, middle, high = times_min.tolist()
    return low, middle, high


def work_min(system: System, strip: Span) -> Span:
    """Range of the work time: those of the strip time and of the share work ÷ strip, joined as independent."""
    share = system.work_share
    middle = strip[1] * share.usual
    up = math.hypot(math.log(strip[2] / strip[1]), math.log(share.high / share.usual))
    return float(work_low(system, strip[0], strip[1])), middle, middle * math.exp(up)


def work_low(system: System, low: Any, middle: Any) -> Any:
    """Low end of the work time, from low and middle of the strip time; of arrays too. [min]"""
    share = system.work_share
    down = np.hypot(np.log(middle / low), math.log(share.usual / share.low))
    return middle * share.usual * np.exp(-down)
