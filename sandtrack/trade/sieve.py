"""Sieve analysis: grain fineness number, average size, distribution and what it says about the sand."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from sandtrack.errors import FieldError
from sandtrack.trade._numbers import single

PAN = "pan"
CLAY = "clay"

# US sieves and their openings. source: ASTM E11
US_OPENING_MM: Mapping[str, float] = MappingProxyType(
    {
        "6": 3.35, "12": 1.70, "20": 0.850, "30": 0.600, "40": 0.425, "50": 0.300,
        "70": 0.212, "100": 0.150, "140": 0.106, "200": 0.075, "270": 0.053,
    }
)  # fmt: skip

# Factors of the grain fineness number, which differ at sieve 200 alone. source: both sets are in print
_CLASSIC = {
    "6": 3.0, "12": 5.0, "20": 10.0, "30": 20.0, "40": 30.0, "50": 40.0,
    "70": 50.0, "100": 70.0, "140": 100.0, "200": 140.0, "270": 200.0, PAN: 300.0,
}  # fmt: skip
# On metric sieves, named by their opening in micrometres. memory: a ferrous foundry handbook (2000)
_METRIC = {
    "1400": 6.0, "1000": 9.0, "710": 15.0, "500": 25.0, "355": 35.0, "250": 45.0,
    "180": 60.0, "125": 81.0, "90": 118.0, "63": 164.0, PAN: 275.0,
}  # fmt: skip
FINENESS_FACTORS: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "classic": MappingProxyType(_CLASSIC),
        "later": MappingProxyType(_CLASSIC | {"200": 145.0}),
        "metric": MappingProxyType(_METRIC),
    }
)

# Size that stands for what lies on a metric sieve, micrometres. memory: a ferrous foundry handbook (2000)
AVERAGE_SIZE_UM: Mapping[str, float] = MappingProxyType(
    {
        "1400": 1180.0, "1000": 1180.0, "710": 1180.0, "500": 600.0, "355": 425.0, "250": 300.0, "212": 212.0,
        "180": 212.0, "150": 150.0, "125": 150.0, "90": 106.0, "63": 75.0, PAN: 38.0,
    }
)  # fmt: skip


def grain_fineness_number(
    retained: Mapping[str | int, float],
    *,
    factors: Literal["classic", "later", "metric"] | Mapping[str, float] = "later",
) -> float:
    """Grain fineness number of a sieve analysis. [-]

    Parameters
    ----------
    retained : mapping of str or int to float
        What lay on each sieve and in the "pan", grams or percent; a key "clay" is left out of both sums. [g or %]
    factors : str or mapping of str to float
        "classic" (140 at sieve 200), "later" (145), "metric" (sieves in µm), or factors of your own. [-]

    Returns
    -------
    float
        Number; two sands with one number can differ widely, so show the distribution too. [-]

    Raises
    ------
    FieldError
        A sieve without a factor, a negative or missing mass, or nothing retained.

    Notes
    -----
    Σ p·F / Σ p, on what was recovered and not on the sample. Store which factors were used.

    Source
    ------
    memory: AFS Mold & Core Test Handbook, 3rd ed., test 1106; older texts for "classic".

    Examples
    --------
    >>> grain_fineness_number({50: 10.0, 70: 10.0})
    45.0
    """
    if isinstance(factors, str) and factors not in FINENESS_FACTORS:
        raise FieldError(field="factors", value=factors, reason="is not known", accepted=", ".join(FINENESS_FACTORS))
    table = FINENESS_FACTORS[factors] if isinstance(factors, str) else factors
    return _weighted(_masses(retained, table), table)


def average_grain_size_um(
    retained: Mapping[str | int, float], *, sizes_um: Mapping[str, float] = AVERAGE_SIZE_UM
) -> float:
    """Average grain size on metric sieves. [µm]

    Parameters
    ----------
    retained : mapping of str or int to float
        What lay on each sieve, named by its opening in µm, and in the "pan", grams or percent. [g or %]
    sizes_um : mapping of str to float
        Size that stands for each sieve; some tables take other values for 600, 425, 300, 106, 75. [µm]

    Returns
    -------
    float
        Average size. [µm]

    Raises
    ------
    FieldError
        A sieve without a size, a negative or missing mass, or nothing retained.

    Notes
    -----
    Σ p·k / Σ p, on what was recovered.

    Source
    ------
    memory: a ferrous foundry handbook (2000).

    Examples
    --------
    >>> average_grain_size_um({250: 30.0, 212: 10.0})
    278.0
    """
    return _weighted(_masses(retained, sizes_um), sizes_um)


@dataclass(frozen=True, kw_only=True)
class Distribution:
    """Grain sizes of a sand, coarsest sieve first.

    Attributes
    ----------
    sieves : tuple of str
        Labels of the sieves, without the pan. [-]
    opening_mm : tuple of float
        Opening of each. [mm]
    retained_pct : tuple of float
        Retained on each, of what was recovered. [%]
    passing_pct : tuple of float
        Passing each. [%]
    pan_pct : float
        In the pan. [%]
    """

    sieves: tuple[str, ...]
    opening_mm: tuple[float, ...]
    retained_pct: tuple[float, ...]
    passing_pct: tuple[float, ...]
    pan_pct: float

    def size_mm(self, passing_pct: float) -> float | None:
        """Size that a given part of the sand passes. [mm]

        Parameters
        ----------
        passing_pct : float
            Part that is finer, above 0 and below 100. [%]

        Returns
        -------
        float or None
            Size; None where the sieves used do not reach it. [mm]

        Raises
        ------
        FieldError
            A part outside 0 to 100.

        Notes
        -----
        Linear in percent against the logarithm of the opening, between neighbouring sieves; nothing is drawn
        on beyond the coarsest or finest.

        Source
        ------
        practice: usual reading of a distribution curve.

        Examples
        --------
        >>> distribution({50: 50.0, 70: 50.0}).size_mm(50)
        0.3
        """
        wanted = single(passing_pct, field="passing_pct", above=0.0, below=100.0)
        curve = list(zip(self.passing_pct, self.opening_mm, strict=True))
        for (coarse_pct, coarse), (fine_pct, fine) in itertools.pairwise(curve):
            if fine_pct <= wanted <= coarse_pct and coarse_pct > fine_pct:
                part = (wanted - fine_pct) / (coarse_pct - fine_pct)
                return fine if part == 0.0 else coarse if part == 1.0 else fine * (coarse / fine) ** part
        return next((size for passing, size in curve if passing == wanted), None)

    @property
    def d10_mm(self) -> float | None:
        """Size that a tenth passes; None where not determined. [mm]"""
        return self.size_mm(10.0)

    @property
    def d50_mm(self) -> float | None:
        """Median size; None where not determined. [mm]"""
        return self.size_mm(50.0)

    @property
    def d60_mm(self) -> float | None:
        """Size that six tenths pass; None where not determined. [mm]"""
        return self.size_mm(60.0)

    @property
    def uniformity(self) -> float | None:
        """D60 ÷ D10, 1 for grains all alike; None where not determined. [-]"""
        d60, d10 = self.d60_mm, self.d10_mm
        return None if d60 is None or d10 is None else d60 / d10

    def sieves_holding(self, *, at_least_pct: float = 10.0) -> tuple[str, ...]:
        """Longest row of neighbouring sieves that each hold so much; their count is the "number of screens". [-]

        Parameters
        ----------
        at_least_pct : float
            Least part on each, above 0 to 100. [%]

        Returns
        -------
        tuple of str
            Labels, coarsest first; the pan is no sieve and never counts. [-]

        Raises
        ------
        FieldError
            A part outside 0 to 100.

        Source
        ------
        practice: count of adjacent sieves holding 10 % or more.

        Examples
        --------
        >>> distribution({40: 5.0, 50: 40.0, 70: 40.0, 100: 15.0}).sieves_holding()
        ('50', '70', '100')
        """
        least = single(at_least_pct, field="at_least_pct", above=0.0, at_most=100.0)
        best: list[str] = []
        row: list[str] = []
        for sieve, held in zip(self.sieves, self.retained_pct, strict=True):
            row = [*row, sieve] if held >= least else []
            best = max(best, row, key=len)
        return tuple(best)


def distribution(
    retained: Mapping[str | int, float], *, opening_mm: Mapping[str, float] | Literal["us", "metric"] = "us"
) -> Distribution:
    """Distribution of a sieve analysis, in percent of what was recovered. [%]

    Parameters
    ----------
    retained : mapping of str or int to float
        What lay on each sieve and in the "pan", grams or percent; a key "clay" is left out. Give an empty
        sieve as 0: one left out counts as not used. [g or %]
    opening_mm : str or mapping of str to float
        "us" sieve numbers, "metric" sieves named by their opening in µm, or openings of your own. [mm]

    Returns
    -------
    Distribution
        Retained and passing, coarsest sieve first. [%]

    Raises
    ------
    FieldError
        An unknown sieve, a negative or missing mass, or nothing retained.

    Source
    ------
    source: openings of US sieves, ASTM E11.

    Examples
    --------
    >>> distribution({50: 30.0, 70: 60.0, "pan": 10.0}).passing_pct
    (70.0, 10.0)
    """
    if opening_mm == "us":
        table: Mapping[str, float] = US_OPENING_MM
    elif opening_mm == "metric":
        labels = [_label(sieve) for sieve in retained]
        table = {each: float(each) / 1000 for each in labels if each.isdigit() and int(each) > 0}
    elif isinstance(opening_mm, str):
        raise FieldError(field="opening_mm", value=opening_mm, reason="is not known", accepted="us, metric")
    else:
        table = opening_mm
    masses = _masses(retained, {**table, PAN: 0.0})
    total = math.fsum(masses.values())
    sieves = sorted((sieve for sieve in masses if sieve != PAN), key=lambda sieve: -table[sieve])
    by_size = [*(masses[sieve] for sieve in sieves), masses.get(PAN, 0.0)]
    return Distribution(
        sieves=tuple(sieves),
        opening_mm=tuple(table[sieve] for sieve in sieves),
        retained_pct=tuple(masses[sieve] / total * 100 for sieve in sieves),
        passing_pct=tuple(math.fsum(by_size[k:]) / total * 100 for k in range(1, len(by_size))),
        pan_pct=masses.get(PAN, 0.0) / total * 100,
    )


def _masses(retained: Mapping[str | int, float], table: Mapping[str, float]) -> dict[str, float]:
    """Masses by sieve without clay; unknown and doubled sieves refused, and so is an empty analysis."""
    masses: dict[str, float] = {}
    for sieve, mass in retained.items():
        label = _label(sieve)
        if label == CLAY:
            continue
        if label not in table:
            accepted = ", ".join([*table, CLAY])
            raise FieldError(field="retained", value=sieve, reason="is not a known sieve", accepted=accepted)
        if label in masses:
            raise FieldError(field="retained", value=sieve, reason="is there twice")
        masses[label] = single(mass, field=f"retained.{label}", at_least=0.0)
    if math.fsum(masses.values()) <= 0.0:
        raise FieldError(field="retained", reason="holds nothing: there is no sand to judge")
    return masses


def _weighted(masses: Mapping[str, float], weights: Mapping[str, float]) -> float:
    return math.fsum(mass * weights[sieve] for sieve, mass in masses.items()) / math.fsum(masses.values())


def _label(sieve: str | int) -> str:
    return str(sieve).strip().lower()
