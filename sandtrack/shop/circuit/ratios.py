"""A rate as one sum of flows over another, and how far it may be off by the errors of the measures used."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from sandtrack.errors import FieldError
from sandtrack.ledger import Flow
from sandtrack.shop.answer import Range
from sandtrack.shop.picture import KG, Picture

COVERAGE = 0.8
_Z = 1.2815515655446004  # of a normal distribution, 80 % in the middle


@dataclass(frozen=True)
class Sum:
    """A mass added up: flows, each times a factor, and what comes from elsewhere with its own variance."""

    flows: tuple[tuple[Flow, float], ...] = ()
    other_kg: float = 0.0
    other_kg2: float = 0.0

    @classmethod
    def of(cls, flows: Iterable[Flow], factor: float = 1.0) -> Sum:
        """The masses of flows, times a factor."""
        return cls(tuple((flow, factor) for flow in flows))

    def __add__(self, more: Sum) -> Sum:
        return Sum(self.flows + more.flows, self.other_kg + more.other_kg, self.other_kg2 + more.other_kg2)

    def __sub__(self, less: Sum) -> Sum:
        negative = tuple((flow, -factor) for flow, factor in less.flows)
        return Sum(self.flows + negative, self.other_kg - less.other_kg, self.other_kg2 + less.other_kg2)

    @property
    def kg(self) -> float:
        """The whole mass. [kg]"""
        return sum(factor * flow.mass_mg for flow, factor in self.flows) / KG + self.other_kg


@dataclass(frozen=True)
class Rate:
    """One named rate: what is divided by what, what it means, and why there is none where there is none."""

    name: str
    part: Sum | None
    whole: Sum | None
    meaning: str
    basis: str
    because: str
    """Why there is no value, where there is none."""
    value: float | None = None
    unit: str = "kg/kg"

    def told(self) -> dict[str, Any]:
        """The rate as an answer's values."""
        return {
            "value": self.value,
            "unit": self.unit,
            "numerator_kg": None if self.part is None else self.part.kg,
            "denominator_kg": None if self.whole is None else self.whole.kg,
            "meaning": self.meaning,
            "basis": self.basis,
            "because": "" if self.value is not None else self.because,
        }


def worked_out(calculation: Callable[[], float]) -> float | None:
    """A rate of the trade, or None where it cannot be."""
    try:
        return calculation()
    except FieldError:
        return None


def rate_range(picture: Picture, rate: Rate) -> Range | None:
    """Range of a rate by the errors of the measures (and counts) that are in it; None where no measure is.

    To first order d(N/D) = (dN − N/D·dD)/D, so a flow that is in both counts with the difference of its two parts. A
    measure's steady error moves all that was told in it together: it is added up before it is squared. Its chance
    errors are squared first: Σ c²·m².
    """
    if rate.value is None or rate.part is None or rate.whole is None or rate.whole.kg <= 0:
        return None
    whole, ratio = rate.whole.kg, rate.part.kg / rate.whole.kg
    weights: dict[Flow, float] = {}
    for flow, factor in rate.part.flows:
        weights[flow] = weights.get(flow, 0.0) + factor / whole
    for flow, factor in rate.whole.flows:
        weights[flow] = weights.get(flow, 0.0) - ratio * factor / whole
    steady: dict[str, float] = {}
    variance = (rate.part.other_kg2 + ratio**2 * rate.whole.other_kg2) / whole**2
    told_in_kg = measured = 0.0
    for flow, weight in weights.items():
        if not flow.measure:
            told_in_kg += flow.mass_mg / KG
            continue
        measured += flow.mass_mg / KG
        entry = picture.setups.booked_with(flow.revision).find("measures", flow.measure)
        steady[flow.measure] = steady.get(flow.measure, 0.0) + weight * flow.mass_mg / KG * entry.steady_pct / 100
        variance += weight**2 * flow.mass_g2 / 1e6 * (entry.chance_pct / 100) ** 2
    variance += sum(error**2 for error in steady.values())
    if variance == 0 or not measured:
        return None
    half = _Z * math.sqrt(variance)
    exact = told_in_kg / (told_in_kg + measured)
    return Range(
        rate.value - half,
        rate.value,
        rate.value + half,
        COVERAGE,
        "by the errors of the shop's own measures and the stated errors of counts"
        + (f"; {100 * exact:.0f} % of the mass was told in kg, whose error is not known" if exact else ""),
    )
