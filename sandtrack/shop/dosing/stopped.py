"""The mixer stopped in mid-fill: is the surface in the box still live, and is it carried on or dumped?"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np

from sandtrack.errors import FieldError, InputErrors
from sandtrack.shop import dangers
from sandtrack.shop.answer import Answer, Basis, Flag, Range, Tag
from sandtrack.shop.dosing import allowed, lots, readiness, sand_temperature, sands, work_time
from sandtrack.shop.dosing.asked import Asked, read
from sandtrack.shop.dosing.checks import lever_of_mix
from sandtrack.shop.dosing.learned import Law, learned_law
from sandtrack.shop.dosing.serving import COVERAGE, Span, as_span, work_min
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.dosing.words import at_least, minutes
from sandtrack.shop.picture import Picture, Seen
from sandtrack.trade.advice import Verdict, temperature_advice

_RECENT_US = 12 * 3_600_000_000
_LOCK = "isolate and lock the mixer before a hand goes in; flag the mould with what happened"
_SCRATCH = "scratch the surface: crusted or springy, dump the box; loose and damp, the person in charge decides"
_DUMP = "dump the box while the sand can still be broken out, and fill it anew"
FEW_MIN = 5.0  # practice: to restart a mixer, throw away its first sand and ram takes minutes
_Z = NormalDist().inv_cdf((1 + COVERAGE) / 2)


def stopped(
    picture: Picture,
    mixer: str,
    binder_system: str,
    sand_temp_c: float | str | None = None,
    minutes_ago: float | str = 0.0,
    *,
    filled_for_min: float | str | None = None,
    purpose: str | None = None,
    catalyst_pct: float | None = None,
    fast_share: float | None = None,
    pattern_temp_c: float | str | None = None,
    surroundings_c: float | str | None = None,
    time_constant_min: float | str | None = None,
) -> Answer:
    """Whether a fill that stopped `minutes_ago` can be carried on; `filled_for_min` is how long it had run by then.

    The setting gone by is the one said, else as the last mix of the purpose (of any, if none is said) drew it, else
    the usual one. Where the pattern's or the room's temperature is given, the quickest point of the mould counts.

    Values: `mixer`, `binder_system`, `purpose` where asked with it, `sand_temp_c`, `catalyst_pct` or `fast_share` gone
    by, `minutes_ago`, `filled_for_min`, `surface` (live, in_doubt, dead), `first_sand` (the same word for the first
    sand in the box, where its age is known), `advice` (carry_on, test, dump), `chance_live`, `live_for_min` (minutes
    left to the low end of the work time; 0 where none is), `say`. Advice, chance and minutes go by the strictest clock:
    that of the first sand where its age is known. Range: `work_time_min`. Only carry_on is a "yes"; what is to be
    tested is "test_piece", what is to be dumped a "no". Raises UnknownName, InputErrors.
    """
    raw: dict[str, Any] = {
        "sand_temp_c": sand_temp_c,
        "minutes_ago": minutes_ago,
        "filled_for_min": filled_for_min,
        "catalyst_pct": catalyst_pct,
        "fast_share": fast_share,
        "pattern_temp_c": pattern_temp_c,
        "surroundings_c": surroundings_c,
        "time_constant_min": time_constant_min,
    }
    asked = read(picture, mixer, binder_system, raw, None, purpose)
    _check_setting(asked)
    values: dict[str, Any] = {"mixer": asked.mixer.key, "binder_system": asked.system.key}
    values |= {} if purpose is None else {"purpose": purpose}
    law = learned_law(picture, asked.system)
    mix = _last_mix(picture, asked)
    sand = sand_temperature.judged(picture, asked.mixer, asked.system, asked.numbers.get("sand_temp_c"))
    basis, flags = list(sand.basis), list(sand.flags)
    lever, tag, whose = _lever(picture, asked, mix)
    if law is None or lever is None or sand.value_c is None:
        because = _not_known(asked, law, lever) or sand.because
        instead = ("scratch the surface: what does not crumble as fresh sand does is dumped", _LOCK)
        return _answer(picture, values, {}, basis, flags, because, instead)
    lot = lots.of_mix(picture, asked.system, mix)
    if not lot.resin:
        lot = law.lots_now(readiness.lots(picture, asked.mixer, asked.system))
    own = sands.drawn(picture, asked.mixer, asked.system) if mix is None else sands.of_mix(picture, mix.seq, mix.at)
    strip = law.times_on(own).strip_range_min(sand.value_c, lever, coverage=COVERAGE, lot=law.label(lot, own))
    work = work_min(asked.system, strip)
    around = asked.around(law.cure_law)
    if around is not None:
        work = as_span(around.quickest_min(sand.value_c, np.array(work)))
        basis.append(around.basis())
    flags += work_time.overstated(asked.system)
    flags += [*law.flags(), *law.not_checked(picture, lot, own), *law.outside(sand.value_c, lever)]
    basis += [
        law.basis(picture),
        work_time.basis(asked.system),
        Basis("setting", asked.system.show(round(lever, 2)), tag, whose),
        *(entry for entry in asked.system.basis if entry.what in ("work time ÷ strip time", f"settings of {purpose}")),
    ]
    ago, filled = asked.numbers.get("minutes_ago", 0.0), asked.numbers.get("filled_for_min")
    blocking = readiness.look_at(picture, asked.mixer, asked.system, []).blocking
    flags += [*blocking, *_warmth(asked, sand.value_c), *_first_sand(asked, filled, ago, work)]
    judged = _judged(asked.system, sand.value_c, _Clocks(ago, filled, work), "; ".join(flag.text for flag in blocking))
    values |= {"sand_temp_c": sand.value_c, asked.system.lever_field: lever, **judged.values}
    ranges = {"work_time_min": Range(*work, COVERAGE, "time within which sand can still be joined and compacted")}
    ways = {"yes": (), "test_piece": (_SCRATCH, _LOCK), "no": (_DUMP, _LOCK)}[judged.verdict]
    return _answer(picture, values, ranges, basis, flags, judged.because, ways, judged.verdict)


def _warmth(asked: Asked, sand_temp_c: float) -> list[Flag]:
    """What the sand's temperature says against carrying on."""
    family = asked.system.family
    advice = temperature_advice(family, sand_temp_c, sand_window_c=family.sand_window_c)
    return [Flag(one.code, one.text, asked.mixer.key) for one in advice]


def _first_sand(asked: Asked, filled: float | None, ago: float, work: Span) -> list[Flag]:
    """What is raised about the first sand in the box, which is the oldest."""
    if filled is None:
        text = (
            "how long the box had been filled is not given: its first sand is older than the surface; ask again with "
            "filled_for_min"
        )
        return [Flag("first_sand_not_known", text, asked.mixer.key)]
    if _state(filled + ago, work) == "live":
        return []
    text = (
        f"the first sand in the box is {minutes(filled + ago)} old, past a work time that may be as short as "
        f"{minutes(work[0])}: it is not to be rammed or moved any more"
    )
    return [Flag("first_sand_old", text, asked.mixer.key)]


@dataclass(frozen=True)
class _Clocks:
    """The ages of the surface and of the first sand, against the work time."""

    ago: float
    filled: float | None
    work: Span

    @property
    def oldest_min(self) -> float:
        """Age of the oldest sand that is known of."""
        return self.ago + (self.filled or 0.0)

    @property
    def left_min(self) -> float:
        return max(self.work[0] - self.oldest_min, 0.0)


@dataclass(frozen=True)
class _Judged:
    verdict: Verdict
    because: str
    values: dict[str, Any]


def _judged(system: System, sand_temp_c: float, clocks: _Clocks, blocked: str) -> _Judged:
    """What to do with the box, by the strictest of its clocks, the sand's temperature, and what blocks the mixer."""
    surface, oldest = _state(clocks.ago, clocks.work), _state(clocks.oldest_min, clocks.work)
    values: dict[str, Any] = {"minutes_ago": clocks.ago, "surface": surface}
    if clocks.filled is not None:
        values |= {"filled_for_min": clocks.filled, "first_sand": oldest}
    values |= {"chance_live": _chance_live(clocks.oldest_min, clocks.work), "live_for_min": clocks.left_min}
    verdict, because, say = _word(system, sand_temp_c, clocks, blocked)
    advice = {"yes": "carry_on", "test_piece": "test", "no": "dump"}[verdict]
    return _Judged(verdict, because, {**values, "advice": advice, "say": say})


def _word(system: System, sand_temp_c: float, clocks: _Clocks, blocked: str) -> tuple[Verdict, str, str]:
    """The verdict, its reason, and the moulder's words."""
    oldest, warmth = _state(clocks.oldest_min, clocks.work), allowed.at_temperature(system, sand_temp_c)
    if oldest == "dead":
        return "no", _too_old(clocks), "dump it: the sand in the box no longer joins with fresh sand"
    if warmth == "no" and not allowed.is_cold(system, sand_temp_c):
        return "no", allowed.why_not(system, sand_temp_c), "dump it: in sand this hot no work time can be counted on"
    if blocked:
        return "no", blocked, "add no sand from this mixer: what it draws from is blocked; dump the box"
    if warmth != "yes":
        return "test_piece", allowed.why_not(system, sand_temp_c), f"add no sand yet: {_SCRATCH}"
    if oldest == "in_doubt":
        which = "first sand" if clocks.oldest_min > clocks.ago else "surface"
        because = (
            f"the {which} is {minutes(clocks.oldest_min)} old, past a work time that may be as short as "
            f"{minutes(clocks.work[0])}"
        )
        return "test_piece", because, f"add no sand yet, ram and move nothing: {_SCRATCH}"
    if clocks.left_min < FEW_MIN:
        left = at_least(clocks.left_min)
        because = f"{left} of work time are surely left, too few to restart the mixer and ram"
        return "test_piece", because, f"add no sand yet, only {left} are surely left: {_SCRATCH}"
    return "yes", "", _carry_on(clocks)


def _too_old(clocks: _Clocks) -> str:
    which = "surface" if _state(clocks.ago, clocks.work) == "dead" or not clocks.filled else "first sand in the box"
    age = clocks.ago if which == "surface" else clocks.oldest_min
    return f"the {which} is {minutes(age)} old, and sand of this setting works for {minutes(clocks.work[1])}"


def _carry_on(clocks: _Clocks) -> str:
    left = at_least(clocks.left_min)
    if clocks.filled is not None:
        return f"carry on: all sand in the box works for another {left} at least; then look again"
    most = at_least(clocks.work[0] - FEW_MIN)
    return (
        f"carry on only if the first sand in the box is under {most} old: the surface works for another {left} at "
        "least; then look again"
    )


def _check_setting(asked: Asked) -> None:
    """Raises InputErrors for a setting that no mix of the system can have had; one outside its window can."""
    system, grade = asked.system, asked.system.family.lever == "grade"
    problems = [
        FieldError(
            field=name, value=value, reason=f"does not set the speed of {system.name}", accepted=system.lever_field
        )
        for name, value in asked.numbers.items()
        if name in ("catalyst_pct", "fast_share") and name != system.lever_field
    ]
    said = asked.what_if
    if said is not None and not (0 <= said <= 1 if grade else said > 0):
        accepted = "0 to 1" if grade else "above 0"
        problems.append(FieldError(field=system.lever_field, value=said, reason="is out of range", accepted=accepted))
    if problems:
        raise InputErrors(problems, what="the question")


def _not_known(asked: Asked, law: Law | None, lever: float | None) -> str:
    """Why no work time can be told at any temperature, or nothing."""
    system = asked.system
    if law is None:
        return f"no strip time of {system.name} is known, so no work time either: the set-up gives no reference"
    return "" if lever is not None else f"the setting of {system.name} is not known: give {system.lever_field}"


def _answer(
    picture: Picture,
    values: dict[str, Any],
    ranges: dict[str, Range],
    basis: list[Basis],
    flags: list[Flag],
    because: str = "",
    instead: tuple[str, ...] = (),
    verdict: Verdict = "yes",
) -> Answer:
    family = picture.day.find("binder_systems", values["binder_system"]).family
    return Answer(
        question="stopped",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values=values,
        ranges=ranges,
        basis=tuple(basis),
        flags=tuple(flags),
        cautions=dangers.cautions("stopped", [family], [flag.code for flag in flags]),
        possible=not because,
        verdict=verdict,
        because=because,
        instead=instead,
        head=picture.head,
    )


def _last_mix(picture: Picture, asked: Asked) -> Seen | None:
    """The last mix of this system, and of the purpose if one is said, on this mixer within half a day."""
    since = picture.at - _RECENT_US
    for seen in picture.records("mix", since=since, newest_first=True, naming=(asked.mixer.key,)):
        made = seen.values["mixer"], seen.values["binder_system"]
        of_purpose = asked.purpose in (None, seen.values.get("purpose", "whole"))
        if made == (asked.mixer.key, asked.system.key) and of_purpose:
            return seen
    return None


def _lever(picture: Picture, asked: Asked, mix: Seen | None) -> tuple[float | None, Tag, str]:
    """Setting to go by: said, else as the last mix drew it, else the usual one."""
    if asked.what_if is not None:
        return asked.what_if, "record", "as asked"
    drawn = None if mix is None else lever_of_mix(picture, asked.system, mix)
    if mix is not None and drawn is not None:
        return drawn, "record", f"as mix {mix.id} drew it"
    return asked.system.usual, "set-up", "the usual one"


def _state(age_min: float, work: Span) -> str:
    """Up to the low end of the work time live, past its middle dead: a cold joint costs more than a box of sand."""
    if age_min <= work[0]:
        return "live"
    return "in_doubt" if age_min < work[1] else "dead"


def _chance_live(age_min: float, work: Span) -> float:
    if age_min <= 0:
        return 1.0
    end = work[0] if age_min < work[1] else work[2]
    sd = abs(np.log(end / work[1])) / _Z
    return float(1 - NormalDist(float(np.log(work[1])), float(sd)).cdf(float(np.log(age_min))))
