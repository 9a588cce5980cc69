"""What the state of the sand allows: moulds, a test piece first, or nothing; and what to do about the sand."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sandtrack.shop.answer import Flag
from sandtrack.shop.dosing import moisture
from sandtrack.shop.dosing.serving import Job
from sandtrack.shop.dosing.systems import System
from sandtrack.trade.advice import Verdict, temperature_verdict

TEST_PIECE = "make a test piece with the setting shown: a competent person judges it before a mould is made"
DRY = "dry the sand, and test its moisture again"
ANOTHER_PLACE = "draw from another place"


@dataclass(frozen=True)
class Allowed:
    """What may be made of the sand, why no more, and what to do about that."""

    verdict: Verdict = "yes"
    because: str = ""
    instead: tuple[str, ...] = ()


def by_temperature(job: Job) -> Allowed:
    """What the temperature of the sand allows; the first way out is to warm or cool it."""
    verdict = at_temperature(job.system, job.sand_temp_c)
    if verdict == "yes":
        return Allowed()
    return Allowed(verdict, why_not(job.system, job.sand_temp_c), (into_the_window(job),))


def at_temperature(system: System, sand_temp_c: float) -> Verdict:
    """What a system allows with sand of a temperature, by the window in force."""
    return temperature_verdict(system.family, sand_temp_c, sand_window_c=system.family.sand_window_c)


def why_not(system: System, sand_temp_c: float) -> str:
    """Why sand of a temperature outside the window allows no mould."""
    family, sand = system.family, f"sand of {sand_temp_c:.1f} °C is"
    if sand_temp_c < family.cold_c.low:
        return f"{sand} too cold: below {family.cold_c.low:g} °C it cures to a hard skin over a weak core"
    if sand_temp_c > family.hot_c.high:
        return f"{sand} too hot: above {family.hot_c.high:g} °C hardly any work time is left"
    side = "below" if sand_temp_c < family.sand_window_c.low else "above"
    return f"{sand} {side} the window of {family.sand_window_c}"


def is_cold(system: System, sand_temp_c: float) -> bool:
    """Whether sand that is not inside the window is on its cold side."""
    return sand_temp_c < max(system.family.sand_window_c.low, system.family.cold_c.low)


def into_the_window(job: Job) -> str:
    """To what temperature the sand is warmed or cooled: where a setting serves, else into the window."""
    warmer = is_cold(job.system, job.sand_temp_c)
    temp_c = job.serving_temperature_c(warmer=warmer)
    if temp_c is not None:
        return to_temperature(temp_c, warmer=warmer)
    low, high = job.plain_yes_c
    way, edge = ("warm", low) if warmer else ("cool", high)
    return f"{way} the sand to {edge:g} °C, the {'low' if warmer else 'high'} end of its window, and ask again"


def to_temperature(temp_c: float, *, warmer: bool) -> str:
    """A temperature of the sand at which a setting serves."""
    return (
        f"warm the sand to {temp_c:g} °C or a little more"
        if warmer
        else f"cool the sand to {temp_c:g} °C or a little less"
    )


def by_moisture(wet: Iterable[Flag]) -> Allowed:
    """What wet sand allows that is not far too wet."""
    flags = tuple(wet)
    if not flags:
        return Allowed()
    return Allowed("test_piece", "; ".join(flag.text for flag in flags), (f"{DRY}, or {ANOTHER_PLACE}",))


def together(*each: Allowed) -> Allowed:
    """The strictest of several, with the reasons and ways of all that are not a yes; a test piece is the last way."""
    strict = [one for one in each if one.verdict != "yes"]
    if not strict:
        return Allowed()
    verdict: Verdict = "no" if any(one.verdict == "no" for one in strict) else "test_piece"
    ways = [way for one in strict for way in one.instead]
    return Allowed(
        verdict,
        "; ".join(one.because for one in strict),
        (*ways, TEST_PIECE) if verdict == "test_piece" else tuple(ways),
    )


def unblocking(blocking: Iterable[Flag]) -> tuple[str, ...]:
    """What to do where something blocks the mixer.

    What has met what in a wrongly filled place may react: a release is not the first thing to think of.
    """
    codes = {flag.code for flag in blocking}
    ways = []
    if "wrong_material" in codes:
        ways.append("find out what has met what: ask the supplier")
    elif codes - {moisture.VERY_WET}:
        ways.append("have it released by a competent person")
    if moisture.VERY_WET in codes:
        ways.append(DRY)
    return (*ways, ANOTHER_PLACE)
