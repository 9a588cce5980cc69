"""What to say about the sand before a binder meets it, and what may be made of it: cold, hot, wet, another family's."""

from __future__ import annotations

from typing import Literal, NamedTuple

from sandtrack.trade._numbers import single
from sandtrack.trade.families import family_named
from sandtrack.trade.family import Family, Window

Verdict = Literal["yes", "test_piece", "no"]
"""What may be made: moulds, a test piece first, or nothing."""

# practice: so many times its moisture limit, sand is not tried at all; this project's own choice, no source found.
VERY_WET_TIMES = 3.0
_HAIR = 1e-9  # three times 0.2 % is 0.6 %, whatever binary fractions make of it


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
    may = temperature_verdict(chosen, temp, sand_window_c=window)
    piece = ", or make a test piece first" if may == "test_piece" else ""
    advice = []
    if temp < window.low:
        text = f"Sand at {temp:.3g} °C is below the window of {window}: warm it{piece}."
        advice.append(Advice("sand_below_window", text))
    if temp > window.high:
        text = f"Sand at {temp:.3g} °C is above the window of {window}: cool it{piece}."
        advice.append(Advice("sand_above_window", text))
    if temp < chosen.cold_c.low:
        text = "Too cold: more of what speeds the cure gives a hard skin over a weak core. Warm the sand."
        advice.append(Advice("sand_cold", text))
    elif temp < chosen.cold_c.high:
        text = "Cool sand: the cure may be uneven. Test well before drawing."
        advice.append(Advice("sand_cool", text))
    if temp > chosen.hot_c.high:
        advice.append(Advice("sand_hot", "Too hot: hardly any work time is left. Cool the sand."))
    elif temp > chosen.hot_c.low:
        advice.append(Advice("sand_warm", "Warm sand: short work time; fill small boxes or cool the sand."))
    return advice


def temperature_verdict(family: str | Family, sand_temp_c: float, *, sand_window_c: Window | None = None) -> Verdict:
    """What may be made of sand at a temperature. [-]

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
    str
        "yes" inside the window; "no" outside it where the sand is too cold or too hot for the family; else
        "test_piece". [-]

    Raises
    ------
    FieldError
        A temperature that is not a number, or an unknown family.

    Notes
    -----
    Too cold is below the low end of `cold_c`, too hot above the high end of `hot_c`. A window that reaches beyond
    these does not make a "yes" there, only a "test_piece".

    Source
    ------
    source: windows, as named in each family. memory: too cold and too hot, as in `temperature_advice`.

    Examples
    --------
    >>> [temperature_verdict("furan_acid", temp) for temp in (2.0, 12.0, 20.0, 30.0, 45.0)]
    ['no', 'test_piece', 'yes', 'test_piece', 'no']
    """
    chosen = family_named(family)
    temp = single(sand_temp_c, field="sand_temp_c", above=-273.15)
    inside = (sand_window_c or chosen.sand_window_c).holds(temp)
    too_far = temp < chosen.cold_c.low or temp > chosen.hot_c.high
    if inside:
        return "test_piece" if too_far else "yes"
    return "no" if too_far else "test_piece"


def moisture_verdict(family: str | Family, moisture_pct: float) -> Verdict:
    """What may be made of sand with a moisture. [-]

    Parameters
    ----------
    family : str or Family
        Binder family or its key. [-]
    moisture_pct : float
        Moisture, 0 to 100. [% of sand]

    Returns
    -------
    str
        "yes" within the family's limit, "no" beyond three times of it, else "test_piece". [-]

    Raises
    ------
    FieldError
        A moisture outside 0 to 100, or an unknown family.

    Source
    ------
    source: limits, as named in each family, some of them memory. practice: three times, this project's own choice.

    Examples
    --------
    >>> [moisture_verdict("furan_acid", moisture) for moisture in (0.2, 0.6, 5.0)]
    ['yes', 'test_piece', 'no']
    """
    chosen = family_named(family)
    moisture = single(moisture_pct, field="moisture_pct", at_least=0.0, at_most=100.0)
    limit = chosen.moisture_limit_pct
    if limit.keeps(moisture):
        return "yes"
    return "no" if moisture > VERY_WET_TIMES * limit.value * (1 + _HAIR) else "test_piece"


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
        Code and text; empty where there is nothing to say. [-]

    Raises
    ------
    FieldError
        A moisture outside 0 to 100, or an unknown family.

    Notes
    -----
    Codes: sand_wet, from three times the limit on sand_very_wet.

    Source
    ------
    practice: urethane below 0.2 %, silicate 0.5 % at most, the others 0.2 % at most, as named in each family.

    Examples
    --------
    >>> [advice.code for advice in moisture_advice("phenolic_urethane", 0.3)]
    ['sand_wet']
    """
    chosen = family_named(family)
    verdict = moisture_verdict(chosen, moisture_pct)
    if verdict == "yes":
        return []
    sand = f"sand with {moisture_pct:.3g} % moisture is"
    whose = f"for {chosen.name} ({chosen.moisture_limit_pct})"
    if verdict == "no":
        return [Advice("sand_very_wet", f"{sand} far too wet {whose}: do not mix with it, dry it and test it again")]
    return [Advice("sand_wet", f"{sand} too wet {whose}: hold it and dry it")]


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
