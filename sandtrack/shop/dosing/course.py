"""How much later a standing mould strips where the air that was measured round it is colder than its sand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.shop.dosing.temperatures import OfAir, Stretch
from sandtrack.trade.equivalent import following_temp_c
from sandtrack.trade.followed import followed_equivalent_min, followed_min

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

    def later_min(self, kept_min: Any) -> Any:
        """When it is as far as sand that keeps its temperature is after so long, for each; never before that. [min]"""
        return np.maximum(followed_min(kept_min, **self._log), kept_min)

    def kept_min(self, passed_min: Any) -> Any:
        """How long sand that keeps its temperature takes to be as far as this is by then, for each. Never longer. [min]

        Infinity stays infinity.
        """
        return np.minimum(followed_equivalent_min(passed_min, **self._log), passed_min)

    @property
    def _log(self) -> dict[str, Any]:
        return {
            "activation_energy_kj_mol": self.energy_kj_mol,
            "kept_temp_c": self.sand_temp_c,
            "log_minutes": self.minutes,
            "log_temps_c": self.temps_c,
        }


def may_count(now: int, filled_at: int, high_min: float) -> Stretch:
    """When air that was measured may count for a mould: from its filling until it has stripped, or now. [µs]"""
    return filled_at, min(now, filled_at + round(high_min * _MINUTE))


def by_air(
    measured: OfAir, counts: Stretch, high_min: float, sand_temp_c: float, drift_min: float, energy_kj_mol: float
) -> Course | None:
    """Course of a mould's core while it may still strip; None where no colder air was measured meanwhile.

    `drift_min` is the time in which its distance from the air's temperature falls to 1/e.
    """
    instants, air = measured.between(*counts)
    if not np.any(air < sand_temp_c):
        return None
    at = (instants - counts[0]) / _MINUTE
    minutes = np.union1d(np.arange(0.0, _LONGER * high_min, _STEP_MIN), at)
    temps = following_temp_c(
        minutes=minutes,
        surroundings_c=np.interp(minutes, at, air),
        start_temp_c=sand_temp_c,
        time_constant_min=drift_min,
    )
    return Course(energy_kj_mol, sand_temp_c, minutes, temps)
