"""Has the law jumped? Every day is tried as the day of a jump; the likeliest is put to the test of a new fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sandtrack.trade.learning._noise import Mode, Scale, cold_start, find_mode
from sandtrack.trade.learning._normal import Array
from sandtrack.trade.learning._prepared import Prepared
from sandtrack.trade.learning._propagation import Evidence, Posterior

PROPOSE = 1.0  # ln of the evidence ratio at which a day is worth a fit of its own
BELIEVE = 4.0  # ln of the evidence ratio at which the jump is believed
MOST = 3
_FEWEST_BEFORE = 5
_FEWEST_AFTER = 2


@dataclass(frozen=True)
class Jumped:
    """Fit with the jumps that were believed."""

    evidence: Evidence
    mode: Mode
    ages: tuple[float, ...]  # age of the youngest check before each jump
    gains: tuple[float, ...]  # ln of how much likelier the checks are with each


def with_jumps(ready: Prepared, scale: Scale, jump_sd: float) -> Jumped:
    """Fit, and take in one jump after another while the evidence asks for it."""
    data = ready.evidence
    mode = find_mode(data, scale, cold_start(data, scale))
    ages: list[float] = []
    gains: list[float] = []
    while jump_sd > 0.0 and len(ages) < MOST:
        found = _likeliest(data, ready.age, mode.fit, jump_sd)
        if found is None:
            break
        trial_data = data.with_column(np.where(ready.age >= found, jump_sd, 0.0))
        trial = find_mode(trial_data, scale, mode.fit, near=mode)
        if trial.score - mode.score < BELIEVE:
            break
        ages.append(found)
        gains.append(trial.score - mode.score)
        data, mode = trial_data, trial
    return Jumped(data, mode, tuple(ages), tuple(gains))


def _likeliest(data: Evidence, age: Array, fit: Posterior, jump_sd: float) -> float | None:
    """Age of the youngest check before the likeliest jump, from the sites of the fit as it stands."""
    order = np.argsort(-age, kind="stable")
    score, information = _if_older_were_moved(data, order, fit)
    ends = np.flatnonzero(np.diff(age[order]) < 0.0)
    ends = ends[(ends >= _FEWEST_BEFORE - 1) & (ends < age.size - _FEWEST_AFTER)]
    if not ends.size:
        return None
    score, information = score[ends], np.maximum(information[ends], 0.0)
    j2 = jump_sd**2
    ratio = 0.5 * score**2 * j2 / (1.0 + j2 * information) - 0.5 * np.log1p(j2 * information)
    best = int(np.argmax(ratio))
    return float(age[order[ends[best]]]) if ratio[best] > PROPOSE else None


def _if_older_were_moved(data: Evidence, order: Any, fit: Posterior) -> tuple[Array, Array]:
    """Slope and curvature of the evidence in a shift of all checks up to each one in time."""
    p, r = fit.precision[0] * data.weight, fit.shift[0] * data.weight
    mean = data.rows @ fit.mean[0]
    lots = bool(data.lot_starts.size)
    if lots:
        mean = mean + fit.lot_mean[0][data.lot_of]
    score = np.cumsum((r - p * mean)[order])
    pushed = p[:, None] * data.rows
    own = np.zeros_like(p)
    if lots:
        # Within its lot (rows stand by lot, oldest first), what the older checks of the lot weigh together.
        running = np.cumsum(p)
        upto = running - (running - p)[data.lot_starts][data.lot_of]
        g = fit.lot_own[0][data.lot_of]
        own = g * (2.0 * upto - p) * p
        pushed = pushed - p[:, None] * fit.lot_pull[0][data.lot_of]
    through = np.cumsum(pushed[order], axis=0)
    information = np.cumsum((p - own)[order]) - ((through @ fit.covariance[0]) * through).sum(axis=1)
    return score, information
