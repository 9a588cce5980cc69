"""Where a mould stands: against its estimate, and by what was seen of it. No state says that a mould is ready."""

from __future__ import annotations

from typing import Any, Literal

from sandtrack.records import times
from sandtrack.shop.answer import Range
from sandtrack.shop.dosing.serving import COVERAGE
from sandtrack.shop.moulds.clocks import Clock
from sandtrack.shop.moulds.looks import Look
from sandtrack.shop.moulds.standing import Mould
from sandtrack.shop.picture import Picture

_MINUTE = 60_000_000
State = Literal[
    "poured",
    "held",
    "in_doubt",
    "still_soft",
    "found_firm",
    "past_strip_estimate",
    "past_middle_of_estimate",
    "before_strip_estimate",
    "not_known",
]
"""What can be said of a mould; the first that fits counts."""

TEST = "test, then draw"


def strip(picture: Picture, mould: Mould, clocks: list[Clock | None], ranges: dict[str, Range]) -> dict[str, Any]:
    """Clock times of the slowest of a mould's mixes, and the state of the mould."""
    known = [clock for clock in clocks if clock is not None]
    slowest: Clock | None = None
    if known and len(known) == len(clocks) and not mould.in_doubt:
        low, mid, high, latest = (max(getattr(clock, end) for clock in known) for end in Clock.ENDS)
        slowest = Clock(low, mid, high, latest, min(clock.chance for clock in known))
    _look_at_looks(picture, mould, slowest)
    state, words = state_of(picture, mould, slowest)
    named = {"state": state, "state_words": words}
    if slowest is None:
        return {"strip_from": None, "strip_by": None, "chance_stripped": None, **named}
    start = mould.mixes[-1].at
    ranges[f"strip_time_min.{mould.number}"] = Range(
        (slowest.low - start) / _MINUTE,
        (slowest.mid - start) / _MINUTE,
        (slowest.high - start) / _MINUTE,
        COVERAGE,
        "minutes from the end of the mould's last mix until its pattern can be drawn",
    )
    return {
        "strip_from": times.show(slowest.low // _MINUTE * _MINUTE, picture.zone),
        "strip_by": times.show(slowest.high // _MINUTE * _MINUTE, picture.zone),
        "chance_stripped": slowest.chance,
        **named,
    }


def state_of(picture: Picture, mould: Mould, clock: Clock | None) -> tuple[State, str]:
    """The state of a mould and what to know of it: what was seen of it goes before what is estimated."""
    if mould.poured_at is not None:
        return "poured", f"poured at {times.minute(mould.poured_at, picture.zone)}"
    state, words = _not_held(picture, mould, clock)
    if mould.held:
        return "held", f"held: not to be used until it is released; {words}"
    return state, words


def _not_held(picture: Picture, mould: Mould, clock: Clock | None) -> tuple[State, str]:
    if mould.in_doubt:
        reason = mould.in_doubt[0]
        advice = "" if "do not pour" in reason else ": do not pour until a competent person has checked it"
        return "in_doubt", f"{reason}{advice}"
    look = mould.looks.last
    if look is not None and not look.firm:
        return "still_soft", f"still soft {_seen(picture, look)}: leave it, and check it again before it is drawn"
    if look is not None:
        return "found_firm", f"found firm {_seen(picture, look)}: firm enough to draw is not yet firm enough to pour"
    if clock is None:
        return "not_known", f"its strip time is not known: {TEST}"
    late = times.show(clock.high, picture.zone)[11:16]
    if picture.at >= clock.high:
        return "past_strip_estimate", f"past its strip estimate ({late}): {TEST}"
    if picture.at >= clock.mid:
        return "past_middle_of_estimate", f"more likely than not, but it could take until {late}: {TEST}"
    early = times.show(clock.low, picture.zone)[11:16]
    when = "it could be by now" if picture.at >= clock.low else f"it could be from {early}"
    return "before_strip_estimate", f"not yet likely; {when}, and may take until {late}: {TEST}"


def _seen(picture: Picture, look: Look) -> str:
    return f"at {look.minutes:g} min ({times.show(look.at, picture.zone)[11:16]}), judged {look.judged.words}"


def _look_at_looks(picture: Picture, mould: Mould, clock: Clock | None) -> None:
    """Raise looks that contradict each other, and a mould that is softer than its estimate allows."""
    soft = next((look for look in reversed(mould.looks.all) if not look.firm), None)
    if soft is None or mould.poured_at is not None:
        return
    if mould.looks.contradictory:
        firm = next(look for look in mould.looks.all if look.firm)
        text = (
            f"checked as firm {_seen(picture, firm)} (check {firm.check}) and as soft {_seen(picture, soft)} "
            f"(check {soft.check}): check it again, and withdraw what was a slip"
        )
        mould.flag("looks_contradict", text)
    if not mould.in_doubt and clock is not None and soft.at > clock.latest:
        late = times.show(clock.latest, picture.zone)[11:16]
        text = (
            f"still soft {_seen(picture, soft)}, though its estimate ended at {late}: look for why before more is "
            "mixed, and do not pour it until a competent person has checked it"
        )
        mould.flag("soft_past_estimate", text)
