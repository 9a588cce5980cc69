"""What is believed about a cure law, how widely, and what follows from it for the next mould."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._kinetics import (
    GAS_CONSTANT_J_MOL_K,
    ZERO_C_IN_K,
    LeverKind,
    checked_lever,
    kelvin,
    lever_at,
    lever_distance,
)
from sandtrack.trade._numbers import Numbers, elementwise, given, single, tidy
from sandtrack.trade.cure import CureLaw
from sandtrack.trade.learning import _defaults as usual
from sandtrack.trade.learning._crossings import crossings
from sandtrack.trade.learning._normal import quantile

# Without a window, amounts are looked for this far either side of the reference.
_FREE_RANGE = 4.0

Triple = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Belief:
    """Normal belief about ln(reference time), activation energy and exponent of one binder system.

    Attributes
    ----------
    at_temp_c : float
        Sand temperature of the reference. [degC]
    at_lever : float
        Lever of the reference: amount [% of its base] or share of the fast grade [share, 0 to 1].
    lever_kind : str
        "amount" or "grade". [-]
    mean : tuple of 3 float
        Mean of ln(time/min) [-], activation energy [kJ/mol], exponent [-].
    covariance : 3 tuples of 3 float
        Covariance of the three, in the squared units of `mean`. [-]
    check_sd : float
        Chance of a single strip check or mould, sd of ln(time). [-]
    lot_sd : float
        Spread between lots, sd of ln(time); 0 learns without lots. [-]
    check_sd_spread, lot_sd_spread : float
        How far either is itself unknown, sd of its ln; 0 takes it as known. [-]
    half_life_days : float
        Age at which a check counts half; infinity never fades. [day]
    outlier_share : float
        Share of checks that are gross errors, below 0.5; 0 believes every check. [share]
    jump_sd : float
        Size of a sudden change of the law, sd of ln(time); 0 looks for none. [-]
    """

    at_temp_c: float
    at_lever: float
    lever_kind: LeverKind
    mean: Triple
    covariance: tuple[Triple, Triple, Triple]
    check_sd: float = usual.CHECK_SD
    lot_sd: float = usual.LOT_SD
    check_sd_spread: float = usual.CHECK_SD_SPREAD
    lot_sd_spread: float = usual.LOT_SD_SPREAD
    half_life_days: float = usual.HALF_LIFE_DAYS
    outlier_share: float = usual.OUTLIER_SHARE
    jump_sd: float = usual.JUMP_SD

    def __post_init__(self) -> None:
        kelvin(single(self.at_temp_c, field="at_temp_c"), field="at_temp_c")
        checked_lever(single(self.at_lever, field="at_lever"), self.lever_kind, field="at_lever")
        for name in ("check_sd", "lot_sd", "check_sd_spread", "lot_sd_spread", "jump_sd"):
            single(getattr(self, name), field=name, at_least=0.0)
        single(self.outlier_share, field="outlier_share", at_least=0.0, below=0.5)
        given(self.half_life_days, field="half_life_days", above=0.0, may_be_infinite=True)
        matrix = np.asarray(self.covariance, dtype=float)
        if not np.allclose(matrix, matrix.T) or np.linalg.eigvalsh(matrix).min() < -1e-9:
            raise FieldError(field="covariance", reason="is not a symmetric matrix without negative variances")

    @classmethod
    def default(
        cls,
        *,
        strip_time_min: float,
        at_temp_c: float,
        at_lever: float,
        lever_kind: LeverKind = "amount",
        half_life_days: float = usual.HALF_LIFE_DAYS,
        outlier_share: float = usual.OUTLIER_SHARE,
        check_sd: float = usual.CHECK_SD,
        lot_sd: float = usual.LOT_SD,
    ) -> Belief:
        """Belief before the shop's first strip check: wide, round one point from the data sheet. [min, -]

        Parameters
        ----------
        strip_time_min : float
            Strip time said for the reference. [min]
        at_temp_c : float
            Sand temperature of the reference. [degC]
        at_lever : float
            Amount [% of its base] or share of the fast grade [share, 0 to 1] of the reference.
        lever_kind : str
            "amount" or "grade". [-]
        half_life_days, outlier_share, check_sd, lot_sd : float
            As the attributes of the same names [day, share, -, -].

        Returns
        -------
        Belief
            The starting belief. [-]

        Raises
        ------
        FieldError
            A time of 0 or less, or a lever outside its meaning.

        Source
        ------
        practice: widths of the reference time, the exponent and the chance of a check; the slope of a grade
        is a guess. derived: activation energy 50.5 ± 8 kJ/mol, whose 80 % band is about 40 to 61.

        Examples
        --------
        >>> Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35).mean[1]
        50.5
        """
        energy, energy_sd = usual.ACTIVATION_ENERGY_KJ_MOL
        exponent, exponent_sd = usual.GRADE_SLOPE if lever_kind == "grade" else usual.AMOUNT_EXPONENT
        time = single(strip_time_min, field="strip_time_min", above=0.0)
        return cls(
            at_temp_c=at_temp_c,
            at_lever=at_lever,
            lever_kind=lever_kind,
            mean=(math.log(time), energy, exponent),
            covariance=((usual.LN_TIME_SD**2, 0.0, 0.0), (0.0, energy_sd**2, 0.0), (0.0, 0.0, exponent_sd**2)),
            check_sd=check_sd,
            lot_sd=lot_sd,
            half_life_days=half_life_days,
            outlier_share=outlier_share,
        )

    def law(self) -> CureLaw:
        """Cure law in the middle of the belief. [-]

        Returns
        -------
        CureLaw
            Law of the means; an exponent or energy believed negative counts as 0. [-]

        Source
        ------
        derived: the means themselves.

        Examples
        --------
        >>> Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35).law().activation_energy_kj_mol
        50.5
        """
        return CureLaw(
            strip_time_min=math.exp(self.mean[0]),
            at_temp_c=self.at_temp_c,
            at_lever=self.at_lever,
            activation_energy_kj_mol=max(self.mean[1], 0.0),
            exponent=max(self.mean[2], 0.0),
            lever_kind=self.lever_kind,
        )

    @overload
    def strip_range_min(
        self, temp_c: float, lever: float, *, coverage: float = ..., lot: Any = ...
    ) -> tuple[float, float, float]: ...
    @overload
    def strip_range_min(
        self, temp_c: Any, lever: Any, *, coverage: float = ..., lot: Any = ...
    ) -> tuple[Any, Any, Any]: ...

    def strip_range_min(
        self, temp_c: Numbers, lever: Numbers, *, coverage: float = 0.8, lot: Any = None
    ) -> tuple[Numbers, Numbers, Numbers]:
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
            Every lot is a new one to a belief: taken and not used. [-]

        Returns
        -------
        tuple of 3 float, array or Series
            Low, middle and high strip time. [min]

        Raises
        ------
        FieldError
            A coverage that is not between 0 and 1, or what `CureLaw.strip_time_min` refuses.

        Notes
        -----
        ln t is normal: mean x·m and variance x·C·x + check_sd² + lot_sd², with
        x = (1, (1/T - 1/T0)/R, -ln(c/c0)). So it widens away from the
        reference, and is never narrower than chance and lot.

        Source
        ------
        derived: predictive distribution of a linear model with a normal belief.

        Examples
        --------
        >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> [round(t) for t in belief.strip_range_min(20, 35)]
        [29, 60, 122]
        """
        middle, sd = self._ln_time(temp_c, self._distance(lever))
        reach = quantile((1 + single(coverage, field="coverage", above=0.0, below=1.0)) / 2) * sd
        return tidy(np.exp(middle - reach)), tidy(np.exp(middle)), tidy(np.exp(middle + reach))

    @overload
    def chance_by(self, strip_time_min: float, temp_c: float, lever: float, *, lot: Any = ...) -> float: ...
    @overload
    def chance_by(self, strip_time_min: Any, temp_c: Any, lever: Any, *, lot: Any = ...) -> Any: ...

    def chance_by(self, strip_time_min: Numbers, temp_c: Numbers, lever: Numbers, *, lot: Any = None) -> Numbers:
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
            Taken and not used. [-]

        Returns
        -------
        float, array or Series
            Chance, 0 to 1. [share]

        Raises
        ------
        FieldError
            A time of 0 or less, or what `CureLaw.strip_time_min` refuses.

        Notes
        -----
        The normal distribution of `strip_range_min` at ln t.

        Source
        ------
        derived: predictive distribution of a linear model with a normal belief.

        Examples
        --------
        >>> Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35).chance_by(60, 20, 35)
        0.5
        """
        middle, sd = self._ln_time(temp_c, self._distance(lever))
        by = np.log(given(strip_time_min, field="strip_time_min", above=0.0))
        return elementwise(lambda z: math.erfc(-z / math.sqrt(2)) / 2, tidy((by - middle) / sd))

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
            Taken and not used. [-]

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
        Where the chance crosses the wanted one, (A + n y)² = z² (s² + 2 k y + v y²) in the distance y of the
        lever from its reference: solved as the quadratic it is.

        Source
        ------
        derived: `chance_by` solved for its lever.

        Examples
        --------
        >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> round(belief.lever_for(60, 20, chance=0.5, window=(20, 50)), 3)
        35.0
        >>> belief.lever_for(10, 5, chance=0.9, window=(20, 50)) is None
        True
        """
        wanted = single(chance, field="chance", above=0.0, below=1.0)
        low, high = self.window(window)
        ends = [float(self._distance(low)), float(self._distance(high))]
        inside = [y for y in self._crossings(strip_time_min, temp_c, wanted) if ends[0] < y < ends[1]]
        levers = [low, *(float(lever_at(y, self.at_lever, self.lever_kind)) for y in sorted(inside)), high]
        for lever in levers:
            if self.chance_by(float(strip_time_min), float(temp_c), lever) >= wanted * (1 - 1e-9):
                return lever
        return None

    def window(self, window: tuple[float, float] | None) -> tuple[float, float]:
        """Levers to look through: those given, or else a wide range round the reference. [% or share]

        Parameters
        ----------
        window : tuple of 2 float or None
            Smallest and largest lever [% of its base, or share].

        Returns
        -------
        tuple of 2 float
            Smallest and largest lever [% of its base, or share].

        Raises
        ------
        FieldError
            The wrong way round.

        Source
        ------
        practice: a quarter to four times the reference amount.

        Examples
        --------
        >>> Belief.default(strip_time_min=60, at_temp_c=20, at_lever=40).window(None)
        (10.0, 160.0)
        """
        if window is None and self.lever_kind == "grade":
            return 0.0, 1.0
        if window is None:
            return self.at_lever / _FREE_RANGE, self.at_lever * _FREE_RANGE
        low, high = (single(end, field="window") for end in window)
        if low > high:
            raise FieldError(field="window", value=window, reason="has its larger end first")
        return low, high

    def _crossings(self, strip_time_min: float, temp_c: float, chance: float) -> list[float]:
        by = math.log(single(strip_time_min, field="strip_time_min", above=0.0))
        warmth = float(self._warmth(single(temp_c, field="temp_c")))
        own = self.check_sd**2 + self.lot_sd**2
        return crossings(self.mean, self.covariance, own, warmth=warmth, by=by, z=quantile(chance))

    def _warmth(self, temp_c: Numbers) -> Numbers:
        return (1 / kelvin(temp_c) - 1 / (self.at_temp_c + ZERO_C_IN_K)) * (1e3 / GAS_CONSTANT_J_MOL_K)

    def _distance(self, lever: Numbers) -> Numbers:
        return lever_distance(lever, self.at_lever, self.lever_kind)

    def _ln_time(self, temp_c: Numbers, distance: Numbers) -> tuple[Numbers, Numbers]:
        """Mean and sd of ln(time) of the next mould."""
        x1, x2 = self._warmth(temp_c), distance
        (c00, c01, c02), (_, c11, c12), (_, _, c22) = self.covariance
        middle = self.mean[0] + self.mean[1] * x1 - self.mean[2] * x2
        variance = c00 + c11 * x1**2 + c22 * x2**2 + 2 * (c01 * x1 - c02 * x2 - c12 * x1 * x2)
        return middle, np.sqrt(variance + self.check_sd**2 + self.lot_sd**2)
