"""How much later a standing mould strips where the air that was measured round it is colder than its sand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.shop.dosing.temperatures import OfAir, Stretch
from sandtrack.shop.dosing.warmth import cube_min
from sandtrack.trade.cure import CureLaw, equivalent_age_h
from sandtrack.trade.equivalent import following_temp_c
from sandtrack.trade.maturity import strip_on_history

_MINUTE = 60_000_000
_STEP_MIN = 5.0
_LONGER = 3.0  # the course is followed so many times the late end of the strip time; beyond, it keeps its temperature


@dataclass(frozen=True)
class Course:
    """Temperature of a mould's sand since it was filled, by the air measured meanwhile."""

    energy_kj_mol: float
    sand_temp_c: float
    minutes: Any
    temps_c: Any

    def later_min(self, kept_min: float) -> float:
        """When it is as far as sand that keeps its temperature is after so long; never before that. [min]"""
        law = CureLaw(
            strip_time_min=kept_min,
            at_temp_c=self.sand_temp_c,
            at_lever=1.0,
            activation_energy_kj_mol=self.energy_kj_mol,
            exponent=0.0,
        )
        found = strip_on_history(law, 1.0, minutes=self.minutes, temps_c=self.temps_c)
        if found.strip_min is not None:
            return max(found.strip_min, kept_min)
        left = (1 - found.cured_share) * law.strip_time_min(float(self.temps_c[-1]), 1.0)
        return max(float(self.minutes[-1]) + left, kept_min)

    def kept_min(self, passed_min: float) -> float:
        """How long sand that keeps its temperature takes to be as far as this is by then; never longer. [min]"""
        so_far = np.append(self.minutes[self.minutes <= passed_min], passed_min)
        temps = np.interp(so_far, self.minutes, self.temps_c)
        energy = {"activation_energy_kj_mol": self.energy_kj_mol, "reference_temp_c": self.sand_temp_c}
        return min(60 * equivalent_age_h(so_far / 60, temps, **energy), passed_min)


def may_count(now: int, filled_at: int, high_min: float) -> Stretch:
    """When air that was measured may count for a mould: from its filling until it has stripped, or now. [µs]"""
    return filled_at, min(now, filled_at + round(high_min * _MINUTE))


def by_air(
    measured: OfAir, counts: Stretch, high_min: float, sand_temp_c: float, held_kg: float, energy_kj_mol: float
) -> Course | None:
    """Course of a mould's core while it may still strip; None where no colder air was measured meanwhile."""
    instants, air = measured.between(*counts)
    if not np.any(air < sand_temp_c):
        return None
    at = (instants - counts[0]) / _MINUTE
    minutes = np.union1d(np.arange(0.0, _LONGER * high_min, _STEP_MIN), at)
    temps = following_temp_c(
        minutes=minutes,
        surroundings_c=np.interp(minutes, at, air),
        start_temp_c=sand_temp_c,
        time_constant_min=cube_min(held_kg),
    )
    return Course(energy_kj_mol, sand_temp_c, minutes, temps)
