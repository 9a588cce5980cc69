"""Moulds: poured while held, too soon, twice, empty; knocked out too soon; other sand in them; impossible checks."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from sandtrack.ledger.around import Fill, nearest_named
from sandtrack.shop.dosing import systems
from sandtrack.shop.dosing.checks import HIGHEST_C, LOWEST_C, lever_of_mix
from sandtrack.shop.picture import Seen
from sandtrack.shop.watch.dangerous.danger import Danger
from sandtrack.shop.watch.dangerous.evidence import MINUTE_US, REACH_US, Evidence
from sandtrack.shop.watch.dangerous.mixes import bad_mix
from sandtrack.shop.watch.dangerous.places import named
from sandtrack.shop.wording import clock

POURED_AGAIN_MIN = 60.0
"""Two pours of one mould closer together than this are ladles of one pour. practice"""
ESTIMATE_WITHIN_MIN = 600.0
"""A mould poured later than this after filling is not asked for its strip estimate. practice"""
SAME_MINUTE_US = MINUTE_US


def poured(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """Each mould of a pour."""
    for mould in seen.values["moulds"]:
        ended = ev.ended_before(mould, seen.at)
        yield from _held(ev, seen, mould, ended)
        fills = ev.filled(mould, seen.at)
        mixes = [fill for fill in fills if fill.kind == "mix"]
        if not fills:
            text = f"mould {mould} was poured with no sand on record ({named(ev, seen)}): is the number right?"
            yield Danger("poured_empty", mould, text, seen.seq, seen.at)
        yield from _too_soon(ev, seen, mould, mixes)
        yield from _unchecked(ev, seen, mould, mixes)
        yield from _again(ev, seen, mould, max(ended, fills[0].at) if fills else ended)


def _held(ev: Evidence, seen: Seen, mould: str, ended: int) -> Iterator[Danger]:
    cause = ev.blocked("mould", mould, seen.at)
    if cause is None or cause.at <= ended:
        return
    reason = ev.seen(cause.record).values.get("reason", "")
    text = f"mould {mould} was poured while it was held: {reason} ({named(ev, seen)})"
    yield Danger("held_poured", mould, text, seen.seq, seen.at, frozenset({cause.record}))


def _too_soon(ev: Evidence, seen: Seen, mould: str, mixes: list[Fill]) -> Iterator[Danger]:
    if not mixes:
        return
    last = mixes[-1]
    passed = (seen.at - last.at) / MINUTE_US
    least = ev.day(seen.at).plant.limits.pour_least_min
    limit = f"the shop's limit is {least:g} min"
    if least <= passed < ESTIMATE_WITHIN_MIN:
        estimate = _estimate_min(ev, last.record)
        if estimate is not None and estimate > least:
            least, limit = estimate, f"its strip estimate is {estimate:.0f} min, by the set-up's reference"
    if passed < least:
        text = f"mould {mould} was poured {passed:.0f} min after its last sand ({named(ev, seen)}): {limit}"
        yield Danger("poured_too_soon", mould, text, seen.seq, seen.at, frozenset({last.record}))


def _estimate_min(ev: Evidence, record: int) -> float | None:
    """Strip time of a mix by its system's reference, its own sand temperature and what it drew; None if not known.

    What strip checks have taught is left out: it costs a fit for each pour, and another one for each later check.
    """
    if record not in ev.estimates:
        ev.estimates[record] = _estimated_min(ev, ev.seen(record))
    return ev.estimates[record]


def _estimated_min(ev: Evidence, mix: Seen) -> float | None:
    day = ev.day(mix.at)
    key = day.revision, mix.values["binder_system"], mix.values.get("purpose")
    if key not in ev.systems:
        ev.systems[key] = systems.system(day.find("binder_systems", key[1]), key[2])
    system = ev.systems[key]
    temp = mix.values.get("sand_temp_c")
    if system.belief is None or temp is None or not LOWEST_C <= temp <= HIGHEST_C:
        return None
    lever = lever_of_mix(ev.picture, system, mix)
    if lever is None or lever <= 0 or not system.window.holds(lever):
        return None
    return float(system.belief.law().strip_time_min(temp, lever))


def _unchecked(ev: Evidence, seen: Seen, mould: str, mixes: list[Fill]) -> Iterator[Danger]:
    """A mould that was not to be poured for its mix, and that nobody has released."""
    for bad in (bad for fill in mixes for bad in _not_released(ev, mould, bad_mix(ev, fill.record), fill.at, seen.at)):
        text = f"mould {mould} was poured and nobody has released it ({named(ev, seen)}): {bad.text}"
        yield Danger("poured_unchecked", mould, text, seen.seq, seen.at, frozenset({bad.record}))
        return


def unreleased(
    ev: Evidence,
    mould: str,
    mixes: list[Seen],
    at: int | None = None,
    judge: Callable[[Evidence, Seen], Iterable[Danger]] = bad_mix,
) -> Iterator[Danger]:
    """Why a mould is not to be poured by the mixes in it, where nobody has released it since; now, or at an instant."""
    until = ev.picture.at if at is None else at
    for mix in mixes:
        yield from _not_released(ev, mould, judge(ev, mix), mix.at, until)


def _not_released(ev: Evidence, mould: str, dangers: Iterable[Danger], since: int, until: int) -> Iterator[Danger]:
    """Those of a mix's dangers that are about a mould, where nobody has released that between two instants."""
    bad = [danger for danger in dangers if mould in danger.moulds]
    if bad and not any(cause.code == "released" and since <= cause.at <= until for cause in ev.causes("mould", mould)):
        yield from bad


def _again(ev: Evidence, seen: Seen, mould: str, since: int) -> Iterator[Danger]:
    before = [pour for pour in ev.pours(mould, since, seen.at) if seen.at - pour.at > POURED_AGAIN_MIN * MINUTE_US]
    if before:
        text = (
            f"mould {mould} was poured on {clock(before[-1].at, ev.picture.zone)} already ({named(ev, seen)}): "
            "is the number right, and was its knock-out recorded?"
        )
        yield Danger("poured_twice", mould, text, seen.seq, seen.at, frozenset({before[-1].seq}))


def knocked_out(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """Each mould of a knock-out that was poured too short a time before."""
    least = ev.day(seen.at).plant.limits.knock_out_least_min
    for mould in seen.values["moulds"]:
        since = max(ev.ended_before(mould, seen.at), seen.at - round(least * MINUTE_US))
        pours = ev.pours(mould, since, seen.at)
        if pours and (seen.at - pours[-1].at) / MINUTE_US < least:
            text = (
                f"mould {mould} was knocked out {(seen.at - pours[-1].at) / MINUTE_US:.0f} min after pouring "
                f"({named(ev, seen)}): the shop's limit is {least:g} min. The metal may still be liquid inside"
            )
            yield Danger("knocked_out_too_soon", mould, text, seen.seq, seen.at, frozenset({pours[-1].seq}))


def put_into_mould(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """Loose sand of another family put into a mould; cured cores are told apart by their role."""
    mould = seen.values.get("mould")
    if mould is None:
        return
    day = ev.day(seen.at)
    material = seen.values.get("material") or day.material_at(seen.values["source"])
    entry = day.find("materials", material)
    if entry.kind != "sand" or not entry.family or entry.role == "core":
        return
    for fill in ev.fills(mould, seen.at):
        if fill.kind != "mix":
            continue
        mix = ev.seen(fill.record)
        family = ev.day(mix.at).find("binder_systems", mix.values["binder_system"]).family
        if family != entry.family:
            text = (
                f"{ev.picture.name('materials', material)} went into mould {mould} ({named(ev, seen)}), which is made "
                "with another binder: it upsets the cure; do not pour until a competent person has checked it"
            )
            because = frozenset({fill.record})
            yield Danger("sand_of_other_family", mould, text, seen.seq, seen.at, because, (mould,))
            return


def checked(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """A strip check before its own mix or in the same minute, or on a mould that nobody filled."""
    values = seen.values
    if "mix" in values:
        nearest = nearest_named(ev.reader, "mix", values["mix"], seen.at, REACH_US)
        yield from _before(ev, seen, None if nearest is None else ev.seen(nearest))
    elif "mould" in values:
        fills = [fill for fill in ev.fills(values["mould"], seen.at) if fill.kind == "mix"]
        earlier = [fill for fill in fills if fill.at <= seen.at]
        chosen = earlier[-1] if earlier else fills[0] if fills else None
        if chosen is not None:
            yield from _before(ev, seen, ev.seen(chosen.record))
        else:
            text = f"mould {values['mould']} has no mix on record ({named(ev, seen)}): is the number right?"
            yield Danger("check_of_empty_mould", values["mould"], text, seen.seq, seen.at)


def _before(ev: Evidence, seen: Seen, mix: Seen | None) -> Iterator[Danger]:
    if mix is None or seen.at - mix.at >= SAME_MINUTE_US:
        return
    when = "before its mix" if seen.at < mix.at else "in the minute of its mix"
    text = (
        f"{named(ev, seen)} is dated {when}, {mix.id} of {clock(mix.at, ev.picture.zone)}: is the time right? Withdraw "
        "it and send it again with its own time"
    )
    yield Danger("check_before_mix", seen.values.get("mould") or mix.id, text, seen.seq, seen.at, frozenset({mix.seq}))
