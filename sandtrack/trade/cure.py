"""How long mixed sand takes until the pattern can be drawn, by temperature and by what sets the speed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._integrals import aged, drifting_strip_time, log_points
from sandtrack.trade._kinetics import (
    GAS_CONSTANT_J_MOL_K,
    ZERO_C_IN_K,
    LeverKind,
    checked_lever,
    kelvin,
    lever_at,
    lever_distance,
)
from sandtrack.trade._numbers import Numbers, given, like, plain, single, tidy


@dataclass(frozen=True, init=False)
class CureLaw:
    """Strip time by temperature and lever: one reference point, an activation energy and an exponent.

    Attributes
    ----------
    reference_strip_time_min : float
        Strip time at the reference; given as ``strip_time_min`` when the law is made. [min]
    at_temp_c : float
        Sand temperature of the reference. [degC]
    at_lever : float
        Lever of the reference: amount [% of its base] or share of the fast grade [share, 0 to 1].
    activation_energy_kj_mol : float
        How strongly cold slows the cure, 0 or more. [kJ/mol]
    exponent : float
        For an amount n in time ~ amount^-n; for a grade the fall of ln(time) from share 0 to 1. [-]
    lever_kind : str
        "amount" or "grade": what sets the speed of this family. [-]
    """

    reference_strip_time_min: float
    at_temp_c: float
    at_lever: float
    activation_energy_kj_mol: float
    exponent: float
    lever_kind: LeverKind

    def __init__(
        self,
        *,
        strip_time_min: float,
        at_temp_c: float,
        at_lever: float,
        activation_energy_kj_mol: float,
        exponent: float,
        lever_kind: LeverKind = "amount",
    ) -> None:
        energy = single(activation_energy_kj_mol, field="activation_energy_kj_mol", at_least=0.0)
        checked = {
            "reference_strip_time_min": single(strip_time_min, field="strip_time_min", above=0.0),
            "at_temp_c": single(at_temp_c, field="at_temp_c", above=-ZERO_C_IN_K),
            "at_lever": float(checked_lever(single(at_lever, field="at_lever"), lever_kind, field="at_lever")),
            "activation_energy_kj_mol": energy,
            "exponent": single(exponent, field="exponent", at_least=0.0),
            "lever_kind": lever_kind,
        }
        for name, value in checked.items():
            object.__setattr__(self, name, value)

    @overload
    def strip_time_min(self, temp_c: float, lever: float) -> float: ...
    @overload
    def strip_time_min(self, temp_c: Any, lever: Any) -> Any: ...

    def strip_time_min(self, temp_c: Numbers, lever: Numbers) -> Numbers:
        """Strip time of sand that stays at one temperature. [min]

        Parameters
        ----------
        temp_c : float, array or Series
            Temperature of the mixed sand. [degC]
        lever : float, array or Series
            Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].

        Returns
        -------
        float, array or Series
            Time from the last reactive component entering the sand until strip. [min]

        Raises
        ------
        FieldError
            A temperature at or below absolute zero, or a lever outside its meaning.

        Notes
        -----
        ln t = ln t0 + E/R (1/T - 1/T0) - n ln(c/c0), or - n (x - x0) for a grade share x. Trustworthy only
        near the temperatures and levers the law was learned from.

        Source
        ------
        derived: Arrhenius law in the form of ASTM C1074; the power of the amount has no published support.

        Examples
        --------
        >>> law = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=35,
        ...               activation_energy_kj_mol=51.2, exponent=1.45)
        >>> round(law.strip_time_min(30, 35), 1)
        30.0
        """
        with np.errstate(over="ignore", under="ignore"):
            pull = lever_distance(lever, self.at_lever, self.lever_kind) * self.exponent
            return tidy(np.exp(self._ln_time(temp_c) - pull))

    @overload
    def lever_for(self, strip_time_min: float, temp_c: float) -> float: ...
    @overload
    def lever_for(self, strip_time_min: Any, temp_c: Any) -> Any: ...

    def lever_for(self, strip_time_min: Numbers, temp_c: Numbers) -> Numbers:
        """Amount or grade share at which the sand strips in a wanted time. [% of its base, or share]

        Parameters
        ----------
        strip_time_min : float, array or Series
            Wanted strip time. [min]
        temp_c : float, array or Series
            Temperature of the mixed sand. [degC]

        Returns
        -------
        float, array or Series
            Amount [% of its base], or share of the fast grade [share]. Not clipped: outside its window, or
            outside 0 to 1, no setting does it.

        Raises
        ------
        FieldError
            A time of 0 or less, or a law whose exponent is 0, which no lever moves.

        Source
        ------
        derived: the law solved for its lever.

        Examples
        --------
        >>> law = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=35,
        ...               activation_energy_kj_mol=51.2, exponent=1.0)
        >>> round(law.lever_for(120, 20), 1)
        17.5
        """
        if self.exponent == 0.0:
            raise FieldError(field="exponent", value=0.0, reason="means that the lever does not move the time")
        wanted = np.log(given(strip_time_min, field="strip_time_min", above=0.0))
        with np.errstate(over="ignore", under="ignore"):
            distance = (self._ln_time(temp_c) - wanted) / self.exponent
            return tidy(lever_at(distance, self.at_lever, self.lever_kind))

    def _ln_time(self, temp_c: Numbers) -> Numbers:
        per_kelvin = self.activation_energy_kj_mol * 1e3 / GAS_CONSTANT_J_MOL_K
        offset = np.log(self.reference_strip_time_min) - per_kelvin / (self.at_temp_c + ZERO_C_IN_K)
        return per_kelvin / kelvin(temp_c) + offset


def activation_energy_kj_mol_from_doubling(*, temp_low_c: float, temp_high_c: float, factor: float = 2.0) -> float:
    """Activation energy that makes the time double (or grow by `factor`) between two temperatures. [kJ/mol]

    Parameters
    ----------
    temp_low_c, temp_high_c : float
        Colder and warmer temperature. [degC]
    factor : float
        Time at the colder one ÷ time at the warmer one, above 0. [-]

    Returns
    -------
    float
        Activation energy. [kJ/mol]

    Raises
    ------
    FieldError
        The temperatures are equal or the wrong way round.

    Notes
    -----
    E = R ln(factor) / (1/T_low - 1/T_high).

    Source
    ------
    derived: Arrhenius law at two temperatures.

    Examples
    --------
    >>> round(activation_energy_kj_mol_from_doubling(temp_low_c=20, temp_high_c=30), 1)
    51.2
    """
    low_k = kelvin(single(temp_low_c, field="temp_low_c"), field="temp_low_c")
    high_k = kelvin(single(temp_high_c, field="temp_high_c"), field="temp_high_c")
    if low_k >= high_k:
        raise FieldError(field="temp_low_c", value=temp_low_c, reason=f"is not below temp_high_c {temp_high_c}")
    ratio = single(factor, field="factor", above=0.0)
    return float(GAS_CONSTANT_J_MOL_K * np.log(ratio) / (1 / low_k - 1 / high_k) / 1e3)


def activation_energy_kj_mol_from_times(
    *, first_min: float, second_min: float, first_temp_c: float, second_temp_c: float
) -> float:
    """Activation energy from two times at two temperatures, the lever the same. [kJ/mol]

    Parameters
    ----------
    first_min, second_min : float
        Strip time at each temperature, above 0. [min]
    first_temp_c, second_temp_c : float
        Sand temperature of each, in any order but not equal. [degC]

    Returns
    -------
    float
        Activation energy; negative where the warmer sand was the slower. [kJ/mol]

    Raises
    ------
    FieldError
        Times of 0 or less, or equal temperatures.

    Notes
    -----
    E = R ln(t1/t2) / (1/T1 - 1/T2). Two points carry their whole error into the result.

    Source
    ------
    derived: Arrhenius law at two temperatures.

    Examples
    --------
    >>> pair = {"first_temp_c": 10, "second_temp_c": 20}
    >>> round(activation_energy_kj_mol_from_times(first_min=80, second_min=40, **pair), 1)
    47.8
    """
    first = single(first_min, field="first_min", above=0.0)
    second = single(second_min, field="second_min", above=0.0)
    if first_temp_c == second_temp_c:
        raise FieldError(field="second_temp_c", value=second_temp_c, reason="is the same as first_temp_c")
    one_k, other_k = kelvin(first_temp_c, field="first_temp_c"), kelvin(second_temp_c, field="second_temp_c")
    return float(GAS_CONSTANT_J_MOL_K * np.log(first / second) / (1 / one_k - 1 / other_k) / 1e3)


def work_time_min(strip_time_min: Numbers, work_share: Numbers) -> Numbers:
    """Time for which mixed sand can be filled and compacted. [min]

    Parameters
    ----------
    strip_time_min : float, array or Series
        Strip time. [min]
    work_share : float, array or Series
        Work time ÷ strip time of the binder system, above 0 and at most 1. [share]

    Returns
    -------
    float, array or Series
        Work time from the first sand in the box; one read at a hardness of 60 overstates it. [min]

    Raises
    ------
    FieldError
        A time of 0 or less or a share outside 0 to 1.

    Source
    ------
    source: Modern Casting, Oct 2012 (alkaline phenolic about 0.5); other families from memory or practice.

    Examples
    --------
    >>> work_time_min(50, 0.5)
    25.0
    """
    strip = given(strip_time_min, field="strip_time_min", above=0.0)
    return strip * given(work_share, field="work_share", above=0.0, at_most=1.0)


def time_to_strip_min(
    law: CureLaw,
    lever: Numbers,
    *,
    start_temp_c: Numbers,
    surroundings_c: Numbers,
    time_constant_min: Numbers,
) -> Numbers:
    """Strip time of a mould that drifts from its mixing temperature to that of its surroundings. [min]

    Parameters
    ----------
    law : CureLaw
        Law of the binder system. [-]
    lever : float or array
        Amount [% of its base] or share of the fast grade [share, 0 to 1].
    start_temp_c : float or array
        Temperature of the mixed sand at discharge. [degC]
    surroundings_c : float or array
        Temperature that the mould drifts to. [degC]
    time_constant_min : float or array
        Time in which the difference falls to 1/e; 0 is at once, infinity never. [min]

    Returns
    -------
    float, array or Series
        Time until strip. [min]

    Raises
    ------
    FieldError
        A time constant below 0, or what `CureLaw.strip_time_min` refuses.

    Notes
    -----
    Solves ∫ dt / t_strip(T(t)) = 1 with T(t) = Ts + (T0 - Ts) exp(-t/tau). One temperature for the whole
    mould: the face of a thick mould against a cold pattern is slower than this.

    Source
    ------
    derived: equivalent age of ASTM C1074 with Newton cooling.

    Examples
    --------
    >>> law = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=35,
    ...               activation_energy_kj_mol=50, exponent=1.45)
    >>> round(time_to_strip_min(law, 35, start_temp_c=20, surroundings_c=5, time_constant_min=90))
    86
    """
    tau = given(time_constant_min, field="time_constant_min", at_least=0.0, may_be_infinite=True)
    at_start = law.strip_time_min(start_temp_c, lever)
    at_end = law.strip_time_min(surroundings_c, lever)
    start_k, end_k = kelvin(start_temp_c), kelvin(surroundings_c)
    rows = [plain(each) for each in (at_start, at_end, start_k, end_k, tau)]
    found = drifting_strip_time(rows, law.activation_energy_kj_mol * 1e3 / GAS_CONSTANT_J_MOL_K)
    return like(found, lever, start_temp_c, surroundings_c, time_constant_min)


def equivalent_age_h(
    hours: Numbers, temps_c: Numbers, *, activation_energy_kj_mol: float, reference_temp_c: float
) -> float:
    """Hours at a reference temperature that cure as much as a logged course of temperature. [h]

    Parameters
    ----------
    hours : sequence, array or Series, shape (n,)
        Times of the log, in order; two equal ones make a step. [h]
    temps_c : sequence, array or Series, shape (n,)
        Temperature at each time; straight lines between. [degC]
    activation_energy_kj_mol : float
        Activation energy, 0 or more. [kJ/mol]
    reference_temp_c : float
        Reference temperature. [degC]

    Returns
    -------
    float
        Equivalent age. [h]

    Raises
    ------
    FieldError
        Fewer than two points, unequal lengths, missing values, or times that run backwards.

    Notes
    -----
    ∫ exp(-E/R (1/T - 1/Tr)) dt over the broken line itself (16-point Gauss in each piece), not over the mean
    temperature of each piece.

    Source
    ------
    source: ASTM C1074, Arrhenius equivalent age.

    Examples
    --------
    >>> round(equivalent_age_h([0, 5], [30, 30], activation_energy_kj_mol=51.2, reference_temp_c=20), 2)
    10.0
    """
    times = log_points(hours, "hours")
    temps = log_points(kelvin(temps_c, field="temps_c"), "temps_c")
    if times.size != temps.size or times.size < 2:
        raise FieldError(field="hours", reason="and temps_c need equally many points, two or more")
    steps = np.diff(times)
    if np.any(steps < 0):
        raise FieldError(field="hours", reason="run backwards; sort the log by time")
    energy = single(activation_energy_kj_mol, field="activation_energy_kj_mol", at_least=0.0)
    reference_k = kelvin(single(reference_temp_c, field="reference_temp_c"), field="reference_temp_c")
    return float(aged(steps, temps, energy * 1e3 / GAS_CONSTANT_J_MOL_K, reference_k))
