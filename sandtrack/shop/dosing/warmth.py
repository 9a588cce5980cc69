"""A mould that does not keep the temperature of its sand: the pattern's and the room's, and its slowest point."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sandtrack.shop.answer import Basis
from sandtrack.trade.cure import CureLaw
from sandtrack.trade.maturity import SAND_DENSITY_KG_M3, StripPoints, strip_points_min, time_constant_min

_NO_BOX_KG = 300.0  # practice: stands for a box that is not given


@dataclass(frozen=True)
class Surroundings:
    """What a mould stands in, for one law of its cure."""

    law: CureLaw
    pattern_temp_c: float
    surroundings_c: float
    box_kg: float | None

    @property
    def drift_min(self) -> float:
        """Time in which the mould's distance from the room's temperature falls to 1/e, as a cube of its sand. [min]"""
        side_cm = 100 * ((self.box_kg or _NO_BOX_KG) / SAND_DENSITY_KG_M3) ** (1 / 3)
        return float(time_constant_min(modulus_cm=side_cm / 6))

    def points(self, sand_temp_c: float, lever: Any) -> StripPoints:
        """Strip times in the core and at the face, in the middle of the law. [min]"""
        return strip_points_min(
            self.law,
            lever,
            sand_temp_c=sand_temp_c,
            pattern_temp_c=self.pattern_temp_c,
            surroundings_c=self.surroundings_c,
            time_constant_min=self.drift_min,
        )

    def slower(self, sand_temp_c: float, lever: Any) -> Any:
        """Strip time of the slowest point ÷ that of sand which keeps its temperature; of one setting or of many."""
        return self.points(sand_temp_c, lever).slowest_min / self.law.strip_time_min(sand_temp_c, lever)

    def told(self, sand_temp_c: float, lever: float) -> dict[str, Any]:
        """Strip at core and face for an answer."""
        points = self.points(sand_temp_c, lever)
        return {
            "core_min": float(points.core_min),
            "face_min": float(points.face_min),
            "slowest": str(points.slowest),
            "face_temp_c": float(points.face_temp_c),
            "pattern_temp_c": self.pattern_temp_c,
            "surroundings_c": self.surroundings_c,
        }

    def basis(self) -> Basis:
        """What the drift rests on."""
        box = f"a box of {self.box_kg:,.0f} kg" if self.box_kg is not None else f"no box given: {_NO_BOX_KG:g} kg taken"
        return Basis(
            "slowest point",
            f"pattern {self.pattern_temp_c:.1f} °C, surroundings {self.surroundings_c:.1f} °C; {box}, as a cube in "
            f"20 mm of wood, comes a third of the way in {0.405 * self.drift_min:.0f} min",
            "derived" if self.box_kg is not None else "default",
            "equivalent age (ASTM C1074) in the core and at the face; a thinner mould follows the room sooner",
        )
