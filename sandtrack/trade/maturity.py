"""Cure of a mould whose temperature moves: along a log, by its size, at its core and at its face."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._integrals import aged_pieces, log_points
from sandtrack.trade._kinetics import GAS_CONSTANT_J_MOL_K, ZERO_C_IN_K, kelvin
from sandtrack.trade._numbers import Numbers, given, like, plain, single, tidy
from sandtrack.trade.cure import CureLaw, time_to_strip_min

# Rammed sand. source: density, Archives of Foundry Engineering. memory: conductivity of dry sand, Incropera & DeWitt,
# Fundamentals of Heat and Mass Transfer, Table A.3. derived: heat capacity of quartz at 20 degC, NIST-JANAF.
SAND_DENSITY_KG_M3 = 1605.0
SAND_CONDUCTIVITY_W_M_K = 0.27
SAND_HEAT_CAPACITY_J_KG_K = 736.0
SAND_EFFUSIVITY = 565.0  # derived: square root of the product of the three

# practice: about 10 W/m² K to still air, behind 20 mm of wood of 0.16 W/m K: 1/(1/10 + 0.02/0.16) = 4.4
BOX_COEFFICIENT_W_M2_K = 4.4

# Square root of conductivity · density · heat capacity, W s^0.5/(m² K). memory: Incropera & DeWitt, Tables A.1, A.3
# (hardwood 0.16 · 720 · 1255, aluminium 237 · 2702 · 903, iron and steel 60.5 · 7854 · 434, foam 0.027 · 55 · 1210);
# practice: cast resin 0.2 · 1200 · 1100.
PATTERN_EFFUSIVITY = MappingProxyType(
    {"wood": 380.0, "resin": 514.0, "aluminium": 24_050.0, "iron": 14_360.0, "foam": 42.4}
)

Shape = Literal["plate", "bar", "block"]
_WAYS = {"plate": 1, "bar": 2, "block": 3}


@dataclass(frozen=True, kw_only=True)
class StripOnHistory:
    """How far sand has cured along a log of its temperature.

    Attributes
    ----------
    strip_min : float or None
        Time of strip; None where the log ends before. [min]
    cured_share : float
        Cure at the end of the log; 1 is strip, more is beyond it. [share]
    """

    strip_min: float | None
    cured_share: float


@dataclass(frozen=True, kw_only=True)
class StripPoints:
    """Strip times at the two ends of what happens in one mould.

    Attributes
    ----------
    core_min, face_min : float, array or Series
        In the middle of the sand, and at its face against the pattern. [min]
    face_temp_c : float, array or Series
        Temperature at which the face starts. [degC]
    """

    core_min: Numbers
    face_min: Numbers
    face_temp_c: Numbers

    @property
    def slowest_min(self) -> Numbers:
        """Strip time of the slower of the two: the one to wait for. [min]"""
        return tidy(np.maximum(self.core_min, self.face_min))

    @property
    def slowest(self) -> Any:
        """Which of the two that is, "core" or "face"; the core where they are equal. [-]"""
        face = plain(self.face_min) > plain(self.core_min)
        return np.where(face, "face", "core") if np.ndim(face) else ("face" if face else "core")


def strip_on_history(law: CureLaw, lever: float, *, minutes: Numbers, temps_c: Numbers) -> StripOnHistory:
    """When sand strips along a measured course of its temperature. [min]

    Parameters
    ----------
    law : CureLaw
        Law of the binder system. [-]
    lever : float
        Amount [% of its base] or share of the fast grade [share, 0 to 1].
    minutes : sequence, array or Series, shape (n,)
        Times since the last reactive component entered the sand, in order, 0 or more; two equal ones make a
        step. [min]
    temps_c : sequence, array or Series, shape (n,)
        Temperature of the sand at each time; straight lines between, the first one held before it. [degC]

    Returns
    -------
    StripOnHistory
        Time of strip, if reached, and cure at the end of the log. [min]

    Raises
    ------
    FieldError
        Unequal lengths, no reading, missing values, times below 0 or running backwards, or what
        `CureLaw.strip_time_min` refuses.

    Notes
    -----
    Solves ∫ dt / t_strip(T(t)) = 1. Where the log ends before, what is left takes (1 - cured share) times the
    strip time at the temperature that comes.

    Source
    ------
    derived: Arrhenius equivalent age of ASTM C1074, divided by the strip time at the law's own temperature.

    Examples
    --------
    >>> law = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=35,
    ...               activation_energy_kj_mol=51.2, exponent=1.45)
    >>> cured = strip_on_history(law, 35, minutes=[0, 30, 30, 90], temps_c=[20, 20, 30, 30])
    >>> round(cured.strip_min, 1), round(cured.cured_share, 1)
    (45.0, 2.5)
    >>> strip_on_history(law, 35, minutes=[0, 30], temps_c=[20, 20]).strip_min is None
    True
    """
    times = given(log_points(minutes, "minutes"), field="minutes", at_least=0.0)
    temps = log_points(kelvin(temps_c, field="temps_c"), "temps_c")
    if times.size != temps.size or times.size < 1:
        raise FieldError(field="minutes", reason="and temps_c need equally many points, one or more")
    times, temps = np.concatenate([[0.0], times]), np.concatenate([temps[:1], temps])
    if np.any(np.diff(times) < 0):
        raise FieldError(field="minutes", reason="run backwards; sort the log by time")
    per_kelvin = law.activation_energy_kj_mol * 1e3 / GAS_CONSTANT_J_MOL_K
    reference_k, whole = law.at_temp_c + ZERO_C_IN_K, law.strip_time_min(law.at_temp_c, single(lever, field="lever"))

    def shares(steps: Any, kelvins: Any) -> Any:
        return aged_pieces(steps, kelvins, per_kelvin, reference_k) / whole

    done = np.concatenate([[0.0], np.cumsum(shares(np.diff(times), temps))])
    cured = float(done[-1])
    goal = min(1.0, cured)
    if goal < 1.0 - 1e-12:  # a log that ends at strip by hand does so here
        return StripOnHistory(strip_min=None, cured_share=cured)
    piece = int(np.searchsorted(done, goal)) - 1
    start, step, rise = times[piece], times[piece + 1] - times[piece], temps[piece + 1] - temps[piece]
    low, high = 0.0, 1.0
    for _ in range(60):
        part = (low + high) / 2
        so_far = done[piece] + shares(np.array([part * step]), temps[piece] + np.array([0.0, part * rise]))[0]
        low, high = (part, high) if so_far < goal else (low, part)
    return StripOnHistory(strip_min=float(start + high * step), cured_share=cured)


def modulus_cm(*, length_cm: Numbers, width_cm: Numbers, height_cm: Numbers) -> Numbers:
    """Volume of a box of sand over its whole surface. [cm]

    Parameters
    ----------
    length_cm, width_cm, height_cm : float, array or Series
        Inside measures of the box, above 0. [cm]

    Returns
    -------
    float, array or Series
        Modulus; the pattern's own volume and surface are left out. [cm]

    Raises
    ------
    FieldError
        A measure of 0 or less.

    Source
    ------
    derived: solid geometry.

    Examples
    --------
    >>> modulus_cm(length_cm=60, width_cm=60, height_cm=60)
    10.0
    """
    length = given(length_cm, field="length_cm", above=0.0)
    width, height = given(width_cm, field="width_cm", above=0.0), given(height_cm, field="height_cm", above=0.0)
    return tidy(length * width * height / (2 * (length * width + width * height + height * length)))


def time_constant_min(
    *,
    modulus_cm: Numbers,
    shape: Shape = "block",
    surface_w_m2_k: Numbers = BOX_COEFFICIENT_W_M2_K,
    conductivity_w_m_k: Numbers = SAND_CONDUCTIVITY_W_M_K,
    density_kg_m3: Numbers = SAND_DENSITY_KG_M3,
    heat_capacity_j_kg_k: Numbers = SAND_HEAT_CAPACITY_J_KG_K,
) -> Numbers:
    """Time in which a mould's distance from the temperature of its surroundings falls to 1/e. [min]

    Parameters
    ----------
    modulus_cm : float, array or Series
        Volume over cooled surface, above 0. [cm]
    shape : str
        "plate" (long and wide), "bar" (long and square) or "block" (a cube). [-]
    surface_w_m2_k : float, array or Series
        Heat passed from the sand's surface to the surroundings, above 0; about 10 bare in still air, 4.4 behind
        20 mm of wood. [W/(m² K)]
    conductivity_w_m_k : float, array or Series
        Conductivity of the sand, above 0. [W/(m K)]
    density_kg_m3 : float, array or Series
        Density of the rammed sand, above 0. [kg/m³]
    heat_capacity_j_kg_k : float, array or Series
        Heat capacity of the sand, above 0. [J/(kg K)]

    Returns
    -------
    float, array or Series
        Time constant, for `sandtrack.trade.cure.time_to_strip_min`. [min]

    Raises
    ------
    FieldError
        A number of 0 or less, or a shape of another name.

    Notes
    -----
    Slowest mode of conduction in n directions: half thickness L = n·modulus, mu·tan(mu) = h·L/k, time
    constant rho·c·L²/(n·k·mu²); it is rho·c·modulus/h for thin moulds. The core lags behind this at first:
    for sand warmer than its surroundings the strip time comes out late, for colder sand EARLY. The cure's own
    heat and the pattern are left out. An estimate: one logged mould is worth more.

    Source
    ------
    derived: Fourier series of a plate (Carslaw & Jaeger, Conduction of Heat in Solids, 1959). practice: the
    defaults, see the constants of this module.

    Examples
    --------
    >>> round(time_constant_min(modulus_cm=10))
    1276
    >>> round(time_constant_min(modulus_cm=1, surface_w_m2_k=10))
    27
    """
    if shape not in _WAYS:
        raise FieldError(field="shape", value=shape, reason="is not known", accepted=", ".join(_WAYS))
    ways = _WAYS[shape]
    half_m = plain(given(modulus_cm, field="modulus_cm", above=0.0)) * ways / 100
    surface = plain(given(surface_w_m2_k, field="surface_w_m2_k", above=0.0))
    conductivity = plain(given(conductivity_w_m_k, field="conductivity_w_m_k", above=0.0))
    density = plain(given(density_kg_m3, field="density_kg_m3", above=0.0))
    capacity = plain(given(heat_capacity_j_kg_k, field="heat_capacity_j_kg_k", above=0.0))
    mu = _first_root(surface * half_m / conductivity)
    seconds = density * capacity * half_m**2 / (ways * conductivity * mu**2)
    return like(seconds / 60, modulus_cm, surface_w_m2_k, conductivity_w_m_k, density_kg_m3, heat_capacity_j_kg_k)


def face_temp_c(
    *,
    sand_temp_c: Numbers,
    pattern_temp_c: Numbers,
    pattern_effusivity: Numbers = PATTERN_EFFUSIVITY["wood"],
    sand_effusivity: Numbers = SAND_EFFUSIVITY,
) -> Numbers:
    """Temperature of the sand's face just after it touches the pattern. [degC]

    Parameters
    ----------
    sand_temp_c, pattern_temp_c : float, array or Series
        Temperature of the mixed sand and of the pattern before. [degC]
    pattern_effusivity : float, array or Series
        Of the pattern, above 0; see ``PATTERN_EFFUSIVITY``. [W s^0.5/(m² K)]
    sand_effusivity : float, array or Series
        Of the sand, above 0. [W s^0.5/(m² K)]

    Returns
    -------
    float, array or Series
        Temperature of the face. [degC]

    Raises
    ------
    FieldError
        A temperature at or below absolute zero, or an effusivity of 0 or less.

    Notes
    -----
    (e1·T1 + e2·T2)/(e1 + e2): two bodies, each so thick that its other side feels nothing yet, in perfect
    contact. Holds about half an hour for 2 cm of wood, and a second for 1 cm of metal, which the sand then
    warms more than this says.

    Source
    ------
    source: Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. (1959) 2.15 (section from memory).

    Examples
    --------
    >>> round(face_temp_c(sand_temp_c=25, pattern_temp_c=5), 1)
    17.0
    >>> round(face_temp_c(sand_temp_c=25, pattern_temp_c=5, pattern_effusivity=PATTERN_EFFUSIVITY["aluminium"]), 1)
    5.5
    """
    sand = kelvin(sand_temp_c, field="sand_temp_c") - ZERO_C_IN_K
    pattern = kelvin(pattern_temp_c, field="pattern_temp_c") - ZERO_C_IN_K
    of_sand = given(sand_effusivity, field="sand_effusivity", above=0.0)
    of_pattern = given(pattern_effusivity, field="pattern_effusivity", above=0.0)
    return tidy((sand * of_sand + pattern * of_pattern) / (of_sand + of_pattern))


def strip_points_min(
    law: CureLaw,
    lever: Numbers,
    *,
    sand_temp_c: Numbers,
    pattern_temp_c: Numbers,
    surroundings_c: Numbers,
    time_constant_min: Numbers,
    pattern_effusivity: Numbers = PATTERN_EFFUSIVITY["wood"],
) -> StripPoints:
    """Strip time in the core and at the face against the pattern, and which is the slowest. [min]

    Parameters
    ----------
    law : CureLaw
        Law of the binder system. [-]
    lever : float or array
        Amount [% of its base] or share of the fast grade [share, 0 to 1].
    sand_temp_c, pattern_temp_c : float, array or Series
        Temperature of the mixed sand at discharge and of the pattern before. [degC]
    surroundings_c : float, array or Series
        Temperature that the mould drifts to. [degC]
    time_constant_min : float, array or Series
        Time in which the difference falls to 1/e, from `time_constant_min`. [min]
    pattern_effusivity : float, array or Series
        Of the pattern, above 0; see ``PATTERN_EFFUSIVITY``. [W s^0.5/(m² K)]

    Returns
    -------
    StripPoints
        Both times; the slowest point counts before the pattern is drawn. [min]

    Raises
    ------
    FieldError
        What `face_temp_c` or `sandtrack.trade.cure.time_to_strip_min` refuses.

    Notes
    -----
    The core starts at the sand's temperature, the face at that of `face_temp_c`; both drift to the
    surroundings with the one time constant. Ends of a range, not a field of temperatures.

    Source
    ------
    practice: the face against a cold pattern strips last. derived: the two calculations it joins.

    Examples
    --------
    >>> law = CureLaw(strip_time_min=60, at_temp_c=20, at_lever=35,
    ...               activation_energy_kj_mol=51.2, exponent=1.45)
    >>> points = strip_points_min(law, 35, sand_temp_c=22, pattern_temp_c=4, surroundings_c=8,
    ...                           time_constant_min=400)
    >>> round(points.core_min), round(points.face_min), points.slowest
    (56, 93, 'face')
    """
    face = face_temp_c(sand_temp_c=sand_temp_c, pattern_temp_c=pattern_temp_c, pattern_effusivity=pattern_effusivity)
    core_min, face_min = (
        time_to_strip_min(
            law, lever, start_temp_c=start, surroundings_c=surroundings_c, time_constant_min=time_constant_min
        )
        for start in (sand_temp_c, face)
    )
    return StripPoints(core_min=core_min, face_min=face_min, face_temp_c=face)


def _first_root(biot: Any) -> Any:
    """Smallest mu with mu·tan(mu) = biot, by halving."""
    low, high = np.zeros_like(biot, dtype=float), np.full_like(biot, np.pi / 2, dtype=float)
    for _ in range(100):
        middle = (low + high) / 2
        short = middle * np.tan(middle) < biot
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.where(np.isnan(biot), np.nan, high)
