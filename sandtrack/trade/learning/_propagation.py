"""Expectation propagation: what interval checks say about a linear law with lots, at several noises side by side.

Arrays with a first axis are over nodes: one node is one pair of noise and spread between lots.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.trade.learning._normal import Array, between

_CALMING, _SHORTER, _SHORTEST = 0.6, 0.6, 0.1  # a sweep should move less than the one before by so much, or else
_HALF_LN_2PI = 0.5 * math.log(2.0 * math.pi)
_AT_REST = 0.02  # sds that the law may still move in a sweep for a fit that is said to have settled
_FLAT = 1e-9  # least curvature left to a check, so that a doubted check never pushes the law away


@dataclass(frozen=True)
class Evidence:
    """Checks ready for the fit: sorted by lot, with the prior's law taken off and its sds as units."""

    rows: Array  # (check, coefficient)
    squares: Array  # (check, pair of coefficients)
    low: Array
    high: Array  # of an exact check anything above `low`: it is not used
    weight: Array
    background: Array
    doubt: float
    exact: Any  # positions of the exact checks
    lot_starts: Any  # first position of each lot; empty without lots
    lot_of: Any

    @property
    def columns(self) -> int:
        """Number of coefficients."""
        return int(self.rows.shape[1])

    def with_column(self, column: Array) -> Evidence:
        """The same checks with one more coefficient."""
        rows = np.column_stack([self.rows, column])
        return Evidence(**{**self.__dict__, "rows": rows, "squares": squares(rows)})

    def without_doubt(self) -> Evidence:
        """The same checks with no gross outliers among them."""
        return Evidence(**{**self.__dict__, "doubt": 0.0})


@dataclass(frozen=True)
class Posterior:
    """Normal approximation of what is known, per node."""

    noise: Array  # (node,) sd of one check
    lot_sd: Array  # (node,)
    precision: Array  # (node, check) of each site
    shift: Array  # (node, check) precision x mean of each site
    mean: Array  # (node, coefficient)
    covariance: Array  # (node, coefficient, coefficient)
    lot_mean: Array  # (node, lot)
    lot_own: Array  # (node, lot) variance of a lot's shift, the law known
    lot_pull: Array  # (node, lot, coefficient) how a lot's shift leans on the law
    evidence: Array  # (node,) ln of the evidence
    settled: Any  # (node,)

    def node(self, at: int, copies: int = 1) -> Posterior:
        """One node alone, or repeated as a start for others."""
        return Posterior(**{k: np.repeat(v[at : at + 1], copies, axis=0) for k, v in self.__dict__.items()})


def squares(rows: Array) -> Array:
    """Products of each pair of columns, in the order of `numpy.triu_indices`."""
    first, second = np.triu_indices(rows.shape[1])
    product: Array = np.ascontiguousarray(rows[:, first] * rows[:, second])
    return product


def propagate(
    data: Evidence, noise: Array, lot_sd: Array, *, start: Posterior | None = None, tolerance: float, sweeps: int
) -> Posterior:
    """Sweep over all checks at once until the law no longer moves."""
    nodes, checks = noise.size, data.low.size
    if start is None:
        precision, shift = np.zeros((nodes, checks)), np.zeros((nodes, checks))
    else:
        precision, shift = start.precision.copy(), start.shift.copy()
    now = _combine(data, lot_sd, precision, shift)
    settled = np.zeros(nodes, dtype=bool)
    evidence, moved, step = np.full(nodes, -np.inf), np.full(nodes, np.inf), np.ones(nodes)
    for _ in range(sweeps):
        cavity_mean, cavity_var = _cavities(data, now, precision, shift)
        new_precision, new_shift, log_chance = _sites(data, noise, cavity_mean, cavity_var)
        before, previous, moved_before = now.mean, evidence, moved
        evidence = now.log_evidence + (
            data.weight * (log_chance - _overlap(precision, shift, cavity_mean, cavity_var))
        ).sum(axis=1)
        if step.min() == 1.0:
            precision, shift = new_precision, new_shift
        else:
            precision += step[:, None] * (new_precision - precision)
            shift += step[:, None] * (new_shift - shift)
        now = _combine(data, lot_sd, precision, shift)
        spread = np.sqrt(np.diagonal(now.covariance, axis1=1, axis2=2))
        moved = (np.abs(now.mean - before) / spread).max(axis=1) / step
        drift = np.abs(evidence - previous)
        if np.all((moved < tolerance) & (drift < 10 * tolerance)):
            settled[:] = True
            break
        settled = (moved < _AT_REST) & (drift < 10 * _AT_REST)
        # Contradicting checks swing to and fro: whoever does not come to rest takes shorter steps from then on.
        step = np.where(moved > _CALMING * moved_before, np.maximum(step * _SHORTER, _SHORTEST), step)
    return Posterior(
        noise, lot_sd, precision, shift, now.mean, now.covariance, now.lot_mean, now.lot_own, now.lot_pull,
        evidence, settled,
    )  # fmt: skip


@dataclass(frozen=True)
class _Combined:
    mean: Array
    covariance: Array
    lot_mean: Array
    lot_own: Array
    lot_pull: Array
    log_evidence: Array


def _combine(data: Evidence, lot_sd: Array, precision: Array, shift: Array) -> _Combined:
    """Sum the sites; lots are taken out one scalar each, so only a small matrix is solved."""
    nodes, size = precision.shape[0], data.columns
    p, r = precision * data.weight, shift * data.weight
    first, second = np.triu_indices(size)
    matrix = np.empty((nodes, size, size))
    matrix[:, first, second] = p @ data.squares
    matrix[:, second, first] = matrix[:, first, second]
    matrix += np.eye(size)
    right = r @ data.rows
    lots = data.lot_starts.size
    own, pull, lot_right = np.zeros((nodes, lots)), np.zeros((nodes, lots, size)), np.zeros((nodes, lots))
    log_evidence = np.zeros(nodes)
    if lots:
        variance = (lot_sd * lot_sd)[:, None]
        total = np.add.reduceat(p, data.lot_starts, axis=1)
        lot_right = np.add.reduceat(r, data.lot_starts, axis=1)
        for column in range(size):
            pull[:, :, column] = np.add.reduceat(p * data.rows[:, column], data.lot_starts, axis=1)
        own = variance / (1.0 + variance * total)
        weighted = own[:, :, None] * pull
        matrix -= weighted.transpose(0, 2, 1) @ pull
        right -= (lot_right[:, None, :] @ weighted)[:, 0, :]
        log_evidence += 0.5 * (own * lot_right**2).sum(axis=1) - 0.5 * np.log1p(variance * total).sum(axis=1)
        pull = weighted
    covariance = np.linalg.inv(matrix)
    covariance = 0.5 * (covariance + covariance.transpose(0, 2, 1))
    mean = (covariance @ right[:, :, None])[:, :, 0]
    log_evidence += 0.5 * (mean * right).sum(axis=1) - 0.5 * np.linalg.slogdet(matrix)[1]
    lot_mean = own * lot_right - (pull @ mean[:, :, None])[:, :, 0]
    return _Combined(mean, covariance, lot_mean, own, pull, log_evidence)


def _marginals(data: Evidence, now: _Combined) -> tuple[Array, Array]:
    """Mean and variance of the law with its lot at each check."""
    size = data.columns
    first, second = np.triu_indices(size)
    folded = now.covariance[:, first, second] * np.where(first == second, 1.0, 2.0)
    mean = now.mean @ data.rows.T
    variance = folded @ data.squares.T
    if data.lot_starts.size:
        leaning = now.lot_pull @ now.covariance
        mean += now.lot_mean[:, data.lot_of]
        variance += (now.lot_own + (leaning * now.lot_pull).sum(axis=2))[:, data.lot_of]
        for column in range(size):
            variance -= 2.0 * data.rows[:, column] * leaning[:, :, column][:, data.lot_of]
    return mean, variance


def _cavities(data: Evidence, now: _Combined, precision: Array, shift: Array) -> tuple[Array, Array]:
    """Mean and variance at each check as the others tell it."""
    mean, variance = _marginals(data, now)
    left = np.maximum(1.0 - variance * precision * data.weight, 1e-9)
    return (mean - variance * shift * data.weight) / left, variance / left


def _sites(data: Evidence, noise: Array, mean: Array, variance: Array) -> tuple[Array, Array, Array]:
    """Normal stand-in for each check's likelihood, and the ln of its chance."""
    s2 = (noise * noise)[:, None]
    total = variance + s2
    sd = np.sqrt(total)
    log_chance, slope, bend = _censored(data, mean, sd)
    if data.doubt > 0.0:
        sure = np.exp(log_chance) * (1.0 - data.doubt)
        chance = sure + data.doubt * data.background
        trust = sure / chance
        bend = np.maximum(trust * (bend - (1.0 - trust) * slope * slope), _FLAT)
        slope = trust * slope
        log_chance = np.log(chance)
    slope = slope / sd
    precision = bend / (s2 + variance * (1.0 - bend))
    shift = precision * mean + slope * (1.0 + precision * variance)
    if data.doubt == 0.0 and data.exact.size:
        precision[:, data.exact] = 1.0 / s2
        shift[:, data.exact] = data.low[data.exact] / s2
    return precision, shift, log_chance


def _censored(data: Evidence, mean: Array, sd: Array) -> tuple[Array, Array, Array]:
    """ln chance, slope and bend of every check, in units of its own sd."""
    log_chance, slope, bend = between((data.low - mean) / sd, (data.high - mean) / sd)
    if data.exact.size:
        sd = sd[:, data.exact]
        z = (data.low[data.exact] - mean[:, data.exact]) / sd
        log_chance[:, data.exact] = -0.5 * z * z - np.log(sd) - _HALF_LN_2PI
        slope[:, data.exact], bend[:, data.exact] = z, 1.0
    return log_chance, slope, bend


def _overlap(precision: Array, shift: Array, mean: Array, variance: Array) -> Array:
    """ln of the integral of a site over its cavity."""
    ratio = 1.0 + variance * precision
    return 0.5 * ((shift * shift * variance + 2.0 * shift * mean - precision * mean * mean) / ratio - np.log(ratio))
