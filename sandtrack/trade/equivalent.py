"""Equivalent time: how long sand that keeps one temperature takes for the cure of a mould that drifts, and back."""

from __future__ import annotations

from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._integrals import aged_drifting, drifting_strip_time, log_points
from sandtrack.trade._kinetics import GAS_CONSTANT_J_MOL_K, ZERO_C_IN_K, kelvin
from sandtrack.trade._numbers import Numbers, given, like, plain, single


def equivalent_min(
    minutes: Numbers,
    *,
    activation_energy_kj_mol: float,
    kept_temp_c: Numbers,
    start_temp_c: Numbers,
    surroundings_c: Numbers,
    time_constant_min: Numbers,
) -> Numbers:
    """Minutes in which sand that keeps one temperature cures as far as a drifting mould does in `minutes`. [min]

    Parameters
    ----------
    minutes : float, array or Series
        Time since the mould began to drift, 0 or more. [min]
    activation_energy_kj_mol : float
        How strongly cold slows the cure, 0 or more. [kJ/mol]
    kept_temp_c : float, array or Series
        Temperature that the sand compared with keeps. [degC]
    start_temp_c : float, array or Series
        Temperature at which the mould starts. [degC]
    surroundings_c : float, array or Series
        Temperature that it drifts to. [degC]
    time_constant_min : float, array or Series
        Time in which the difference falls to 1/e; 0 is at once, infinity never. [min]

    Returns
    -------
    float, array or Series
        Equivalent time at the kept temperature. [min]

    Raises
    ------
    FieldError
        A time, energy or time constant below 0, or a temperature at or below absolute zero.

    Notes
    -----
    ∫ exp(-E/R (1/T - 1/Tk)) dt with T(t) = Ts + (T0 - Ts) exp(-t/tau). The same for every amount of catalyst, and
    for work time as for strip time.

    Source
    ------
    derived: equivalent age of ASTM C1074 with Newton cooling.

    Examples
    --------
    >>> cooling = {"start_temp_c": 20, "surroundings_c": 5, "time_constant_min": 90}
    >>> round(equivalent_min(86, activation_energy_kj_mol=50, kept_temp_c=20, **cooling))
    60
    """
    start_k, end_k, kept_k, tau = _drift(start_temp_c, surroundings_c, kept_temp_c, time_constant_min)
    spent, per_kelvin = plain(given(minutes, field="minutes", at_least=0.0)), _per_kelvin(activation_energy_kj_mol)
    at_end = aged_drifting([spent, start_k, end_k, tau], per_kelvin)
    found = at_end * np.exp(per_kelvin * (1 / kept_k - 1 / end_k))
    return like(found, minutes, kept_temp_c, start_temp_c, surroundings_c, time_constant_min)


def drifting_min(
    minutes: Numbers,
    *,
    activation_energy_kj_mol: float,
    kept_temp_c: Numbers,
    start_temp_c: Numbers,
    surroundings_c: Numbers,
    time_constant_min: Numbers,
) -> Numbers:
    """Minutes in which a drifting mould cures as far as sand that keeps one temperature does in `minutes`. [min]

    Parameters
    ----------
    minutes : float, array or Series
        Strip or work time, or any share of one, of sand that keeps its temperature, above 0. [min]
    activation_energy_kj_mol : float
        How strongly cold slows the cure, 0 or more. [kJ/mol]
    kept_temp_c : float, array or Series
        Temperature that this sand keeps. [degC]
    start_temp_c : float, array or Series
        Temperature at which the mould starts. [degC]
    surroundings_c : float, array or Series
        Temperature that it drifts to. [degC]
    time_constant_min : float, array or Series
        Time in which the difference falls to 1/e; 0 is at once, infinity never. [min]

    Returns
    -------
    float, array or Series
        Time in the mould. [min]

    Raises
    ------
    FieldError
        A time of 0 or less, an energy or time constant below 0, or a temperature at or below absolute zero.

    Notes
    -----
    `equivalent_min` solved for its minutes.

    Source
    ------
    derived: equivalent age of ASTM C1074 with Newton cooling.

    Examples
    --------
    >>> cooling = {"start_temp_c": 20, "surroundings_c": 5, "time_constant_min": 90}
    >>> round(drifting_min(60, activation_energy_kj_mol=50, kept_temp_c=20, **cooling))
    86
    """
    start_k, end_k, kept_k, tau = _drift(start_temp_c, surroundings_c, kept_temp_c, time_constant_min)
    kept, per_kelvin = plain(given(minutes, field="minutes", above=0.0)), _per_kelvin(activation_energy_kj_mol)
    at_start, at_end = (kept * np.exp(per_kelvin * (1 / at_k - 1 / kept_k)) for at_k in (start_k, end_k))
    found = drifting_strip_time([at_start, at_end, start_k, end_k, tau], per_kelvin)
    return like(found, minutes, kept_temp_c, start_temp_c, surroundings_c, time_constant_min)


def following_temp_c(
    *, minutes: Numbers, surroundings_c: Numbers, start_temp_c: float, time_constant_min: float
) -> Numbers:
    """Temperature of a mould that follows a measured course of its surroundings. [degC]

    Parameters
    ----------
    minutes : sequence, array or Series, shape (n,)
        Times of the log, in order, the first that of filling; two equal ones make a step. [min]
    surroundings_c : sequence, array or Series, shape (n,)
        Temperature of the surroundings at each time; straight lines between. [degC]
    start_temp_c : float
        Temperature of the sand at the first time. [degC]
    time_constant_min : float
        Time in which the difference falls to 1/e, above 0; infinity follows nothing. [min]

    Returns
    -------
    array, shape (n,)
        Temperature of the mould at each time. [degC]

    Raises
    ------
    FieldError
        Unequal lengths, missing values, times running backwards, or a time constant of 0 or less.

    Notes
    -----
    tau·dT/dt = Ts - T, exact for each straight piece of Ts.

    Source
    ------
    derived: Newton cooling.

    Examples
    --------
    >>> cooling = following_temp_c(minutes=[0, 60], surroundings_c=[5, 5], start_temp_c=20, time_constant_min=60)
    >>> cooling.round(2).tolist()
    [20.0, 10.52]
    """
    times = log_points(minutes, "minutes")
    around = log_points(kelvin(surroundings_c, field="surroundings_c"), "surroundings_c") - ZERO_C_IN_K
    tau = float(given(time_constant_min, field="time_constant_min", above=0.0, may_be_infinite=True))
    if times.size != around.size or np.any(np.diff(times) < 0):
        raise FieldError(field="minutes", reason="and surroundings_c need equally many points, in order of time")
    temps = [single(start_temp_c, field="start_temp_c", above=-ZERO_C_IN_K)]
    share = np.diff(times) / tau
    gone = -np.expm1(-share)
    # Behind a line that rises evenly the mould ends up one time constant late.
    behind = 1 - np.divide(gone, share, out=1 - share / 2, where=share > 1e-6)
    late = np.diff(around) * behind
    for part, first, more in zip(gone.tolist(), around[:-1].tolist(), late.tolist(), strict=True):
        temps.append(temps[-1] + part * (first - temps[-1]) + more)
    return np.array(temps)


def _drift(start_temp_c: Numbers, surroundings_c: Numbers, kept_temp_c: Numbers, time_constant_min: Numbers) -> Any:
    """Absolute temperatures and time constant, checked, as bare arrays."""
    named = {"start_temp_c": start_temp_c, "surroundings_c": surroundings_c, "kept_temp_c": kept_temp_c}
    tau = given(time_constant_min, field="time_constant_min", at_least=0.0, may_be_infinite=True)
    return *(plain(kelvin(temp_c, field=field)) for field, temp_c in named.items()), plain(tau)


def _per_kelvin(activation_energy_kj_mol: float) -> float:
    energy = single(activation_energy_kj_mol, field="activation_energy_kj_mol", at_least=0.0)
    return energy * 1e3 / GAS_CONSTANT_J_MOL_K
