"""What a shop's strip checks have taught: ranges, chances and levers from belief and checks together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._kinetics import ZERO_C_IN_K, checked_lever, lever_at, lever_distance
from sandtrack.trade._numbers import Numbers, given, is_single, like, plain, single
from sandtrack.trade.learning._mixture import Mixture
from sandtrack.trade.learning._normal import Array, mixture_cdf, mixture_quantile
from sandtrack.trade.learning._prepared import design
from sandtrack.trade.learning.belief import Belief, Triple
from sandtrack.trade.learning.checks import NOT_RECORDED, Checks

_FAR = 700.0  # of ln(time): further, a float ends
_STEPS, _ROUNDS = 25, 6  # of the search for a lever
ALARM_CHECKS = 20  # practice: for so many checks after a jump the shop is told of it


@dataclass(frozen=True)
class Jump:
    """A sudden change of the law that the checks tell of.

    Attributes
    ----------
    age_days : float
        Age of the last check before it. [day]
    checks_since : int
        Checks made after it. [-]
    change : float
        Change of ln(time), now against before. [-]
    change_sd : float
        Doubt about that change, sd. [-]
    evidence_ln : float
        ln of how much likelier the checks are with it than without. [-]
    """

    age_days: float
    checks_since: int
    change: float
    change_sd: float
    evidence_ln: float


@dataclass(frozen=True, kw_only=True)
class Learned:
    """Belief and checks together, for one binder system, catalyst grade and definition of strip.

    Attributes
    ----------
    belief : Belief
        What was believed before. [-]
    made : Checks
        The checks, as they were given. [-]
    checks : int
        How many of them still count. [-]
    worth : float
        What they are worth together, each by its age. [-]
    mean : tuple of 3 float
        Mean of ln(time/min) [-], activation energy [kJ/mol], exponent [-].
    covariance : 3 tuples of 3 float
        Covariance of the three, in the squared units of `mean`. [-]
    check_sd : tuple of 3 float
        Chance of a single check: low, middle, high with 80 % between, sd of ln(time). [-]
    lot_sd : tuple of 3 float
        Spread between lots, the same way. [-]
    jumps : tuple of Jump
        Sudden changes found, the youngest first. [-]
    settled : bool
        Whether the fit came to rest; contradicting checks can keep it from that. [-]
    mixture : Mixture
        The posterior at each noise considered. [-]
    """

    belief: Belief
    made: Checks
    checks: int
    worth: float
    mean: Triple
    covariance: tuple[Triple, Triple, Triple]
    check_sd: Triple
    lot_sd: Triple
    jumps: tuple[Jump, ...]
    settled: bool
    mixture: Mixture

    @property
    def alarm(self) -> bool:
        """Whether the law jumped within the last few checks. [-]"""
        return any(jump.checks_since < ALARM_CHECKS for jump in self.jumps)

    def with_lots_apart(self, lot_sd: float) -> Learned:
        """The same, but what is not known of a lot is as wide as a stated spread between lots at the least. [-]

        Parameters
        ----------
        lot_sd : float
            Least spread between lots, sd of ln(time), 0 or more. [-]

        Returns
        -------
        Learned
            With the same answers for lots among the checks. [-]

        Raises
        ------
        FieldError
            A spread below 0.

        Notes
        -----
        For a kind of change that no check has shown yet: how far lots differ says little of it. The variance of a new
        lot grows by lot_sd² less that of the spread learned, at each noise considered where it is smaller.

        Source
        ------
        derived: sum of variances.

        Examples
        --------
        >>> from sandtrack.trade.learning import learn
        >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> shop = learn(belief, temp_c=[], lever=[], earliest_min=[], latest_min=[], age_days=[])
        >>> [round(t) for t in shop.with_lots_apart(0.3).strip_range_min(20, 35, lot=1)]
        [27, 60, 134]
        """
        least = single(lot_sd, field="lot_sd", at_least=0.0)
        return replace(self, mixture=replace(self.mixture, lot_sd=np.maximum(self.mixture.lot_sd, least)))

    def strip_range_min(
        self, temp_c: Numbers, lever: Numbers, *, coverage: float = 0.8, lot: Any = None
    ) -> tuple[Any, Any, Any]:
        """Range in which the next mould's strip time lies with the stated chance. [min]

        Parameters
        ----------
        temp_c : float, array or Series
            Temperature of the mixed sand. [degC]
        lever : float, array or Series
            Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
        coverage : float
            Chance that the time lies inside, above 0 and below 1. [share]
        lot : int or array of int, optional
            Label as among the checks; another one is a new lot, None or -1 is not recorded. [-]

        Returns
        -------
        tuple of 3 float, array or Series
            Low, middle and high strip time. [min]

        Raises
        ------
        FieldError
            A coverage that is not between 0 and 1, or a temperature, lever or label outside its meaning.

        Notes
        -----
        Quantiles of a mixture of normals in ln(time), one for each noise considered. Gross outliers are no
        part of it: it is the mould that is foretold, not the slip of the pen.

        Source
        ------
        derived: posterior predictive distribution of the fit.

        Examples
        --------
        >>> from sandtrack.trade.learning import learn
        >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> shop = learn(belief, temp_c=[20, 20, 18], lever=[35, 35, 35], earliest_min=[40, 40, 45],
        ...              latest_min=[45, 45, 55], age_days=[3, 2, 1])
        >>> [round(t) for t in shop.strip_range_min(20, 35)]
        [37, 43, 50]
        """
        outside = (1 - single(coverage, field="coverage", above=0.0, below=1.0)) / 2
        means, sds, shape = self.ln_time(temp_c, lever, lot)
        ends = [
            np.exp(np.clip(mixture_quantile(chance, means, sds, self.mixture.shares), -_FAR, _FAR)).reshape(shape)
            for chance in (outside, 0.5, 1 - outside)
        ]
        low, middle, high = (like(end, temp_c, lever, _kind(lot)) for end in ends)
        return low, middle, high

    def chance_by(self, strip_time_min: Numbers, temp_c: Numbers, lever: Numbers, *, lot: Any = None) -> Any:
        """Chance that the next mould strips by a given time. [share]

        Parameters
        ----------
        strip_time_min : float, array or Series
            Time. [min]
        temp_c : float, array or Series
            Temperature of the mixed sand. [degC]
        lever : float, array or Series
            Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
        lot : int or array of int, optional
            Label as among the checks; another one is a new lot, None or -1 is not recorded. [-]

        Returns
        -------
        float, array or Series
            Chance, 0 to 1. [share]

        Raises
        ------
        FieldError
            A time of 0 or less, or a temperature, lever or label outside its meaning.

        Source
        ------
        derived: posterior predictive distribution of the fit.

        Examples
        --------
        >>> from sandtrack.trade.learning import learn
        >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> shop = learn(belief, temp_c=[], lever=[], earliest_min=[], latest_min=[], age_days=[])
        >>> round(shop.chance_by(60, 20, 35), 6)
        0.5
        """
        by = given(strip_time_min, field="strip_time_min", above=0.0)
        means, sds, shape = self.ln_time(temp_c, lever, lot, np.shape(by))
        by_rows = np.broadcast_to(np.log(plain(by)), shape).ravel()
        chance = mixture_cdf(by_rows, means, sds, self.mixture.shares).reshape(shape)
        return like(chance, strip_time_min, temp_c, lever, _kind(lot))

    def lever_for(
        self,
        strip_time_min: float,
        temp_c: float,
        *,
        chance: float,
        window: tuple[float, float] | None = None,
        lot: int | None = None,
    ) -> float | None:
        """Smallest amount or fast share that strips by a wanted time with the wanted chance. [% or share]

        Parameters
        ----------
        strip_time_min : float
            Wanted strip time. [min]
        temp_c : float
            Temperature of the mixed sand. [degC]
        chance : float
            Wanted chance, above 0 and below 1. [share]
        window : tuple of 2 float, optional
            Smallest and largest lever to use [% of its base, or share]; by default 0 to 1 for a grade, a
            quarter to four times the reference for an amount.
        lot : int, optional
            Label as among the checks; another one is a new lot, None or -1 is not recorded. [-]

        Returns
        -------
        float or None
            Amount [% of its base] or share of the fast grade [share]; None where none in the window does.

        Raises
        ------
        FieldError
            A window the wrong way round, or a chance that is not between 0 and 1.

        Notes
        -----
        The window is looked through in small steps, then the first step that reaches the chance in smaller ones.

        Source
        ------
        derived: `chance_by` solved for its lever.

        Examples
        --------
        >>> from sandtrack.trade.learning import learn
        >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> shop = learn(belief, temp_c=[20], lever=[35], earliest_min=[40], latest_min=[45], age_days=[1])
        >>> round(shop.lever_for(43, 20, chance=0.5))
        35
        """
        wanted = single(chance, field="chance", above=0.0, below=1.0)
        by = math.log(single(strip_time_min, field="strip_time_min", above=0.0))
        temp = single(temp_c, field="temp_c")
        levers = self.belief.window(window)
        kind, at = self.belief.lever_kind, self.belief.at_lever
        low, high = (float(lever_distance(lever, at, kind)) for lever in levers)
        chance_at = self._chance_along(by, temp, lot)
        reached = _first_enough(chance_at, wanted * (1 - 1e-9), low, high)
        if reached is None or reached == low:
            return None if reached is None else levers[0]
        return min(float(lever_at(reached, at, kind)), levers[1])

    def _chance_along(self, by: float, temp_c: float, lot: Any) -> Callable[[Array], Array]:
        """Chance at any distance of the lever: each mean is straight in it, each variance a parabola."""
        at = self.belief.at_lever
        rows = design(self.belief, np.full(1, temp_c), np.full(1, at)).repeat(3, axis=0)
        rows[:, 2] = (0.0, 1.0, -1.0)
        means, sds = self.mixture.ln_time(rows, _asked(lot))
        variances = sds * sds
        slope = means[:, 2:] - means[:, :1]
        lean, bow = 0.5 * (variances[:, 2:] - variances[:, 1:2]), 0.5 * (variances[:, 1:2] + variances[:, 2:])
        bow = bow - variances[:, :1]

        def chance_at(distance: Array) -> Array:
            sd = np.sqrt(variances[:, :1] + (lean + bow * distance) * distance)
            return mixture_cdf(np.array(by), means[:, :1] + slope * distance, sd, self.mixture.shares)

        return chance_at

    def ln_time(
        self, temp_c: Numbers, lever: Numbers, lot: Any = None, more: tuple[int, ...] = ()
    ) -> tuple[Any, Any, tuple[int, ...]]:
        """Normals that ln(time) of the next mould is a mixture of, weighted by `mixture.shares`. [-]

        Parameters
        ----------
        temp_c : float, array or Series
            Temperature of the mixed sand. [degC]
        lever : float, array or Series
            Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
        lot : int or array of int, optional
            Label as among the checks; another one is a new lot, None or -1 is not recorded. [-]
        more : tuple of int
            Shape of what the answer is to be set against. [-]

        Returns
        -------
        tuple of array, array and tuple of int
            Mean and sd of ln(time), (normal, row) [-]; the shape that the rows came in.

        Source
        ------
        derived: posterior predictive distribution of the fit.

        Examples
        --------
        >>> from sandtrack.trade.learning import learn
        >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> shop = learn(belief, temp_c=[], lever=[], earliest_min=[], latest_min=[], age_days=[])
        >>> shop.ln_time([20, 8], 35)[2]
        (2,)
        """
        temps = plain(given(temp_c, field="temp_c", above=-ZERO_C_IN_K))
        levers = plain(checked_lever(lever, self.belief.lever_kind))
        asked = _asked(lot)
        shape = np.broadcast_shapes(temps.shape, levers.shape, more, () if asked is None else asked.shape)
        rows = design(self.belief, np.broadcast_to(temps, shape).ravel(), np.broadcast_to(levers, shape).ravel())
        which = None if asked is None else np.broadcast_to(asked, shape).ravel()
        means, sds = self.mixture.ln_time(rows, which)
        return means, sds, shape


def _first_enough(chance_at: Callable[[Array], Array], wanted: float, low: float, high: float) -> float | None:
    """Smallest distance that reaches the chance: in steps first, then inside the step that reached it."""
    reached = None
    for _ in range(_ROUNDS):
        steps = np.linspace(low, high, _STEPS)
        enough = np.flatnonzero(chance_at(steps) >= wanted)
        if not enough.size:
            break
        first = int(enough[0])
        reached = float(steps[first])
        if first == 0:
            break
        low, high = float(steps[first - 1]), reached
    return reached


def _asked(lot: Any) -> Any:
    """Labels asked about, as an array; None where not recorded."""
    if lot is None:
        return None
    labels = np.asarray(plain(lot))
    if np.any(labels < NOT_RECORDED) or np.any(labels != np.floor(labels)):
        raise FieldError(field="lot", value=float(labels.min()), reason="is no label", accepted="-1, or 0 and up")
    return labels.astype(np.int64)


def _kind(lot: Any) -> Any:
    """The lot as far as it decides whether one number or a column is given back."""
    return 0.0 if lot is None or is_single(lot) else lot
