"""The distribution of the next mould's strip time: one normal for each noise considered, with lots known and new."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.trade.learning._noise import Nodes
from sandtrack.trade.learning._normal import Array
from sandtrack.trade.learning._prepared import BLOCK_DAYS, Prepared, root_of
from sandtrack.trade.learning.belief import Belief
from sandtrack.trade.learning.checks import NOT_RECORDED

SHARE_OF_LATEST = 0.8  # practice: without a recorded lot, the next mould shares this much of the latest lot's shift
# practice: moulds scatter a little more heavy-tailed than a normal of the same sd: parts, and their sds in its units.
TAILS = ((0.8, 0.87), (0.2, 1.4))


@dataclass(frozen=True)
class Mixture:
    """Normal posteriors of law and lots, one for each noise considered."""

    # A node is a noise and a lot spread; a part is one of the normals that a mould's own chance is made of.

    weights: Array  # (node,)
    mean: Array  # (node, 3)
    covariance: Array  # (node, 3, 3)
    noise: Array  # (node, part) chance of one mould, with the roughness
    parts: Array  # (part,) weight of each
    lot_sd: Array  # (node,)
    labels: Any  # (lot,) sorted; negative ones are blocks of days
    lot_mean: Array  # (node, lot)
    lot_variance: Array  # (node, lot)
    lot_with_law: Array  # (node, lot, 3) covariance of a lot's shift with the law
    latest_lot: int | None
    latest_share: float

    def ln_time(self, rows: Array, lot: Any) -> tuple[Array, Array]:
        """Mean and sd of ln(time) of a mould, (node and part, row)."""
        mean = self.mean @ rows.T
        variance = ((rows @ self.covariance) * rows).sum(axis=2)
        at, share = self._lots(lot)
        known = share > 0.0
        rest = (self.lot_sd**2)[:, None] * (1.0 - share**2)
        if np.any(known):
            mean = mean + share * self.lot_mean[:, at]
            lean = (self.lot_with_law[:, at, :] * rows).sum(axis=2)
            variance = variance + 2.0 * share * lean + share**2 * self.lot_variance[:, at]
        variance = np.maximum(variance, 0.0) + rest
        sds = np.sqrt(variance[:, None, :] + (self.noise**2)[:, :, None])
        return np.repeat(mean, self.parts.size, axis=0), sds.reshape(-1, mean.shape[1])

    @property
    def shares(self) -> Array:
        """Weight of each row of `ln_time`."""
        return np.outer(self.weights, self.parts).ravel()

    def law(self) -> tuple[Array, Array]:
        """Mean and covariance of the law over all nodes."""
        mean = self.weights @ self.mean
        apart = self.mean - mean
        within = np.tensordot(self.weights, self.covariance, axes=1)
        return mean, within + (apart.T * self.weights) @ apart

    def _lots(self, lot: Any) -> tuple[Any, Array]:
        """Position of each asked lot, and how much of its shift the mould shares."""
        asked = np.atleast_1d(NOT_RECORDED if lot is None else lot)
        unknown = asked == NOT_RECORDED
        if not self.labels.size:
            return np.zeros(asked.shape, dtype=np.int64), np.zeros(asked.shape)
        at = np.minimum(np.searchsorted(self.labels, asked), self.labels.size - 1)
        share = np.where(self.labels[at] == asked, 1.0, 0.0)
        return np.where(unknown, self.latest_lot, at), np.where(unknown, self.latest_share, share)


def mixture_of(belief: Belief, ready: Prepared, nodes: Nodes) -> Mixture:
    """Read the fit back into the units of the belief."""
    fit = nodes.posterior
    root = np.zeros((3, fit.mean.shape[1]))
    root[:, :3] = root_of(belief)
    leaning = -(fit.lot_pull @ fit.covariance)
    return Mixture(
        weights=nodes.weights,
        mean=np.array(belief.mean) + fit.mean @ root.T,
        covariance=root @ fit.covariance @ root.T,
        noise=fit.noise[:, None] * np.array([sd for _, sd in TAILS]),
        parts=np.array([part for part, _ in TAILS]),
        lot_sd=fit.lot_sd if belief.lot_sd > 0.0 else np.zeros_like(fit.lot_sd),
        labels=ready.labels,
        lot_mean=fit.lot_mean,
        lot_variance=fit.lot_own - (leaning * fit.lot_pull).sum(axis=2),
        lot_with_law=leaning @ root.T,
        latest_lot=ready.latest_lot,
        latest_share=_share_of_latest(ready),
    )


def bare(belief: Belief) -> Mixture:
    """The belief itself, before any check."""
    return Mixture(
        weights=np.ones(1),
        mean=np.array([belief.mean]),
        covariance=np.array([belief.covariance], dtype=float),
        noise=np.array([[belief.check_sd]]),
        parts=np.ones(1),
        lot_sd=np.array([belief.lot_sd]),
        labels=np.zeros(0, dtype=np.int64),
        lot_mean=np.zeros((1, 0)),
        lot_variance=np.zeros((1, 0)),
        lot_with_law=np.zeros((1, 0, 3)),
        latest_lot=None,
        latest_share=0.0,
    )


def _share_of_latest(ready: Prepared) -> float:
    """Share of the latest lot's shift for a mould whose lot is not recorded, less the longer ago it was."""
    return float(SHARE_OF_LATEST ** (1.0 + ready.latest_age / BLOCK_DAYS)) if ready.latest_lot is not None else 0.0
