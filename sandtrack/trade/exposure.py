"""Exposure of people at work: limits with their sources, units made alike, and whether a measured value is above."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sandtrack.errors import FieldError
from sandtrack.trade._numbers import single
from sandtrack.trade.family import Tag

MOLAR_VOLUME_L_MOL = 24.45
"""Volume of a mole of gas at 25 °C and 1 atm, by which ppm and mg/m³ are told from each other. [L/mol]"""
SHIFT_H = 8.0
SHORT_H = 0.5
"""A value over no more than this is short: it is judged by the short-term limit, where there is one. [h] practice"""
_MG_M3 = {"mg/m3": 1.0, "ug/m3": 1e-3, "g/m3": 1e3, "ng/m3": 1e-6}
_PPM = {"ppm": 1.0, "ppb": 1e-3}


@dataclass(frozen=True, kw_only=True)
class ExposureLimit:
    """Limits of one agent in the air that people breathe, in one unit.

    Attributes
    ----------
    agent : str
        What people call it. [-]
    unit : str
        Unit of the three limits: mg/m3, ug/m3 or ppm. [-]
    shift, short, ceiling : float or None
        Mean over eight hours, mean over a quarter of an hour, and what is never to be passed. [in `unit`]
    molar_mass_g_mol : float or None
        Molar mass of a vapour, so that ppm and mg/m3 can be compared. [g/mol]
    names : tuple of str
        Other names of the agent, in small letters. [-]
    tag : str
        source, practice, memory, derived or shop. [-]
    source : str
        The rule that sets it. [-]
    """

    agent: str
    unit: str
    shift: float | None = None
    short: float | None = None
    ceiling: float | None = None
    molar_mass_g_mol: float | None = None
    names: tuple[str, ...] = ()
    tag: Tag
    source: str


@dataclass(frozen=True, kw_only=True)
class Passed:
    """A limit that a measured value is above.

    Attributes
    ----------
    limit : ExposureLimit
        The agent's limits. [-]
    kind : str
        "eight-hour", "short-term" or "ceiling". [-]
    value : float
        The measured value as it is compared. [in the limit's unit]
    most : float
        The limit. [in the limit's unit]
    """

    limit: ExposureLimit
    kind: str
    value: float
    most: float


EXPOSURE_LIMITS: tuple[ExposureLimit, ...] = (
    ExposureLimit(
        agent="respirable crystalline silica", unit="ug/m3", shift=50.0, tag="source", source="OSHA 29 CFR 1910.1053",
        names=("silica", "crystalline silica", "respirable silica", "respirable silica dust", "rcs", "quartz",
               "respirable quartz", "quartz dust", "silica dust", "cristobalite", "respirable cristobalite", "sio2"),
    ),
    ExposureLimit(
        agent="formaldehyde", unit="ppm", shift=0.75, short=2.0, molar_mass_g_mol=30.03, tag="source",
        source="OSHA 29 CFR 1910.1048", names=("methanal", "hcho", "ch2o"),
    ),
    ExposureLimit(
        agent="furfuryl alcohol", unit="ppm", shift=10.0, short=15.0, molar_mass_g_mol=98.10, tag="source",
        source="NIOSH", names=("2-furylmethanol", "furfurylalcohol", "fa"),
    ),
    ExposureLimit(
        agent="MDI", unit="ppm", ceiling=0.02, molar_mass_g_mol=250.25, tag="source", source="OSHA ceiling",
        names=("mdi", "diphenylmethane diisocyanate", "methylene diphenyl diisocyanate",
               "methylene bisphenyl isocyanate", "4,4'-mdi", "4,4-mdi"),
    ),
    ExposureLimit(
        agent="isocyanate groups (NCO)", unit="ug/m3", shift=6.0, tag="source",
        source="Directive (EU) 2024/869; 10 until the end of 2028",
        names=("nco", "isocyanate", "isocyanates", "diisocyanate", "diisocyanates", "total nco"),
    ),
    ExposureLimit(
        agent="phenol", unit="ppm", shift=5.0, molar_mass_g_mol=94.11, tag="source", source="OSHA",
    ),
    ExposureLimit(
        agent="sulphur dioxide", unit="ppm", shift=2.0, short=5.0, molar_mass_g_mol=64.06, tag="source",
        source="NIOSH; OSHA 5 ppm", names=("sulfur dioxide", "so2"),
    ),
    ExposureLimit(
        agent="carbon monoxide", unit="ppm", shift=35.0, ceiling=200.0, molar_mass_g_mol=28.01, tag="memory",
        source="NIOSH; OSHA 50 ppm", names=("co",),
    ),
    ExposureLimit(
        agent="benzene", unit="ppm", shift=1.0, short=5.0, molar_mass_g_mol=78.11, tag="memory",
        source="OSHA 29 CFR 1910.1028", names=("benzol", "c6h6"),
    ),
)  # fmt: skip


def exposure_unit(unit: str) -> str:
    """A unit of exposure in the one form of it that is known here. [-]

    Parameters
    ----------
    unit : str
        Unit as written, as "µg/m³" or "PPM". [-]

    Returns
    -------
    str
        g/m3, mg/m3, ug/m3, ng/m3, ppm or ppb. [-]

    Raises
    ------
    FieldError
        The unit is none of these.

    Source
    ------
    derived: spelling.

    Examples
    --------
    >>> exposure_unit("µg/m³")
    'ug/m3'
    """
    plain = unit.strip().lower().replace("µ", "u").replace("μ", "u").replace("³", "3").replace("^3", "3")
    plain = "".join(plain.split()).replace("permillion", "ppm").replace("/cbm", "/m3").replace("mcg", "ug")
    plain = plain.removesuffix("(v)").removesuffix("v") if plain.startswith("pp") else plain
    if plain not in _MG_M3 and plain not in _PPM:
        raise FieldError(field="unit", value=unit, reason="is no unit of exposure", accepted="mg/m3, ug/m3, ppm or ppb")
    return plain


def limit_of(agent: str, own: tuple[ExposureLimit, ...] = ()) -> ExposureLimit:
    """The limits of an agent by any of its names, a shop's own first. [-]

    Parameters
    ----------
    agent : str
        Name as written; small and capital letters are alike. [-]
    own : tuple of ExposureLimit
        The shop's own limits, which go before those known here. [-]

    Returns
    -------
    ExposureLimit
        The limits. [-]

    Raises
    ------
    FieldError
        No limit of this agent is known.

    Source
    ------
    practice: names in common use.

    Examples
    --------
    >>> limit_of("Quartz").agent
    'respirable crystalline silica'
    """
    wanted = _plain(agent)
    for limit in own:
        if wanted == _plain(limit.agent) or _same(wanted, _plain(limit.agent)):
            return limit
    for limit in EXPOSURE_LIMITS:
        if wanted == _plain(limit.agent) or wanted in limit.names:
            return limit
    raise FieldError(
        field="agent",
        value=agent,
        reason="has no limit here",
        accepted=", ".join(limit.agent for limit in EXPOSURE_LIMITS),
    )


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("_", " ").replace("₂", "2").split())


def _same(wanted: str, name: str) -> bool:
    """Whether two names are of one agent."""
    for limit in EXPOSURE_LIMITS:
        names = {_plain(limit.agent), *limit.names}
        if wanted in names and name in names:
            return True
    return False


def exposure_in(value: float, unit: str, *, to: str, molar_mass_g_mol: float | None = None) -> float:
    """A measured exposure in another unit. [in `to`]

    Parameters
    ----------
    value : float
        Measured value, >= 0. [in `unit`]
    unit : str
        Its unit. [-]
    to : str
        The unit wanted. [-]
    molar_mass_g_mol : float or None
        Molar mass of a vapour, needed between ppm and mg/m3. [g/mol]

    Returns
    -------
    float
        The value. [in `to`]

    Raises
    ------
    FieldError
        A unit is not known, the molar mass is missing, or the value is no number of 0 or more.

    Notes
    -----
    mg/m3 = ppm · M / 24.45 L/mol, at 25 °C and 1 atm.

    Source
    ------
    derived: ideal gas at 25 °C and 1 atm, R T / p = 24.45 L/mol.

    Examples
    --------
    >>> round(exposure_in(1.0, "ppm", to="mg/m3", molar_mass_g_mol=30.03), 2)
    1.23
    """
    number = single(value, field="value")
    if not math.isfinite(number) or number < 0:
        raise FieldError(field="value", value=value, reason="is no number of 0 or more", accepted="0 or more")
    source, target = exposure_unit(unit), exposure_unit(to)
    if (source in _PPM) == (target in _PPM):
        table = _PPM if source in _PPM else _MG_M3
        return number * table[source] / table[target]
    if molar_mass_g_mol is None:
        raise FieldError(
            field="unit", value=unit, reason="cannot be compared: it is a dust or a group, not one vapour", accepted=to
        )
    if source in _PPM:
        return number * _PPM[source] * molar_mass_g_mol / MOLAR_VOLUME_L_MOL / _MG_M3[target]
    return number * _MG_M3[source] * MOLAR_VOLUME_L_MOL / molar_mass_g_mol / _PPM[target]


def exposure_passed(
    *, agent: str, value: float, unit: str, hours: float | None = None, own: tuple[ExposureLimit, ...] = ()
) -> Passed | None:
    """The limit that a measured exposure is above, or None where it is above none. [-]

    Parameters
    ----------
    agent : str
        What was measured. [-]
    value : float
        Mean over the time of the measurement, >= 0. [in `unit`]
    unit : str
        mg/m3, ug/m3, ppm or ppb. [-]
    hours : float or None
        Time of the measurement; None is taken as a whole shift. [h]
    own : tuple of ExposureLimit
        The shop's own limits, which go first. [-]

    Returns
    -------
    Passed or None
        The limit that is passed by most. [-]

    Raises
    ------
    FieldError
        The agent or the unit cannot be judged.

    Notes
    -----
    A shift longer than eight hours counts by hours / 8. A short value (half an hour or less) is judged by the
    short-term limit, and by the eight-hour one with hours / 8, or as it is where there is no short-term limit: the rest
    of the shift is not known, so a value over a longer time is judged as if it went on.

    Source
    ------
    source: OSHA 29 CFR 1910.1000(d), eight-hour time-weighted average.

    Examples
    --------
    >>> exposure_passed(agent="silica", value=0.08, unit="mg/m3").most
    50.0
    >>> exposure_passed(agent="formaldehyde", value=0.4, unit="ppm") is None
    True
    """
    limit = limit_of(agent, own)
    read = exposure_in(value, unit, to=limit.unit, molar_mass_g_mol=limit.molar_mass_g_mol)
    span = SHIFT_H if hours is None else hours
    short = span <= SHORT_H
    judged: list[tuple[str, float, float | None]] = [("ceiling", read, limit.ceiling)]
    if short and limit.short is not None:
        judged += [("short-term", read, limit.short), ("eight-hour", read * span / SHIFT_H, limit.shift)]
    else:
        judged.append(("eight-hour", read * max(span, SHIFT_H) / SHIFT_H, limit.shift))
        judged.append(("short-term", read, limit.short))
    above = [(kind, number, most) for kind, number, most in judged if most is not None and number > most * (1 + 1e-9)]
    if not above:
        return None
    kind, number, most = max(above, key=lambda entry: entry[1] / entry[2])
    return Passed(limit=limit, kind=kind, value=number, most=most)
