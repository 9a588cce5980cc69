"""What to say about the sand before a binder meets it: too cold, too hot, too wet, from another family."""

from __future__ import annotations

from typing import NamedTuple

from sandtrack.trade._numbers import single
from sandtrack.trade.families import family_named
from sandtrack.trade.family import Family, Window


class Advice(NamedTuple):
    """One thing to say, for programs and for people.

    Attributes
    ----------
    code : str
        Stable name. [-]
    text : str
        Sentence. [-]
    """

    code: str
    text: str


def temperature_advice(
    family: str | Family, sand_temp_c: float, *, sand_window_c: Window | None = None
) -> list[Advice]:
    """What a sand temperature means for a family: outside its window, cold, hot. [-]

    Parameters
    ----------
    family : str or Family
        Binder family or its key. [-]
    sand_temp_c : float
        Temperature of the sand at the mixer. [degC]
    sand_window_c : Window, optional
        The shop's own window in place of the family's. [degC]

    Returns
    -------
    list of Advice
        Code and text of each; empty where there is nothing to say. [-]

    Raises
    ------
    FieldError
        A temperature that is not a number, or an unknown family.

    Notes
    -----
    Codes: sand_below_window, sand_above_window; sand_cool then sand_cold; sand_warm then sand_hot.

    Source
    ------
    practice: windows, each with its own tag in its family; below 10 to 15 degC more catalyst gives a cured skin
    over a weak core; above 35 to 40 degC there is no work time.

    Examples
    --------
    >>> [advice.code for advice in temperature_advice("furan_acid", 8.0)]
    ['sand_below_window', 'sand_cold']
    >>> temperature_advice("furan_acid", 20.0)
    []
    """
    chosen = family_named(family)
    temp = single(sand_temp_c, field="sand_temp_c", above=-273.15)
    window = sand_window_c or chosen.sand_window_c
    advice = []
    if temp < window.low:
        text = f"Sand at {temp:g} °C is below the window of {window}: warm it, or expect a longer strip time."
        advice.append(Advice("sand_below_window", text))
    if temp > window.high:
        text = f"Sand at {temp:g} °C is above the window of {window}: cool it, or expect a shorter work time."
        advice.append(Advice("sand_above_window", text))
    if temp < chosen.cold_c.low:
        text = "Too cold: more of what speeds the cure gives a hard skin over a weak core. Warm the sand."
        advice.append(Advice("sand_cold", text))
    elif temp < chosen.cold_c.high:
        text = "Cool sand: cure may be uneven; check the strip with a test piece first."
        advice.append(Advice("sand_cool", text))
    if temp > chosen.hot_c.high:
        advice.append(Advice("sand_hot", "Too hot: hardly any work time is left. Cool the sand."))
    elif temp > chosen.hot_c.low:
        advice.append(Advice("sand_warm", "Warm sand: short work time; fill small boxes or cool the sand."))
    return advice


def moisture_advice(family: str | Family, moisture_pct: float) -> list[Advice]:
    """What the moisture of the sand means for a family. [-]

    Parameters
    ----------
    family : str or Family
        Binder family or its key. [-]
    moisture_pct : float
        Moisture, 0 to 100. [% of sand]

    Returns
    -------
    list of Advice
        Code and text; empty where there is nothing to say or no limit is known. [-]

    Raises
    ------
    FieldError
        A moisture outside 0 to 100, or an unknown family.

    Source
    ------
    practice: urethane below 0.2 %, silicate 0.5 % at most, as named in each family.

    Examples
    --------
    >>> [advice.code for advice in moisture_advice("phenolic_urethane", 0.3)]
    ['sand_wet']
    """
    chosen = family_named(family)
    moisture = single(moisture_pct, field="moisture_pct", at_least=0.0, at_most=100.0)
    limit = chosen.moisture_limit_pct
    if limit is None or limit.keeps(moisture):
        return []
    text = f"Sand with {moisture:g} % moisture is too wet ({limit}) for {chosen.name}: hold it and dry it."
    return [Advice("sand_wet", text)]


def crossing_advice(*, binder_family: str | Family, sand_family: str | Family | None) -> list[Advice]:
    """What sand reclaimed from one family means for the binder of another. [-]

    Parameters
    ----------
    binder_family : str or Family
        Family that is to be mixed. [-]
    sand_family : str, Family or None
        Family that the sand was used with before; None for new sand. [-]

    Returns
    -------
    list of Advice
        Code and text; empty for new sand and sand of the same family. [-]

    Raises
    ------
    FieldError
        An unknown family.

    Source
    ------
    practice: alkaline residue kills an acid cure, acid residue upsets ester and urethane cures.

    Examples
    --------
    >>> [a.code for a in crossing_advice(binder_family="furan_acid", sand_family="silicate_ester")]
    ['alkaline_sand_in_acid_cure']
    """
    binder = family_named(binder_family)
    if sand_family is None:
        return []
    sand = family_named(sand_family)
    if sand.key == binder.key:
        return []
    known = f"Sand from {sand.name} under {binder.name}: "
    if "alkaline" in sand.hazards and "acid" in binder.hazards:
        return [Advice("alkaline_sand_in_acid_cure", known + "its alkaline residue kills the acid cure.")]
    if "acid" in sand.hazards and "acid" not in binder.hazards:
        return [Advice("acid_sand_in_other_cure", known + "its acid residue upsets the cure.")]
    return [Advice("sand_of_other_family", known + "cure and strength may differ; make a test piece first.")]
