"""Line through timed catches at several settings: rate at a setting, setting for a rate, each with its range."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._integrals import log_points
from sandtrack.trade._numbers import Numbers, given, is_single, like, plain, single
from sandtrack.trade._student import student_t
from sandtrack.trade.catches import rates_kg_min

Weighting = Literal["plain", "relative"]


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A value read off a calibration line, with its range.

    Attributes
    ----------
    value, low, high : float or array
        Best value and range; the range is -infinity to infinity where it is not finite. [kg/min or setting]
    standard_error : float or array
        Standard error; of a setting to first order, while its range is exact. [kg/min or setting]
    finite : bool
        False where the catches do not even show that the setting moves the rate: no range can be given. [-]
    inside : bool or array
        Whether the setting lies between those that were caught; beyond them the line is a guess. [-]
    """

    value: Numbers
    low: Numbers
    high: Numbers
    standard_error: Numbers
    finite: bool
    inside: Any


@dataclass(frozen=True, kw_only=True)
class CalibrationLine:
    """Straight line of rate by setting through timed catches; made by `calibration_line`.

    Attributes
    ----------
    intercept_kg_min : float
        Rate at setting 0. [kg/min]
    slope_kg_min : float
        Rise of the rate per unit of the setting. [kg/min]
    sd : float
        Standard deviation of single catches round the line, [kg/min]; [share] of the rate when relative.
    catches : int
        How many. [-]
    lowest_setting, highest_setting : float
        Settings between which was caught. [setting]
    mean_setting : float
        Weighted mean of the settings. [setting]
    weight_sum, weighted_squares : float
        Sum of weights, and weighted squares of the settings about their mean. [-]
    weighting : str
        "plain" or "relative". [-]
    """

    intercept_kg_min: float
    slope_kg_min: float
    sd: float
    catches: int
    lowest_setting: float
    highest_setting: float
    mean_setting: float
    weight_sum: float
    weighted_squares: float
    weighting: Weighting

    @property
    def intercept_se_kg_min(self) -> float:
        """Standard error of the rate at setting 0. [kg/min]"""
        return self.sd * math.sqrt(1 / self.weight_sum + self.mean_setting**2 / self.weighted_squares)

    @property
    def slope_se_kg_min(self) -> float:
        """Standard error of the slope. [kg/min]"""
        return self.sd / math.sqrt(self.weighted_squares)

    @property
    def correlation(self) -> float:
        """Correlation of intercept and slope. [-]"""
        squares = self.weighted_squares / self.weight_sum + self.mean_setting**2
        return -self.mean_setting / math.sqrt(squares)

    def rate_at(self, setting: Numbers, *, chance: float = 0.95, catches: int = 0) -> Estimate:
        """Rate at a setting, with its range. [kg/min]

        Parameters
        ----------
        setting : float, array or Series
            Setting of the pump or gate. [setting]
        chance : float
            Chance that the range is to hold, above 0 and below 1. [share]
        catches : int
            0: range of the true rate. m: of the mean of m catches yet to be made. [-]

        Returns
        -------
        Estimate
            Rate and range. [kg/min]

        Raises
        ------
        FieldError
            A setting that is no number, a chance outside 0 to 1, or catches below 0.

        Notes
        -----
        y ± t·sd·sqrt(1/Σw + (x - x̄)²/Sxx [+ y²/m or 1/m]) with Student's t of n - 2 degrees of freedom.

        Source
        ------
        source: JCGM 100:2008 (GUM) H.3; NIST/SEMATECH e-Handbook 2.3.6.

        Examples
        --------
        >>> line = calibration_line(settings=[20, 40, 60], seconds=[60] * 3, masses_kg=[1.0, 2.1, 3.0])
        >>> rate = line.rate_at(50)
        >>> round(rate.value, 3), round(rate.low, 2), round(rate.high, 2)
        (2.533, 1.83, 3.24)
        """
        x = plain(given(setting, field="setting"))
        y = self._rate(x)
        error = self._sd_over(1 / self.weight_sum + (x - self.mean_setting) ** 2 / self.weighted_squares, y, catches)
        reach = error * self._t(chance)
        low, high, value, error = (like(each, setting) for each in (y - reach, y + reach, y, error))
        return Estimate(
            value=value, low=low, high=high, standard_error=error, finite=True, inside=self._inside(x, setting)
        )

    def setting_for(self, rate_kg_min: Numbers, *, chance: float = 0.95, catches: int = 0) -> Estimate:
        """Setting that gives a rate, with its range. [setting]

        Parameters
        ----------
        rate_kg_min : float, array or Series
            Wanted rate, or the mean rate of `catches` at an unknown setting. [kg/min]
        chance : float
            Chance that the range is to hold, above 0 and below 1. [share]
        catches : int
            0: the rate is wanted exactly. m: it was itself caught, as a mean of m. [-]

        Returns
        -------
        Estimate
            Setting and range; `finite` is False when the slope is not surely other than 0. [setting]

        Raises
        ------
        FieldError
            A flat line, a rate that is no number, a chance outside 0 to 1, or catches below 0.

        Notes
        -----
        x = x̄ + (y - ȳ)/b. Fieller: the settings at which the line cannot be told from the rate. With
        g = t²·sd²/(b²·Sxx) they are a finite range only for g < 1; at g >= 1 it is one without end, or two.

        Source
        ------
        source: Fieller, J. Royal Statistical Society B 16 (1954) 175; Massart et al., Handbook of Chemometrics
        and Qualimetrics A (1997) ch. 8 for the standard error.

        Examples
        --------
        >>> line = calibration_line(settings=[20, 40, 60] * 2, seconds=[60] * 6,
        ...                         masses_kg=[1.0, 2.1, 3.0, 1.1, 2.0, 3.1])
        >>> found = line.setting_for(2.5)
        >>> round(found.value, 1), round(found.low, 1), round(found.high, 1), found.finite
        (49.0, 47.5, 50.7, True)
        """
        slope = self.slope_kg_min
        if slope == 0.0:
            raise FieldError(field="slope_kg_min", value=0.0, reason="means that no setting changes the rate")
        y, t = plain(given(rate_kg_min, field="rate_kg_min")), self._t(chance)
        off = (y - self._rate(self.mean_setting)) / slope
        x = self.mean_setting + off
        error = self._sd_over(1 / self.weight_sum + off**2 / self.weighted_squares, y, catches) / abs(slope)
        g = (t * self.slope_se_kg_min / slope) ** 2
        if g < 1:
            at_mean = self._sd_over(1 / self.weight_sum, y, catches) / slope
            middle = self.mean_setting + off / (1 - g)
            half = np.sqrt(t**2 * at_mean**2 * (1 - g) + g * off**2) / (1 - g)
        else:
            middle, half = np.where(np.isnan(y), np.nan, 0.0), np.inf
        low, high, value, error = (like(each, rate_kg_min) for each in (middle - half, middle + half, x, error))
        inside = self._inside(x, rate_kg_min)
        return Estimate(value=value, low=low, high=high, standard_error=error, finite=g < 1, inside=inside)

    def _rate(self, setting: Any) -> Any:
        return self.intercept_kg_min + self.slope_kg_min * setting

    def _sd_over(self, share: Any, rate: Any, catches: int) -> Any:
        """Sd of the line, its variance this share of a catch's, and of the mean of so many catches at a rate."""
        count = single(catches, field="catches", at_least=0.0)
        of_catch = rate**2 if self.weighting == "relative" else 1.0
        return self.sd * np.sqrt(share + (of_catch / count if count else 0.0))

    def _t(self, chance: float) -> float:
        return student_t(single(chance, field="chance", above=0.0, below=1.0), self.catches - 2)

    def _inside(self, settings: Any, asked: Numbers) -> Any:
        inside = (settings >= self.lowest_setting) & (settings <= self.highest_setting)
        return bool(inside) if is_single(asked) else inside


def calibration_line(
    *, settings: Numbers, seconds: Numbers, masses_kg: Numbers, weighting: Weighting = "plain"
) -> CalibrationLine:
    """Least-squares line of rate by setting through timed, weighed catches. [kg/min]

    Parameters
    ----------
    settings : sequence, array or Series
        Setting of each catch, two different ones or more. [setting]
    seconds : sequence, array or Series
        Duration of each catch, above 0. [s]
    masses_kg : sequence, array or Series
        Mass of each catch, 0 or more. [kg]
    weighting : str
        "plain": every catch as sure in kg/min. "relative": as sure in percent of its rate. [-]

    Returns
    -------
    CalibrationLine
        The line with its uncertainty. [kg/min]

    Raises
    ------
    FieldError
        Fewer than three catches, unequal lengths, missing values, one setting only, or catches of nothing when
        relative.

    Notes
    -----
    Settings are taken as exact. Relative weights are 1/(mean rate at the setting)². Three catches at each of
    three settings or more show whether the line is straight.

    Source
    ------
    source: JCGM 100:2008 (GUM) H.3. practice: three weighed, timed catches a point.

    Examples
    --------
    >>> line = calibration_line(settings=[20, 40, 60], seconds=[30, 30, 30], masses_kg=[0.5, 1.0, 1.5])
    >>> round(line.slope_kg_min, 3), round(line.intercept_kg_min, 3) + 0
    (0.05, 0.0)
    """
    x, rates = log_points(settings, "settings"), rates_kg_min(seconds=seconds, masses_kg=masses_kg)
    if x.size != rates.size or x.size < 3:
        raise FieldError(field="settings", reason="and catches need to be equally many, three or more")
    if np.ptp(x) == 0.0:
        raise FieldError(field="settings", reason="are all the same; a line needs two different ones or more")
    if weighting == "plain":
        weights = np.ones(x.size)
    elif weighting == "relative":
        levels = np.array([np.mean(rates[x == setting]) for setting in x])
        weights = 1 / given(levels, field="masses_kg (at one setting)", above=0.0) ** 2
    else:
        raise FieldError(field="weighting", value=weighting, reason="is not known", accepted="plain, relative")
    mean, mean_rate = np.average(x, weights=weights), np.average(rates, weights=weights)
    squares = float(weights @ (x - mean) ** 2)
    slope = float(weights @ ((x - mean) * (rates - mean_rate))) / squares
    left = rates - mean_rate - slope * (x - mean)
    return CalibrationLine(
        intercept_kg_min=float(mean_rate - slope * mean),
        slope_kg_min=slope,
        sd=math.sqrt(float(weights @ left**2) / (x.size - 2)),
        catches=x.size,
        lowest_setting=float(x.min()),
        highest_setting=float(x.max()),
        mean_setting=float(mean),
        weight_sum=float(weights.sum()),
        weighted_squares=squares,
        weighting=weighting,
    )
