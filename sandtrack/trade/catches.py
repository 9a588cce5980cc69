"""Timed catches at one setting: their rates, their spread, and what errors of two flows make together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._integrals import log_points
from sandtrack.trade._numbers import Numbers, given, single, tidy
from sandtrack.trade._student import student_t


@dataclass(frozen=True, kw_only=True)
class CatchSpread:
    """How far the catches at one setting lie apart, and from the wanted rate.

    Attributes
    ----------
    mean_kg_min : float
        Mean rate. [kg/min]
    sd_kg_min : float
        Standard deviation of single catches. [kg/min]
    low_kg_min, high_kg_min : float
        Range of the mean at the chance asked for. [kg/min]
    largest_pct : float
        Largest distance of a catch from the mean. [% of the mean]
    error_pct : float or None
        Mean against the wanted rate, plus is too much. [% of the wanted rate]
    steady : bool
        Whether every catch is within the tolerance of the mean. [-]
    on_rate : bool or None
        Whether the mean is within the tolerance of the wanted rate. [-]
    """

    mean_kg_min: float
    sd_kg_min: float
    low_kg_min: float
    high_kg_min: float
    largest_pct: float
    error_pct: float | None
    steady: bool
    on_rate: bool | None


def rates_kg_min(*, seconds: Numbers, masses_kg: Numbers) -> Any:
    """Rate of each timed, weighed catch. [kg/min]

    Parameters
    ----------
    seconds : sequence, array or Series
        Duration of each catch, above 0. [s]
    masses_kg : sequence, array or Series
        Mass of each catch, 0 or more. [kg]

    Returns
    -------
    array
        Rates. [kg/min]

    Raises
    ------
    FieldError
        Unequal lengths, missing values or a number outside its range.

    Source
    ------
    derived: mass over time.

    Examples
    --------
    >>> rates_kg_min(seconds=[30, 20], masses_kg=[0.5, 0.4]).tolist()
    [1.0, 1.2]
    """
    times = given(log_points(seconds, "seconds"), field="seconds", above=0.0)
    masses = given(log_points(masses_kg, "masses_kg"), field="masses_kg", at_least=0.0)
    if times.size != masses.size:
        raise FieldError(field="seconds", reason="and masses_kg need to be equally many")
    return masses * 60 / times


def catch_spread(
    *,
    seconds: Numbers,
    masses_kg: Numbers,
    tolerance_pct: float,
    wanted_kg_min: float | None = None,
    chance: float = 0.95,
) -> CatchSpread:
    """How steady the catches at one setting are, and how near to the wanted rate. [kg/min]

    Parameters
    ----------
    seconds : sequence, array or Series
        Duration of each catch, above 0. [s]
    masses_kg : sequence, array or Series
        Mass of each catch, 0 or more, not all 0; two catches or more. [kg]
    tolerance_pct : float
        Allowed distance, above 0; 3 to 5 for sand, 2 to 3 resin, 2 to 5 catalyst (memory). [%]
    wanted_kg_min : float or None
        Wanted rate, above 0. [kg/min]
    chance : float
        Chance that the range of the mean is to hold. [share]

    Returns
    -------
    CatchSpread
        Mean, spread, error, and whether they are within the tolerance. [kg/min]

    Raises
    ------
    FieldError
        Fewer than two catches, unequal lengths, missing values or a number outside its range.

    Source
    ------
    derived: mean, standard deviation and Student's t; a catch exactly on the tolerance is within.

    Examples
    --------
    >>> seen = catch_spread(seconds=[30, 30, 30], masses_kg=[0.50, 0.51, 0.52], tolerance_pct=2, wanted_kg_min=1)
    >>> round(seen.mean_kg_min, 3), round(seen.largest_pct, 2), seen.steady, seen.on_rate
    (1.02, 1.96, True, True)
    """
    rates = rates_kg_min(seconds=seconds, masses_kg=masses_kg)
    if rates.size < 2:
        raise FieldError(field="masses_kg", reason="has too few catches; two or more are needed")
    tolerance = single(tolerance_pct, field="tolerance_pct", above=0.0) * (1 + 1e-9)
    mean = single(float(np.mean(rates)), field="masses_kg (mean rate)", above=0.0)
    sd = float(np.std(rates, ddof=1))
    reach = student_t(single(chance, field="chance", above=0.0, below=1.0), rates.size - 1) * sd / math.sqrt(rates.size)
    largest = float(np.max(np.abs(rates - mean))) / mean * 100
    error = (
        None if wanted_kg_min is None else (mean / single(wanted_kg_min, field="wanted_kg_min", above=0.0) - 1) * 100
    )
    return CatchSpread(
        mean_kg_min=mean,
        sd_kg_min=sd,
        low_kg_min=mean - reach,
        high_kg_min=mean + reach,
        largest_pct=largest,
        error_pct=error,
        steady=largest <= tolerance,
        on_rate=None if error is None else abs(error) <= tolerance,
    )


def ratio_error_pct(*, resin_error_pct: Numbers, sand_error_pct: Numbers) -> Numbers:
    """Error of the resin percentage that errors of resin and sand flow make together. [%]

    Parameters
    ----------
    resin_error_pct : float, array or Series
        Resin delivered too much (plus) or too little, -100 or more. [% of the set flow]
    sand_error_pct : float, array or Series
        Sand delivered too much (plus) or too little, above -100. [% of the set flow]

    Returns
    -------
    float, array or Series
        Error of the ratio, plus is too much resin. [% of the set ratio]

    Raises
    ------
    FieldError
        A flow less than nothing, or no sand at all.

    Notes
    -----
    (1 + e_resin)/(1 + e_sand) - 1. The same holds for catalyst on resin.

    Source
    ------
    derived: ratio of two flows.

    Examples
    --------
    >>> round(ratio_error_pct(resin_error_pct=3, sand_error_pct=-5), 2)
    8.42
    """
    resin = given(resin_error_pct, field="resin_error_pct", at_least=-100.0)
    sand = given(sand_error_pct, field="sand_error_pct", above=-100.0)
    return tidy((resin - sand) / (sand + 100) * 100)


def caught_kg(*, volume_ml: Numbers, density_kg_m3: Numbers) -> Numbers:
    """Mass of a liquid caught in a measuring cylinder. [kg]

    Parameters
    ----------
    volume_ml : float, array or Series
        Volume, 0 or more. [ml]
    density_kg_m3 : float, array or Series
        Density at the temperature of the catch, above 0. [kg/m³]

    Returns
    -------
    float, array or Series
        Mass; a volume for a mass is the same with `sandtrack.trade.dosing.flow_ml_min`. [kg]

    Raises
    ------
    FieldError
        A negative volume or a density of 0 or less.

    Source
    ------
    derived: 1 m³ is 1 000 000 ml.

    Examples
    --------
    >>> caught_kg(volume_ml=500, density_kg_m3=1200)
    0.6
    """
    volume = given(volume_ml, field="volume_ml", at_least=0.0)
    return tidy(volume * given(density_kg_m3, field="density_kg_m3", above=0.0) / 1e6)
