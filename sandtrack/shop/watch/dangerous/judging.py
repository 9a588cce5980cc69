"""Which records are judged by what: of one that arrived with all that it may complete, or of a whole window."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from sandtrack.ledger.around import in_force, number_of, order_of_happening, recorded_since
from sandtrack.records.mould_numbers import unclear_numbers
from sandtrack.shop.picture import Picture, Seen
from sandtrack.shop.watch.dangerous.castings import checked, knocked_out, poured, put_into_mould
from sandtrack.shop.watch.dangerous.danger import Danger
from sandtrack.shop.watch.dangerous.evidence import DAY_US, REACH_US, Evidence
from sandtrack.shop.watch.dangerous.mixes import bad_mix, two_families
from sandtrack.shop.watch.dangerous.moves import INTO, OUT_OF, into
from sandtrack.shop.watch.dangerous.people import exposed, person_unknown
from sandtrack.shop.watch.dangerous.places import (
    blocked_place_drawn,
    is_wrong,
    mass_implausible,
    over_mark,
    wrong_material,
)

_FILLING = ("delivery", "transfer", "reclaim_run")
MANY = 200
"""From so many records on, what they are judged by is read for all of them at once."""
_CHECKED_US = 2 * DAY_US
"""A strip check of a mix is looked for this far about it."""
Judge = Callable[[Evidence, Seen], Iterable[Danger]]


def mould_unclear(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """A mould whose number reads as several, or fits no form of the shop's numbers: booked as it came."""
    for number in unclear_numbers(seen.values, ev.day(seen.at).plant.shop.mould_numbers):
        text = (
            f"mould {number} ({seen.sender}, {seen.id}) may be several moulds or a slip: withdraw it and send it again"
        )
        yield Danger("mould_unclear", number, text, seen.seq, seen.at)


JUDGES: Mapping[str, tuple[Judge, ...]] = {
    "delivery": (wrong_material, over_mark, mass_implausible),
    "transfer": (wrong_material, over_mark, blocked_place_drawn, put_into_mould, mould_unclear),
    "mix": (bad_mix, two_families, blocked_place_drawn, wrong_material, over_mark, mould_unclear),
    "reclaim_run": (wrong_material, over_mark, blocked_place_drawn),
    "disposal": (blocked_place_drawn,),
    "pour": (poured, mould_unclear),
    "knock_out": (knocked_out, mould_unclear),
    "mould_scrap": (mould_unclear,),
    "strip_check": (checked, mould_unclear),
    "exposure": (exposed,),
    "count": (over_mark,),
}
"""What judges each kind of record."""


_READ = frozenset({*JUDGES, *INTO, "hold", "reversal"})
"""Kinds whose content counts for any judge, or for what it may complete."""
_READ_AT_ONCE = 200


def judged(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """What is dangerous about one record."""
    for judge in JUDGES.get(seen.kind, ()):
        yield from judge(ev, seen)


def arrived(
    picture: Picture, records: Iterable[int], known: int, read: Iterable[Seen] = ()
) -> Iterator[tuple[int, Danger]]:
    """What is dangerous about records that just arrived, and about what they complete; each once, with the record.

    `known` is the number of records before them: what is completed among themselves is judged with the later one. A
    name that nobody knows is raised only here: it is a matter of arrival. What was `read` already is not read again.
    """
    numbers = list(records)
    if not numbers:
        return
    ev = Evidence(picture, many=len(numbers) >= MANY)
    for seen in read:
        ev.keep(seen)
    raised: set[tuple[str, str, int]] = set()
    # What stands near in time is judged together, so that what was looked up serves again; told in order of arrival.
    by_arrival = sorted(_judged_in_time(ev, numbers, known), key=lambda item: item[0])
    for seq, danger in by_arrival:
        key = (danger.code, danger.subject, danger.record)
        if key not in raised:
            raised.add(key)
            yield seq, danger


def _judged_in_time(ev: Evidence, numbers: Sequence[int], known: int) -> Iterator[tuple[int, Danger]]:
    """As `arrived`, in order of happening, some of it more than once."""
    if len(numbers) > 1:
        numbers = order_of_happening(ev.reader, numbers)
    for place, seq in enumerate(numbers):
        if place % _READ_AT_ONCE == 0:
            ev.read(numbers[place : place + _READ_AT_ONCE], kinds=_READ)
        seen = ev.seen(seq)
        dangers = [*judged(ev, seen), *person_unknown(ev, seen)]
        for other in {record.seq: record for record in _around(ev, seen, known)}.values():
            if other.seq <= known:
                dangers += [danger for danger in judged(ev, other) if _is_part(ev, seen, danger)]
        ev.tidy()
        yield from ((seq, danger) for danger in dangers)


def _is_part(ev: Evidence, seen: Seen, danger: Danger) -> bool:
    """Whether a record is part of what makes a danger; a place is past its mark by all that came into it."""
    if danger.shown_by(seen.seq) or seen.kind == "reversal":
        return True
    filled = danger.code in ("tank_over_mark", "over_safe_fill")
    return filled and any(came.place == danger.subject for came in into(seen, ev.day(seen.at)))


def arrived_since(picture: Picture, after: int) -> Iterator[Danger]:
    """What is dangerous about the records that were accepted after a number of the chain."""
    return (danger for _, danger in arrived(picture, recorded_since(picture.reader, after), after))


def of_window(ev: Evidence, since: int, mixes: Iterable[Seen]) -> Iterator[Danger]:
    """What is dangerous about the records in [since, the instant asked about], in order of happening.

    `mixes` are those of the window, in that order.
    """
    others = ev.picture.records(*(kind for kind in JUDGES if kind != "mix"), since=since)
    for seen in heapq.merge(mixes, others, key=lambda seen: (seen.at, seen.sender, seen.id)):
        ev.keep(seen)
        yield from judged(ev, seen)


# -- what a record may complete ---------------------------------------------------------------------------------


def _around(ev: Evidence, seen: Seen, known: int) -> Iterator[Seen]:
    """Records whose danger may rest on this one: they happened later, or only now have what makes them dangerous."""
    values = seen.values
    if seen.kind == "hold":
        yield from _blocked_uses(ev, values, seen.at, known)
    elif seen.kind == "reversal":
        yield from _withdrawn(ev, seen, known)
    elif seen.kind == "pour" and ev.since(("knock_out", "pour"), seen.at, known):
        for mould in values["moulds"]:
            _, after = ev.life(mould, seen.at)
            yield from ev.naming(("knock_out", "pour"), seen.at, after, mould)
    elif seen.kind == "mix" and "moulds" in values:
        for mould in values["moulds"]:
            yield from _uses(ev, mould, seen.at, known)
        if ev.since(("strip_check",), seen.at - _CHECKED_US, known):
            yield from ev.naming(("strip_check",), seen.at - _CHECKED_US, seen.at + _CHECKED_US, seen.id)
    if seen.kind in INTO:
        yield from _after_filling(ev, seen, known)


def _uses(ev: Evidence, mould: str, at: int, known: int) -> Iterator[Seen]:
    """What else was put into a mould, and what was done with it, in the life that an instant lies in."""
    yield from (ev.seen(fill.record) for fill in ev.filled(mould, at) if fill.kind == "transfer")
    if not ev.since(("mix", "transfer", "pour", "strip_check"), at - _CHECKED_US, known):
        return
    ended, after = ev.life(mould, at)
    if ev.since(("mix", "transfer"), at, known):
        yield from (ev.seen(fill.record) for fill in ev.fills(mould, at) if fill.at > at)
    if ev.since(("pour",), at, known):
        yield from ev.naming(("pour",), at, after, mould)
    if ev.since(("strip_check",), at - _CHECKED_US, known):
        yield from ev.naming(("strip_check",), max(ended, at - _CHECKED_US), min(after, at + _CHECKED_US), mould)


def _blocked_uses(ev: Evidence, values: Mapping[str, str], since: int, known: int) -> Iterator[Seen]:
    """Pours and draws of what is held, since it was."""
    kinds = ev.since(("pour",) if "mould" in values else OUT_OF, since, known)
    key = next(values[what] for what in ("mould", "place", "lot") if what in values)
    if kinds:
        yield from ev.naming(kinds, since, since + REACH_US, key)


def _after_filling(ev: Evidence, seen: Seen, known: int) -> Iterator[Seen]:
    """What came to a place, or was drawn from it, after something came into it that blocks or fills it."""
    day = ev.day(seen.at)
    for came in dict.fromkeys(into(seen, day)):
        blocks = is_wrong(seen, day, came) or any(cause.record == seen.seq for cause in ev.causes("place", came.place))
        limited = day.find("places", came.place).safe_fill_kg is not None or not day.material_at(came.place)
        kinds = (*(OUT_OF if blocks else ()), *(_FILLING if blocks or limited else ()))
        later = ev.since(tuple(dict.fromkeys(kinds)), seen.at, known)
        if later:
            yield from ev.naming(later, seen.at, seen.at + REACH_US, came.place)
    lot = seen.values.get("lot")
    if lot and any(cause.record == seen.seq for cause in ev.causes("lot", lot)):
        yield from ev.naming(OUT_OF, seen.at, seen.at + REACH_US, lot)


def _withdrawn(ev: Evidence, seen: Seen, known: int) -> Iterator[Seen]:
    """What a withdrawal may leave in danger: with a release gone, the block is in force again."""
    of = seen.values["of"]
    number = number_of(ev.reader, of["sender"], of["id"])
    if number is None or (gone := ev.seen(number)).kind != "release":
        return
    for what in ("place", "lot", "mould"):
        key = gone.values.get(what)
        if key and in_force(ev.causes(what, key), gone.at) is not None:
            yield from _blocked_uses(ev, gone.values, gone.at, known)
