"""Which setting serves one box: stripped by the wanted time with the wanted chance, filled within the work time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist

from sandtrack.shop.dosing.systems import System
from sandtrack.trade.learning import Belief

COVERAGE = 0.8
_Z = NormalDist().inv_cdf((1 + COVERAGE) / 2)
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

    system: System
    belief: Belief
    sand_temp_c: float
    chance: float
    work_time_share: float
    wanted_min: float | None = None
    fill_min: float | None = None

    def times(self, lever: float) -> Times:
        """Times at one setting.

        The work time's range joins that of the strip time and that of the share work ÷ strip as independent.
        """
        strip = self.belief.strip_range_min(self.sand_temp_c, lever, coverage=COVERAGE)
        share = self.system.work_share
        middle = strip[1] * share.usual
        down = math.hypot(math.log(strip[1] / strip[0]), math.log(share.usual / share.low))
        up = math.hypot(math.log(strip[2] / strip[1]), math.log(share.high / share.usual))
        work = (middle * math.exp(-down), middle, middle * math.exp(up))
        by = self.wanted_min
        chance = None if by is None else self.belief.chance_by(by, self.sand_temp_c, lever)
        return Times(lever, strip, work, chance)

    def longest_fill_min(self, lever: float) -> float:
        """Longest time a fill may plan to take: a share of the low end of the work time. [min]"""
        return self.work_time_share * self.times(lever).work_min[0]

    def fits(self, lever: float) -> bool:
        """Whether the box can be filled in time; true where its fill time is not known."""
        return self.fill_min is None or self.fill_min <= self.longest_fill_min(lever) * (1 + _HAIR)

    def strips(self, lever: float) -> bool:
        """Whether it strips by the wanted time with the wanted chance; true where no time is wanted."""
        chance = self.times(lever).chance
        return chance is None or chance >= self.chance * (1 - _HAIR)

    def smallest(self) -> float | None:
        """Smallest setting, rounded up to what can be set, that strips in time; None where none does."""
        settings = self.system.settings()
        if self.wanted_min is None:
            return None
        exact = self.belief.lever_for(
            self.wanted_min, self.sand_temp_c, chance=self.chance, window=(settings[0], settings[-1])
        )
        if exact is None:
            return None
        # What is rounded is worked out again: the setting told is the one that was found to serve.
        rounded = (lever for lever in settings if lever >= exact * (1 - _HAIR))
        return next((lever for lever in rounded if self.strips(lever)), None)

    def serving(self) -> float | None:
        """Smallest setting that strips in time and leaves time to fill; None where none does both."""
        lever = self.smallest()
        return lever if lever is not None and self.fits(lever) else None

    def fastest_fitting(self) -> float | None:
        """Largest setting that leaves time to fill, None where none does."""
        return next((lever for lever in reversed(self.system.settings()) if self.fits(lever)), None)

    def surely_by_min(self, lever: float) -> float:
        """Time by which a setting strips with the wanted chance. [min]"""
        low, middle, high = self.belief.strip_range_min(self.sand_temp_c, lever, coverage=COVERAGE)
        spread = math.log(high / low) / (2 * _Z)
        return middle * math.exp(NormalDist().inv_cdf(self.chance) * spread)

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
