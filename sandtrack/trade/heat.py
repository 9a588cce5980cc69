"""Heat that sand carries: enthalpy of quartz, temperature of blends, heat to cool or to dry."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._kinetics import kelvin
from sandtrack.trade._numbers import Numbers, given, like, plain

# Shomate coefficients A to F and H of quartz below and above 847 K. source: NIST-JANAF (Chase 1998), C14808607
_LOW = (-6.076591, 251.6755, -324.7964, 168.5604, 0.002548, -917.6893, -910.8568)
_HIGH = (58.75340, 10.27925, -0.131384, 0.025210, 0.025601, -929.3292, -910.8568)
_STEP_K = 847.0
_STEP_C = 573.85
_REFERENCE_K = 298.15
_MOLAR_MASS_KG = 0.0600843
# The lower range is carried on to 200 K, where it still gives the table's own 32.64 J/(mol K) to 0.2 %.
LOWEST_K, HIGHEST_K = 200.0, 1996.0

WATER_KJ_KG_K = 4.19  # practice: rounded; IAPWS-95 within 0.7 % from 0 to 100 degC
ICE_KJ_KG_K = 2.1  # practice: rounded, 0 degC
MELTING_KJ_KG = 334.0  # practice: rounded
EVAPORATION_30_KJ_KG, EVAPORATION_100_KJ_KG = 2430.0, 2257.0  # source: IAPWS-95, rounded


def quartz_heat_capacity_j_mol_k(temp_k: Numbers) -> Numbers:
    """Heat capacity of quartz. [J/(mol K)]

    Parameters
    ----------
    temp_k : float, array or Series
        Absolute temperature, 200 to 1996. [K]

    Returns
    -------
    float, array or Series
        Heat capacity; at 847 K that of the upper range. [J/(mol K)]

    Raises
    ------
    FieldError
        A temperature outside the range.

    Notes
    -----
    Cp = A + Bt + Ct² + Dt³ + E/t², t = T/1000. Published from 298 K; below, the same polynomial is carried on
    down to 200 K, smooth in value and slope, within 0.2 % of the table. The peak next to 847 K is not in it.

    Source
    ------
    source: NIST-JANAF (Chase 1998), NIST WebBook C14808607.

    Examples
    --------
    >>> round(quartz_heat_capacity_j_mol_k(400), 2)
    53.43
    """
    kelvins = plain(given(temp_k, field="temp_k", at_least=LOWEST_K, at_most=HIGHEST_K))
    return like(_heat_capacity(kelvins), temp_k)


def quartz_enthalpy_kj_kg(temp_c: Numbers) -> Numbers:
    """Heat in dry quartz sand, counted from 25 degC; negative when colder. [kJ/kg]

    Parameters
    ----------
    temp_c : float, array or Series
        Temperature, -73.15 to 1722.85. [degC]

    Returns
    -------
    float, array or Series
        Enthalpy above that at 25 degC. [kJ/kg]

    Raises
    ------
    FieldError
        A temperature outside the range.

    Notes
    -----
    H = At + Bt²/2 + Ct³/3 + Dt⁴/4 - E/t + F - H, t = T/1000, over 60.0843 g/mol. Steps up by 12.1 kJ/kg at
    573.85 degC (there: the value above the step). Below 25 degC as in `quartz_heat_capacity_j_mol_k`.

    Source
    ------
    source: NIST-JANAF (Chase 1998), NIST WebBook C14808607.

    Examples
    --------
    >>> round(quartz_enthalpy_kj_kg(125), 2), round(quartz_enthalpy_kj_kg(-15), 2)
    (81.86, -28.25)
    """
    return like(_enthalpy(_sand_kelvins(temp_c, "temp_c")), temp_c)


def quartz_temp_c(enthalpy_kj_kg: Numbers) -> Numbers:
    """Temperature of dry quartz sand that holds so much heat; inverse of `quartz_enthalpy_kj_kg`. [degC]

    Parameters
    ----------
    enthalpy_kj_kg : float, array or Series
        Enthalpy above that at 25 degC, as of -73.15 to 1722.85 degC. [kJ/kg]

    Returns
    -------
    float, array or Series
        Temperature; 573.85 for all heats inside the step there. [degC]

    Raises
    ------
    FieldError
        A heat that no temperature of the range has.

    Notes
    -----
    Newton steps kept between bounds that close in: the root cannot be lost.

    Source
    ------
    derived: `quartz_enthalpy_kj_kg` solved for the temperature.

    Examples
    --------
    >>> round(quartz_temp_c(quartz_enthalpy_kj_kg(-15)), 9)
    -15.0
    """
    low, high = (float(_enthalpy(np.asarray(limit))) for limit in (LOWEST_K, HIGHEST_K))
    heat = given(enthalpy_kj_kg, field="enthalpy_kj_kg", at_least=low, at_most=high)
    return like(_temp_c(plain(heat)), enthalpy_kj_kg)


def blend_temp_c(masses_kg: Iterable[Numbers], temps_c: Iterable[Numbers]) -> Numbers:
    """Temperature of dry sands mixed without loss of heat. [degC]

    Parameters
    ----------
    masses_kg : sequence of float, array or Series
        Mass of each stream, 0 or more, not all 0. [kg]
    temps_c : sequence of float, array or Series
        Temperature of each stream, -73.15 to 1722.85. [degC]

    Returns
    -------
    float, array or Series
        Temperature of the blend. [degC]

    Raises
    ------
    FieldError
        Unequally many masses and temperatures, no mass at all, a negative one, a temperature out of range.

    Notes
    -----
    Σ m·H(T) of the streams = Σ m · H(T of the blend). Moisture, binder and the mixer's work are left out.

    Source
    ------
    derived: heat balance with the quartz enthalpy of NIST-JANAF (Chase 1998).

    Examples
    --------
    >>> round(blend_temp_c([700, 300], [45, 5]), 2)
    33.38
    >>> round(blend_temp_c([500, 500], [800, 20]), 1)
    449.2
    """
    masses, temps = list(masses_kg), list(temps_c)
    if len(masses) != len(temps) or not masses:
        raise FieldError(field="temps_c", reason="and masses_kg need equally many streams, one or more")
    weights = [plain(given(mass, field=f"masses_kg[{i}]", at_least=0.0)) for i, mass in enumerate(masses)]
    heats = [_enthalpy(_sand_kelvins(temp, f"temps_c[{i}]")) for i, temp in enumerate(temps)]
    total = given(sum(weights), field="masses_kg (sum)", above=0.0)
    heat = sum(weight * heat for weight, heat in zip(weights, heats, strict=True)) / total
    return like(_temp_c(np.asarray(heat)), *masses, *temps)


def cooling_duty_kj(*, mass_kg: Numbers, from_c: Numbers, to_c: Numbers, moisture_pct: Numbers = 0.0) -> Numbers:
    """Heat to take out of sand to bring it from one temperature to another; negative to warm it. [kJ]

    Parameters
    ----------
    mass_kg : float, array or Series
        Sand as weighed, with its moisture, 0 or more. [kg]
    from_c, to_c : float, array or Series
        Temperature before and after, -73.15 to 1722.85; damp sand at most 100. [degC]
    moisture_pct : float, array or Series
        Water in it, 0 to below 100. [% of sand as sampled]

    Returns
    -------
    float, array or Series
        Heat given up. [kJ]

    Raises
    ------
    FieldError
        A value outside its range, or damp sand above 100 degC: then ask `drying_heat_kj`.

    Notes
    -----
    Quartz by its enthalpy, water 4.19 and ice 2.1 kJ/(kg K), 334 kJ/kg when it freezes or thaws at 0 degC. Water
    that evaporates on the way takes more heat with it and is not in here.

    Source
    ------
    derived: NIST-JANAF (Chase 1998) for quartz; practice for water and ice.

    Examples
    --------
    >>> round(cooling_duty_kj(mass_kg=1000, from_c=60, to_c=25))
    26978
    >>> round(cooling_duty_kj(mass_kg=1000, from_c=-10, to_c=20, moisture_pct=1))
    -25369
    """
    wet = given(mass_kg, field="mass_kg", at_least=0.0)
    water = given(moisture_pct, field="moisture_pct", at_least=0.0, below=100.0)
    before, after = (given(temp, field=name) for temp, name in ((from_c, "from_c"), (to_c, "to_c")))
    for temp, name in ((before, "from_c"), (after, "to_c")):
        if np.any((plain(water) > 0.0) & (plain(temp) > 100.0)):
            raise FieldError(field=name, reason="is above 100 degC in damp sand; ask for the heat to dry it")
    share = plain(water) / 100
    quartz = _enthalpy(_sand_kelvins(before, "from_c")) - _enthalpy(_sand_kelvins(after, "to_c"))
    moist = _water_kj_kg(plain(before)) - _water_kj_kg(plain(after))
    return like(plain(wet) * ((1 - share) * quartz + share * moist), mass_kg, from_c, to_c, moisture_pct)


def drying_heat_kj(
    *,
    mass_kg: Numbers,
    moisture_pct: Numbers,
    from_c: Numbers,
    drying_temp_c: Numbers = 30.0,
    dried_to_pct: Numbers = 0.0,
) -> Numbers:
    """Heat to warm damp sand to the temperature at which it dries, and to dry it there. [kJ]

    Parameters
    ----------
    mass_kg : float, array or Series
        Sand as weighed, with its moisture, 0 or more. [kg]
    moisture_pct : float, array or Series
        Water in it, 0 to below 100. [% of sand as sampled]
    from_c : float, array or Series
        Its temperature, -73.15 to 100; below 0 the water is ice. [degC]
    drying_temp_c : float, array or Series
        Temperature at which the water leaves, 0 to 100. [degC]
    dried_to_pct : float, array or Series
        Moisture left, at most `moisture_pct`. [% of sand as sampled]

    Returns
    -------
    float, array or Series
        Heat taken up by sand and water; negative where warmer sand brings more than the drying takes. [kJ]

    Raises
    ------
    FieldError
        A value outside its range, or more moisture after than before.

    Notes
    -----
    As `cooling_duty_kj`, and 2430 kJ/kg of water at 30 degC, 2257 at boiling, a straight line between and
    beyond (within 0.3 % of steam tables from 0 to 100 degC). Heat lost with warm air is not in here.

    Source
    ------
    derived: NIST-JANAF (Chase 1998) for quartz; IAPWS-95 for steam, practice for water and ice.

    Examples
    --------
    >>> round(drying_heat_kj(mass_kg=1000, moisture_pct=4, from_c=30))
    97200
    >>> round(drying_heat_kj(mass_kg=1000, moisture_pct=4, from_c=-10))
    143896
    """
    wet = plain(given(mass_kg, field="mass_kg", at_least=0.0))
    before = plain(given(moisture_pct, field="moisture_pct", at_least=0.0, below=100.0))
    after = plain(given(dried_to_pct, field="dried_to_pct", at_least=0.0, below=100.0))
    if np.any(after > before):
        raise FieldError(field="dried_to_pct", value=float(np.nanmax(after)), reason="is more than moisture_pct")
    cold = given(from_c, field="from_c", at_most=100.0)
    warm = given(drying_temp_c, field="drying_temp_c", at_least=0.0, at_most=100.0)
    dry, water = wet * (1 - before / 100), wet * before / 100
    gone = water - dry * after / (100 - after)
    quartz = _enthalpy(_sand_kelvins(warm, "drying_temp_c")) - _enthalpy(_sand_kelvins(cold, "from_c"))
    moist = _water_kj_kg(plain(warm)) - _water_kj_kg(plain(cold))
    heat = dry * quartz + water * moist + gone * _evaporation_kj_kg(plain(warm))
    return like(heat, mass_kg, moisture_pct, from_c, drying_temp_c, dried_to_pct)


def _sand_kelvins(temp_c: Numbers, field: str) -> Any:
    """Bare absolute temperatures, each inside the range of the enthalpy."""
    low, high = (round(limit - 273.15, 2) for limit in (LOWEST_K, HIGHEST_K))
    return plain(kelvin(given(temp_c, field=field, at_least=low, at_most=high), field=field))


def _heat_capacity(kelvins: Any) -> Any:
    t = kelvins / 1000
    low, high = (a + t * (b + t * (c + t * d)) + e / t**2 for a, b, c, d, e, _, _ in (_LOW, _HIGH))
    return np.where(kelvins < _STEP_K, low, high)


def _in_range(kelvins: Any, coefficients: tuple[float, ...]) -> Any:
    """Enthalpy by one of the two ranges, whatever the temperature. [kJ/kg]"""
    t = kelvins / 1000
    a, b, c, d, e, f, h = coefficients
    return (t * (a + t * (b / 2 + t * (c / 3 + t * d / 4))) - e / t + f - h) / _MOLAR_MASS_KG


# The published constants, as rounded, leave -0.05 kJ/kg at their own reference; 25 degC shall be exactly 0.
_AT_REFERENCE = float(_in_range(_REFERENCE_K, _LOW))
_BELOW_STEP, _ABOVE_STEP = (float(_in_range(_STEP_K, each)) - _AT_REFERENCE for each in (_LOW, _HIGH))


def _enthalpy(kelvins: Any) -> Any:
    found = np.where(kelvins < _STEP_K, _in_range(kelvins, _LOW), _in_range(kelvins, _HIGH))
    return found - _AT_REFERENCE


def _temp_c(heat: Any) -> Any:
    inside_step = (heat >= _BELOW_STEP) & (heat <= _ABOVE_STEP)
    above = heat > _ABOVE_STEP
    low = np.where(above, _STEP_K, LOWEST_K)
    high = np.where(above, HIGHEST_K, np.nextafter(_STEP_K, 0.0))
    guess = np.clip(_REFERENCE_K + heat * 0.9, low, high)
    for _ in range(100):
        miss = _enthalpy(guess) - heat
        low, high = np.where(miss <= 0, guess, low), np.where(miss >= 0, guess, high)
        newton = guess - miss * 1e3 * _MOLAR_MASS_KG / _heat_capacity(guess)
        new = np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
        if not np.any(np.abs(new - guess) > 1e-12 * guess):
            break
        guess = new
    return np.where(np.isnan(heat), np.nan, np.where(inside_step, _STEP_C, new - 273.15))


def _water_kj_kg(temp_c: Any) -> Any:
    """Heat in water counted from water at 0 degC; ice below it. [kJ/kg]"""
    return np.where(temp_c < 0.0, temp_c * ICE_KJ_KG_K - MELTING_KJ_KG, temp_c * WATER_KJ_KG_K)


def _evaporation_kj_kg(temp_c: Any) -> Any:
    fall = (EVAPORATION_30_KJ_KG - EVAPORATION_100_KJ_KG) / 70
    return EVAPORATION_30_KJ_KG - (temp_c - 30) * fall
