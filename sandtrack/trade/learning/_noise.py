"""How noisy checks are and how far lots differ: the mode of the evidence and nodes spread round it."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.trade.learning._normal import Array
from sandtrack.trade.learning._propagation import Evidence, Posterior, propagate

_ROUNDS = 12  # Newton steps at most
_REACH = 0.7  # longest Newton step, in ln
_NODES = ((0.0, 2.0 / 3.0), (-math.sqrt(3.0), 1.0 / 6.0), (math.sqrt(3.0), 1.0 / 6.0))  # Gauss-Hermite, 3 points
_QUICK, _FINE = 1e-3, 1e-4


@dataclass(frozen=True)
class Scale:
    """Normal belief about ln of the noise and of the spread between lots; spread 0 means known."""

    middle: Array  # (2,)
    spread: Array  # (2,)

    def log_prior(self, at: Array) -> Array:
        """ln prior of each row of `at`, up to a constant."""
        sure = np.where(self.spread > 0.0, self.spread, 1.0)
        z = np.where(self.spread > 0.0, (at - self.middle) / sure, 0.0)
        total: Array = -0.5 * (z * z).sum(axis=1)
        return total


@dataclass(frozen=True)
class Nodes:
    """Posterior at each node, the nodes' weights, and the normal in ln that they stand for."""

    posterior: Posterior
    weights: Array
    middle: Array  # (2,) ln noise, ln lot spread
    covariance: Array  # (2, 2)


def cold_start(data: Evidence, scale: Scale) -> Posterior:
    """First pass: six sweeps that believe every check, then the doubts."""
    noise, lot_sd = _sds(scale.middle[None, :])
    sure = propagate(data.without_doubt(), noise, lot_sd, tolerance=_QUICK, sweeps=6)
    return propagate(data, noise, lot_sd, start=sure, tolerance=_QUICK, sweeps=20)


@dataclass(frozen=True)
class Mode:
    """Likeliest noise and lot spread, the curvature there, and the fit at that place."""

    at: Array  # (2,)
    covariance: Any  # of the free ones
    fit: Posterior  # one node
    score: float  # ln evidence with noise and lot spread integrated, up to a constant


def find_mode(data: Evidence, scale: Scale, start: Posterior, near: Mode | None = None) -> Mode:
    """Search the mode over noise and lot spread from a start, best near a mode already known."""
    free = np.flatnonzero(scale.spread > 0.0)
    centre = np.log(np.maximum([start.noise[0], start.lot_sd[0]], 1e-20))
    curvature = np.diag(1.0 / scale.spread[free] ** 2) if near is None else np.linalg.inv(near.covariance)
    for _ in range(_ROUNDS if free.size else 0):
        centre, curvature, start, small = _newton(data, scale, centre, curvature, free, start)
        if small:
            break
    noise, lot_sd = _sds(centre[None, :])
    fit = propagate(data, noise, lot_sd, start=start, tolerance=_FINE, sweeps=40)
    score = float(fit.evidence[0] + scale.log_prior(centre[None, :])[0])
    return Mode(centre, np.linalg.inv(curvature), fit, score - 0.5 * float(np.linalg.slogdet(curvature)[1]))


def spread_nodes(data: Evidence, scale: Scale, mode: Mode) -> Nodes:
    """Fit at the nodes round the mode and weigh them by their evidence."""
    free = np.flatnonzero(scale.spread > 0.0)
    grid = np.array(list(itertools.product(_NODES, repeat=free.size))).reshape(len(_NODES) ** free.size, free.size, 2)
    places, weights = grid[:, :, 0], grid[:, :, 1].prod(axis=1)
    at = np.repeat(mode.at[None, :], weights.size, axis=0)
    at[:, free] += places @ np.linalg.cholesky(mode.covariance).T
    noise, lot_sd = _sds(at)
    fit = propagate(data, noise, lot_sd, start=mode.fit.node(0, weights.size), tolerance=_FINE, sweeps=40)
    target = fit.evidence + scale.log_prior(at)
    lift = target - target[0] + 0.5 * (places**2).sum(axis=1)
    weights = weights * np.exp(np.clip(lift, -8.0, 4.0))
    full = np.zeros((2, 2))
    full[np.ix_(free, free)] = mode.covariance
    return Nodes(fit, weights / weights.sum(), mode.at, full)


def _newton(
    data: Evidence, scale: Scale, centre: Array, curvature: Array, free: Any, start: Posterior
) -> tuple[Array, Array, Posterior, bool]:
    """One step uphill from a small cross of points round the centre."""
    size = free.size
    step = np.clip(0.5 / np.sqrt(np.diag(curvature)), 0.01, 0.25)
    moves = [np.zeros(size), *(sign * step * row for row in np.eye(size) for sign in (1.0, -1.0))]
    if size == 2:
        moves.append(step)
    offsets = np.array(moves)
    at = np.repeat(centre[None, :], len(moves), axis=0)
    at[:, free] += offsets
    noise, lot_sd = _sds(at)
    fit = propagate(data, noise, lot_sd, start=start.node(0, len(moves)), tolerance=_QUICK, sweeps=10)
    value = fit.evidence + scale.log_prior(at)
    up, down = value[1 : 1 + 2 * size : 2], value[2 : 2 + 2 * size : 2]
    slope = (up - down) / (2.0 * step)
    bend = np.diag(-(up + down - 2.0 * value[0]) / step**2)
    if size == 2:
        mixed = (value[5] - up[0] - up[1] + value[0]) / (step[0] * step[1])
        bend[0, 1] = bend[1, 0] = -mixed
    bend = _positive(bend, 0.25 / scale.spread[free] ** 2)
    move = np.clip(np.linalg.solve(bend, slope), -_REACH, _REACH)
    following = centre.copy()
    following[free] += move
    small = bool(np.all(np.abs(move) < 0.1 / np.sqrt(np.diag(bend))))
    return following, bend, fit.node(0), small


def _positive(matrix: Array, floor: Array) -> Array:
    """The matrix with its curvatures kept above a part of the prior's."""
    values, vectors = np.linalg.eigh(matrix)
    kept: Array = (vectors * np.maximum(values, floor.min())) @ vectors.T
    return kept


def _sds(at: Array) -> tuple[Array, Array]:
    both = np.exp(at)
    return both[:, 0], both[:, 1]
