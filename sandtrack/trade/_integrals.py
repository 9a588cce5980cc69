"""Integrals of the cure speed over a temperature that moves; bare arrays, absolute temperatures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._numbers import Numbers, given, plain


def _gauss(nodes: int) -> tuple[Any, Any]:
    """Nodes and weights of Gauss-Legendre on 0 to 1."""
    at, weight = np.polynomial.legendre.leggauss(nodes)
    return (at + 1) / 2, weight / 2


# Enough to integrate exp(E/RT) over a drift of 50 K, or one piece of a log, to the last digits.
_NODES, _WEIGHTS = _gauss(32)
_NODES_16, _WEIGHTS_16 = _gauss(16)


def drifting_strip_time(rows: Sequence[Any], per_kelvin: float) -> Any:
    """Solve the cure integral by Newton steps kept between the times at the two constant temperatures.

    The rows are: strip time at the start's temperature, at the end's, both temperatures, time constant.
    """
    at_start, at_end, start_k, end_k, tau = np.broadcast_arrays(*rows)
    low, high = np.minimum(at_start, at_end), np.maximum(at_start, at_end)
    moving = np.isfinite(tau) & (tau > 0)
    safe_tau = np.where(moving, tau, 1.0)
    time = np.where(tau > 0, at_start, at_end)
    for _ in range(200):
        done, rate = _cured(time / safe_tau, start_k - end_k, end_k, per_kelvin)
        done, rate = done * safe_tau / at_end, rate / at_end
        low, high = np.where(done < 1.0, time, low), np.where(done > 1.0, time, high)
        newton = time + (1.0 - done) / rate
        step = np.where((newton > low) & (newton < high), newton, (low + high) / 2)
        new = np.where(moving, step, time)
        if not np.any(np.abs(new - time) > 1e-12 * time):
            return new
        time = new
    return time


def aged_drifting(rows: Sequence[Any], per_kelvin: float) -> Any:
    """Time at the end's temperature that equals a drift towards it.

    The rows are: minutes of the drift, temperatures of its start and end, time constant.
    """
    minutes, start_k, end_k, tau = np.broadcast_arrays(*rows)
    moving = np.isfinite(tau) & (tau > 0)
    safe_tau = np.where(moving, tau, 1.0)
    done, _ = _cured(minutes / safe_tau, start_k - end_k, end_k, per_kelvin)
    kept_k = np.where(tau > 0, start_k, end_k)
    return np.where(moving, done * safe_tau, minutes * np.exp(per_kelvin * (1 / end_k - 1 / kept_k)))


def _cured(taus: Any, drift_k: Any, end_k: Any, per_kelvin: float) -> tuple[Any, Any]:
    """Cure after so many time constants, and its speed then, both relative to the final temperature.

    The integral runs over v = exp(-t/tau), the part of the drift still left: smooth, and finite however long.
    """
    gone = -np.expm1(-taus)
    left = 1.0 - gone[..., None] * _NODES
    temp = end_k[..., None] + drift_k[..., None] * left
    slope = per_kelvin * drift_k[..., None] / (end_k[..., None] * temp)
    extra = (np.expm1(slope * left) / left) @ _WEIGHTS
    left_now = np.exp(-taus)
    rate = np.exp(per_kelvin * drift_k * left_now / (end_k * (end_k + drift_k * left_now)))
    return taus + gone * extra, rate


def aged(steps: Any, temps_k: Any, per_kelvin: float, reference_k: float) -> Any:
    """Time at the reference temperature that equals a broken line of temperature over these steps."""
    return aged_pieces(steps, temps_k, per_kelvin, reference_k).sum()


def aged_pieces(steps: Any, temps_k: Any, per_kelvin: float, reference_k: float) -> Any:
    """As `aged`, but what each straight piece of the line is worth."""
    along = temps_k[:-1, None] + np.diff(temps_k)[:, None] * _NODES_16
    return steps * (np.exp(per_kelvin * (1 / reference_k - 1 / along)) @ _WEIGHTS_16)


def aged_parts(
    part: Any, steps: Any, start_k: Any, rises_k: Any, per_kelvin: float, reference_k: float
) -> tuple[Any, Any]:
    """What the first part (0 to 1) of each straight piece is worth, and how fast that grows with the part."""
    along = start_k[..., None] + (part * rises_k)[..., None] * _NODES_16
    worth = part * steps * (np.exp(per_kelvin * (1 / reference_k - 1 / along)) @ _WEIGHTS_16)
    return worth, steps * np.exp(per_kelvin * (1 / reference_k - 1 / (start_k + part * rises_k)))


def log_points(values: Numbers, field: str) -> Any:
    """Return one complete column of a log as a bare array."""
    points = np.atleast_1d(plain(given(values, field=field)))
    if points.ndim != 1 or np.any(np.isnan(points)):
        raise FieldError(field=field, reason="has missing values or more than one column")
    return points
