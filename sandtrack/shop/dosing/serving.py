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

Span = tuple[float, float, float]


@dataclass(frozen=True)
class Times:
    """What one setting gives: low, middle and high of 80 %."""

    lever: float
    strip_min: Span
    work_min: Span
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
    """Pattern and room, where they are known: then the slowest point of the mould counts."""

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

    def times(self, lever: float) -> Times:
        """Times at one setting."""
        told = self._told.get(lever)
        if told is None:
            told = self._told[lever] = self._times(lever)
        return told

    def _times(self, lever: float) -> Times:
        strip = self.law.strip_range_min(self.sand_temp_c, lever, coverage=COVERAGE, lot=self.lot)
        work = work_min(self.system, strip)
        slower = self._slower(lever)
        strip = (strip[0] * slower, strip[1] * slower, strip[2] * slower)
        return Times(lever, strip, work, self.chance_at(lever))

    def chance_at(self, lever: float) -> float | None:
        """Chance of having stripped by the wanted time at one setting; None where none is wanted."""
        if self.wanted_min is None:
            return None
        by = self.wanted_min / self._slower(lever)
        return float(self.law.chance_by(by, self.sand_temp_c, lever, lot=self.lot))

    def _slower(self, lever: float) -> float:
        """How much longer the slowest point of the mould takes than sand that keeps its temperature."""
        return 1.0 if self.around is None else float(self.around.slower(self.sand_temp_c, lever))

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

    def smallest(self) -> float | None:
        """Smallest setting, rounded up to what can be set, that strips in time; None where none does."""
        if self.wanted_min is None:
            return None
        settings = self.settings
        exact = self._lever_wanted(self.wanted_min, settings)
        if exact is None:
            return None
        # What is rounded is worked out again: the setting told is the one that was found to serve.
        rounded = (lever for lever in settings if lever >= exact * (1 - _HAIR))
        return next((lever for lever in rounded if self.strips(lever)), None)

    def _lever_wanted(self, by_min: float, settings: tuple[float, ...]) -> float | None:
        """Where to begin looking for a setting that strips in time."""
        if self.around is None:
            ends = (settings[0], settings[-1])
            return self.law.lever_for(by_min, self.sand_temp_c, chance=self.chance, window=ends, lot=self.lot)
        levers = np.array(settings)
        slower = self.around.slower(self.sand_temp_c, levers)
        chances = self.law.chance_by(by_min / slower, self.sand_temp_c, levers, lot=self.lot)
        enough = np.flatnonzero(chances >= self.chance * (1 - 1e-6))
        return settings[int(enough[0])] if enough.size else None

    def serving(self) -> float | None:
        """Smallest setting that strips in time and leaves time to fill; None where none does both."""
        lever = self.smallest()
        return lever if lever is not None and self.fits(lever) else None

    def fastest_fitting(self) -> float | None:
        """Largest setting that leaves time to fill, None where none does."""
        settings = list(self.settings)
        if self.fill_min is not None:
            # All at once first; those that may fit are then looked at one by one.
            low, middle, _ = self.law.strip_range_min(self.sand_temp_c, np.array(settings), lot=self.lot)
            longest = self.work_time_share * work_low(self.system, low, middle)
            settings = [lever for lever, most in zip(settings, longest, strict=True) if self.fill_min <= most * 1.001]
        return next((lever for lever in reversed(settings) if self.fits(lever)), None)

    def surely_by_min(self, lever: float) -> float:
        """Time by which a setting strips with the wanted chance. [min]"""
        coverage = max(abs(2 * self.chance - 1), _HAIR)
        low, _, high = self.law.strip_range_min(self.sand_temp_c, lever, coverage=coverage, lot=self.lot)
        return float(high if self.chance >= 0.5 else low) * self._slower(lever)

    def serving_temperature_c(self, *, warmer: bool) -> float | None:
        """Nearest warmer (or cooler) sand, in half degrees, at which some setting serves; None if none does. [degC]"""
        family = self.system.family
        step = _TEMP_STEP_C if warmer else -_TEMP_STEP_C
        temp = (math.floor if warmer else math.ceil)(self.sand_temp_c / _TEMP_STEP_C) * _TEMP_STEP_C + step
        while family.cold_c.low <= temp <= family.hot_c.high or (warmer and temp < family.cold_c.low):
            if temp >= family.cold_c.low and replace(self, sand_temp_c=temp).serving() is not None:
                return temp
            temp += step
        return None


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
