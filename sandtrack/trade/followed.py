"""Equivalent time of sand whose temperature was followed: many times along one log at once, and back."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._integrals import aged_parts, aged_pieces, log_points
from sandtrack.trade._kinetics import GAS_CONSTANT_J_MOL_K, kelvin
from sandtrack.trade._numbers import Numbers, given, like, plain, single

_MOST_STEPS = 100
_CLOSE = 1e-12


def followed_equivalent_min(
    minutes: Numbers,
    *,
    activation_energy_kj_mol: float,
    kept_temp_c: float,
    log_minutes: Numbers,
    log_temps_c: Numbers,
) -> Numbers:
    """Minutes in which sand that keeps one temperature cures as far as sand along a log does in `minutes`. [min]

    Parameters
    ----------
    minutes : float, array or Series
        Times since the beginning of the log's clock, 0 or more; infinity stays infinity. [min]
    activation_energy_kj_mol : float
        How strongly cold slows the cure, 0 or more. [kJ/mol]
    kept_temp_c : float
        Temperature that the sand compared with keeps. [degC]
    log_minutes : sequence, array or Series, shape (n,)
        Times of the log, in order, 0 or more; two equal ones make a step. [min]
    log_temps_c : sequence, array or Series, shape (n,)
        Temperature of the sand at each time; straight lines between, the first and last one held. [degC]

    Returns
    -------
    float, array or Series
        Equivalent time at the kept temperature. [min]

    Raises
    ------
    FieldError
        A time or energy below 0, or a log of unequal lengths, with no reading, missing values or times that run
        backwards.

    Notes
    -----
    ∫ exp(-E/R (1/T - 1/Tk)) dt over the broken line itself, 16-point Gauss in each piece.

    Source
    ------
    source: ASTM C1074, Arrhenius equivalent age.

    Examples
    --------
    >>> log = {"log_minutes": [0, 60, 60, 90], "log_temps_c": [20, 20, 30, 30]}
    >>> found = followed_equivalent_min([30, 90], activation_energy_kj_mol=51.2, kept_temp_c=20, **log)
    >>> found.round(1).tolist()
    [30.0, 120.0]
    """
    log = _log(log_minutes, log_temps_c, kept_temp_c, activation_energy_kj_mol)
    at = plain(given(minutes, field="minutes", at_least=0.0, may_be_infinite=True))
    whole = np.minimum(at, log.minutes[-1])
    piece = np.clip(np.searchsorted(log.minutes, whole) - 1, 0, log.steps.size - 1)
    part = np.divide(whole - log.minutes[piece], log.steps[piece], out=np.zeros_like(whole), where=log.steps[piece] > 0)
    worth, _ = aged_parts(part, log.steps[piece], log.temps_k[piece], log.rises_k[piece], *log.law)
    return like(log.aged_min[piece] + worth + (at - whole) * log.last_speed, minutes)


def followed_min(
    kept_min: Numbers,
    *,
    activation_energy_kj_mol: float,
    kept_temp_c: float,
    log_minutes: Numbers,
    log_temps_c: Numbers,
) -> Numbers:
    """Minutes in which sand along a log of its temperature cures as far as sand that keeps one does. [min]

    Parameters
    ----------
    kept_min : float, array or Series
        Times at the kept temperature, 0 or more; infinity stays infinity. [min]
    activation_energy_kj_mol : float
        How strongly cold slows the cure, 0 or more. [kJ/mol]
    kept_temp_c : float
        Temperature that the sand compared with keeps. [degC]
    log_minutes : sequence, array or Series, shape (n,)
        Times of the log, in order, 0 or more; two equal ones make a step. [min]
    log_temps_c : sequence, array or Series, shape (n,)
        Temperature of the sand at each time; straight lines between, the first and last one held. [degC]

    Returns
    -------
    float, array or Series
        Time since the beginning of the log's clock. [min]

    Raises
    ------
    FieldError
        What `followed_equivalent_min` refuses.

    Notes
    -----
    Solves ∫ exp(-E/R (1/T - 1/Tk)) dt = `kept_min` by Newton steps kept within the piece of the log.

    Source
    ------
    source: ASTM C1074, Arrhenius equivalent age.

    Examples
    --------
    >>> log = {"log_minutes": [0, 60, 60, 90], "log_temps_c": [20, 20, 30, 30]}
    >>> followed_min([30, 120], activation_energy_kj_mol=51.2, kept_temp_c=20, **log).round(1).tolist()
    [30.0, 90.0]
    """
    log = _log(log_minutes, log_temps_c, kept_temp_c, activation_energy_kj_mol)
    goal = plain(given(kept_min, field="kept_min", at_least=0.0, may_be_infinite=True))
    whole = np.minimum(goal, log.aged_min[-1])
    piece = np.clip(np.searchsorted(log.aged_min, whole) - 1, 0, log.steps.size - 1)
    part = _part(whole - log.aged_min[piece], log, piece)
    found = log.minutes[piece] + part * log.steps[piece] + (goal - whole) / log.last_speed
    return like(found, kept_min)


class _Log(NamedTuple):
    """A log from its clock's beginning: each straight piece, and what all before it are worth."""

    minutes: Any
    temps_k: Any
    steps: Any
    rises_k: Any
    aged_min: Any
    law: tuple[float, float]
    last_speed: float


def _log(minutes: Numbers, temps_c: Numbers, kept_temp_c: float, energy_kj_mol: float) -> _Log:
    times = given(log_points(minutes, "log_minutes"), field="log_minutes", at_least=0.0)
    temps = log_points(kelvin(temps_c, field="log_temps_c"), "log_temps_c")
    if times.size != temps.size or times.size < 1:
        raise FieldError(field="log_minutes", reason="and log_temps_c need equally many points, one or more")
    if times[0] > 0 or times.size == 1:
        times, temps = np.concatenate([[0.0], times]), np.concatenate([temps[:1], temps])
    steps = np.diff(times)
    if np.any(steps < 0):
        raise FieldError(field="log_minutes", reason="run backwards; sort the log by time")
    energy = single(energy_kj_mol, field="activation_energy_kj_mol", at_least=0.0)
    kept_k = float(kelvin(single(kept_temp_c, field="kept_temp_c"), field="kept_temp_c"))
    law = energy * 1e3 / GAS_CONSTANT_J_MOL_K, kept_k
    aged = np.concatenate([[0.0], np.cumsum(aged_pieces(steps, temps, *law))])
    speed = float(np.exp(law[0] * (1 / kept_k - 1 / temps[-1])))
    return _Log(times, temps, steps, np.diff(temps), aged, law, speed)


def _part(left: Any, log: _Log, piece: Any) -> Any:
    """How much of its piece each takes for what is left, between 0 and 1."""
    row = log.steps[piece], log.temps_k[piece], log.rises_k[piece]
    worth = log.aged_min[piece + 1] - log.aged_min[piece]
    part = np.divide(left, worth, out=np.zeros_like(left), where=worth > 0)
    low, high = np.zeros_like(part), np.ones_like(part)
    for _ in range(_MOST_STEPS):
        done, rate = aged_parts(part, *row, *log.law)
        low, high = np.where(done < left, part, low), np.where(done > left, part, high)
        newton = part + np.divide(left - done, rate, out=np.zeros_like(part), where=rate > 0)
        new = np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
        moved = np.abs(new - part)
        part = np.where(np.isnan(left), np.nan, new)
        if not np.any(moved > _CLOSE):
            break
    return part
