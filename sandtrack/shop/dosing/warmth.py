"""A mould that does not keep the temperature of its sand: the pattern's and the room's, its slowest and quickest point.

What is known of sand that keeps its temperature is carried over by equivalent time, which no setting changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self

import numpy as np

from sandtrack.shop.answer import Basis, Tag
from sandtrack.trade.equivalent import drifting_min, equivalent_min
from sandtrack.trade.maturity import SAND_DENSITY_KG_M3, face_temp_c, time_constant_min

_NO_BOX_KG = 300.0  # practice: stands for a box that is not given


def cube_min(sand_kg: Any) -> Any:
    """Time in which the distance of a cube of sand from the room's temperature falls to 1/e; each cube's own. [min]"""
    side_cm = 100 * (sand_kg / SAND_DENSITY_KG_M3) ** (1 / 3)
    return time_constant_min(modulus_cm=side_cm / 6)


@dataclass(frozen=True)
class Surroundings:
    """What a mould stands in, for one activation energy of its cure."""

    energy_kj_mol: float
    pattern_temp_c: float
    surroundings_c: float
    box_kg: float | None
    said_min: float | None = None
    """Time constant of the mould, where it is known."""

    @classmethod
    def again(cls, energy_kj_mol: float, point: Mapping[str, Any]) -> Self:
        """What a mould stands in, from the slowest point of an answer."""
        return cls(energy_kj_mol, point["pattern_temp_c"], point["surroundings_c"], None, point["time_constant_min"])

    @cached_property
    def drift_min(self) -> float:
        """Time in which the mould's distance from the room's temperature falls to 1/e; default: a cube's. [min]"""
        return float(cube_min(self.box_kg or _NO_BOX_KG)) if self.said_min is None else self.said_min

    def slowest_min(self, sand_temp_c: Any, kept_min: Any) -> Any:
        """When core and face both are as far as sand that keeps its temperature is after so long. [min]"""
        core, face = self._points(drifting_min, sand_temp_c, kept_min)
        return np.maximum(core, face)

    def quickest_min(self, sand_temp_c: Any, kept_min: Any) -> Any:
        """When core or face is as far as sand that keeps its temperature is after so long. [min]"""
        core, face = self._working(sand_temp_c, kept_min)
        return np.minimum(core, face)

    def kept_min(self, sand_temp_c: Any, minutes: Any) -> Any:
        """How long sand that keeps its temperature takes to be as far as the slowest point is after so long. [min]"""
        core, face = self._points(equivalent_min, sand_temp_c, minutes)
        return np.minimum(core, face)

    def _points(self, carried: Any, sand_temp_c: Any, minutes: Any) -> tuple[Any, Any]:
        """Times of core and face, one way or the other."""
        face_c = face_temp_c(sand_temp_c=sand_temp_c, pattern_temp_c=self.pattern_temp_c)
        core, face = (
            carried(
                minutes,
                activation_energy_kj_mol=self.energy_kj_mol,
                kept_temp_c=sand_temp_c,
                start_temp_c=start_c,
                surroundings_c=self.surroundings_c,
                time_constant_min=self.drift_min,
            )
            for start_c in (sand_temp_c, face_c)
        )
        return core, face

    def _working(self, sand_temp_c: Any, kept_min: Any) -> tuple[Any, Any]:
        """Work time of core and face; the core's never longer than in the mixer, as the middle cools late."""
        core, face = self._points(drifting_min, sand_temp_c, kept_min)
        return np.minimum(core, kept_min), face

    def told(self, sand_temp_c: float, kept_strip_min: float, kept_work_min: float) -> dict[str, Any]:
        """Core and face for an answer: the slowest point strips last, the quickest ends the work time."""
        core, face = self._points(drifting_min, sand_temp_c, kept_strip_min)
        work_core, work_face = self._working(sand_temp_c, kept_work_min)
        where = {
            "face_temp_c": float(face_temp_c(sand_temp_c=sand_temp_c, pattern_temp_c=self.pattern_temp_c)),
            "pattern_temp_c": self.pattern_temp_c,
            "surroundings_c": self.surroundings_c,
            "time_constant_min": self.drift_min,
        }
        slowest, quickest = "face" if face > core else "core", "face" if work_face < work_core else "core"
        return {
            "slowest_point": {"core_min": core, "face_min": face, "slowest": slowest, **where},
            "quickest_point": {"core_min": float(work_core), "face_min": work_face, "quickest": quickest},
        }

    def basis(self) -> Basis:
        """What the drift rests on."""
        tag: Tag = "default"
        if self.said_min is not None:
            mould, tag = f"by its time constant of {self.said_min:g} min, as asked, the mould", "record"
        elif self.box_kg is not None:
            mould, tag = f"a box of {self.box_kg:,.0f} kg, as a cube in 20 mm of wood,", "derived"
        else:
            mould = f"no box given: {_NO_BOX_KG:g} kg taken, as a cube in 20 mm of wood,"
        return Basis(
            "slowest and quickest point",
            f"pattern {self.pattern_temp_c:.1f} °C, surroundings {self.surroundings_c:.1f} °C; {mould} comes a third "
            f"of the way in {0.405 * self.drift_min:.0f} min",
            tag,
            "equivalent age (ASTM C1074) in core and face: strip time by the slower, work time by the quicker; a "
            "thinner mould follows the room sooner",
        )
