"""Items of the attention list: what of one cause belongs together, who can do what about it, and what clears it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from sandtrack.shop.answer import Flag
from sandtrack.shop.wording import listed

MOST_OF_A_CODE = 3
"""More items of one code than this are shown as one: a list that repeats itself is not read."""
SUBJECTS_SHOWN = 5


class Occurred(NamedTuple):
    """A flag about something that happened, with when it last did; a plain flag is about how things stand."""

    flag: Flag
    at: int


def occurred(code: str, text: str, subject: str, *, at: int) -> Occurred:
    """A flag about something that happened at an instant."""
    return Occurred(Flag(code, text, subject), at)


class Way(NamedTuple):
    """Who can do something about an item, and the kind of record that takes it off the list."""

    who: tuple[str, ...]
    """Roles."""
    clears: str
    """Kind of record; `dealt_with` where only somebody's word ends it."""


_FLOOR, _YARD, _LAB, _BOSS = "moulder", "operator", "laboratory", "manager"
_OFFICE = (_BOSS,)
_RELEASE = (_LAB, _BOSS)
WAYS: Mapping[str, Way] = {
    **dict.fromkeys(
        (
            "resin_meets_acid", "tank_over_mark", "over_safe_fill", "exposure_over_limit", "exposure_not_judged",
            "held_poured", "poured_unchecked", "poured_too_soon", "knocked_out_too_soon", "mix_without_catalyst",
            "streams_swapped", "liquid_of_other_family", "mix_far_off_ratio", "blocked_place_drawn",
            "sand_of_other_family", "two_families", "poured_twice", "poured_empty", "family_crossing", "hold_withdrawn",
            "lot_past_use_by",
        ),
        Way(_RELEASE, "dealt_with"),
    ),
    **dict.fromkeys(("wrong_material", "failed_certificate", "held"), Way(_RELEASE, "release")),
    "dose_off": Way((_YARD, _LAB), "calibration"),
    "calibration_drift": Way((_YARD, _LAB), "calibration"),
    "calibration_overdue": Way((_YARD, _LAB), "calibration"),
    "test_outside_limits": Way((_LAB,), "sand_test"),
    "test_not_used": Way((_LAB,), "reversal"),
    "below_zero": Way((_YARD,), "count"),
    "never_counted": Way((_YARD,), "count"),
    "count_missing": Way((_YARD,), "count"),
    "count_withdrawn": Way((_YARD,), "count"),
    "level_gap": Way((_YARD,), "count"),
    "level_outside": Way((_YARD,), "level"),
    "order_now": Way((_YARD, _BOSS), "delivery"),
    "low_cover": Way((_YARD, _BOSS), "delivery"),
    "standing_too_long": Way((_FLOOR, _YARD), "knock_out"),
    "two_counts": Way((_YARD,), "reversal"),
    "double_entry": Way((_YARD, _BOSS), "reversal"),
    "share_drift": Way((_YARD, _BOSS), "dealt_with"),
    "unexplained": Way((_YARD, _BOSS), "dealt_with"),
    **dict.fromkeys(
        (
            "mould_unclear", "mass_implausible", "check_before_mix", "check_of_empty_mould",
            "number_used_again", "ended_empty", "late",
        ),
        Way((_FLOOR, _YARD, _BOSS), "dealt_with"),
    ),
    **dict.fromkeys(("clock_back", "clock_off", "at_arrival", "in_the_future", "id_taken"), Way(_OFFICE, "dealt_with")),
}  # fmt: skip
"""Code → who can do what about it. Codes that are not here are a manager's to deal with."""
_OTHERWISE = Way((_BOSS,), "dealt_with")


@dataclass(frozen=True)
class Item:
    """One line of the list."""

    code: str
    subject: str
    text: str
    at: int | None = None
    """When it last happened; None for how things stand."""
    subjects: tuple[str, ...] = ()
    """All that it is about, where several of one code are shown as one."""
    also: tuple[str, ...] = field(default=())
    """Codes of what has the same cause and is not shown apart."""

    @property
    def way(self) -> Way:
        """Who can do what about it."""
        return WAYS.get(self.code, _OTHERWISE)

    @property
    def flag(self) -> Flag:
        """As a flag of the answer."""
        return Flag(self.code, self.text, self.subject)


def item(raised: Flag | Occurred) -> Item:
    """An item of what a check raised."""
    flag, at = (raised.flag, raised.at) if isinstance(raised, Occurred) else (raised, None)
    return Item(flag.code, flag.subject, flag.text, at, (flag.subject,))


# What the first code explains is not shown apart for the same subject: one cause, one item.
EXPLAINS: tuple[tuple[str, frozenset[str]], ...] = (
    ("resin_meets_acid", frozenset({"wrong_material", "held", "failed_certificate"})),
    ("wrong_material", frozenset({"held", "failed_certificate"})),
    ("failed_certificate", frozenset({"held"})),
    ("held", frozenset({"standing_too_long"})),
    ("tank_over_mark", frozenset({"level_outside", "level_gap"})),
    ("over_safe_fill", frozenset({"level_outside", "level_gap"})),
    ("never_counted", frozenset({"count_missing", "order_now", "low_cover", "below_zero"})),
    ("below_zero", frozenset({"order_now", "low_cover"})),
    ("order_now", frozenset({"low_cover"})),
    ("calibration_drift", frozenset({"calibration_overdue"})),
)


def of_one_cause(items: Iterable[Item]) -> list[Item]:
    """Items without those that another item of the same subject explains; that one names their codes."""
    kept = list(items)
    for code, explained in EXPLAINS:
        causes = {entry.subject: entry for entry in kept if entry.code == code}
        swallowed: dict[str, list[Item]] = {}
        for entry in kept:
            if entry.code in explained and entry.subject in causes:
                swallowed.setdefault(entry.subject, []).append(entry)
        if swallowed:
            gone = {id(entry) for entries in swallowed.values() for entry in entries}
            kept = [_with(entry, swallowed) if entry.code == code else entry for entry in kept if id(entry) not in gone]
    return kept


def _with(cause: Item, swallowed: Mapping[str, list[Item]]) -> Item:
    others = swallowed.get(cause.subject, [])
    if not others:
        return cause
    return replace(
        cause,
        text="; ".join([cause.text, *(other.text for other in others)]),
        also=(*cause.also, *(code for other in others for code in (other.code, *other.also))),
    )


def many_as_one(items: Iterable[Item], name: Callable[[str], str]) -> Iterator[Item]:
    """Items, those of a code that there are many of as one: the latest of them, and how many there are of what.

    `name` gives what people call a subject.
    """
    by_code: dict[str, list[Item]] = {}
    for entry in items:
        by_code.setdefault(entry.code, []).append(entry)
    for entries in by_code.values():
        if len(entries) <= MOST_OF_A_CODE:
            yield from entries
            continue
        latest = max(entries, key=lambda entry: -(2**63) if entry.at is None else entry.at)
        subjects = tuple(dict.fromkeys([latest.subject, *(entry.subject for entry in entries)]))
        shown = [name(subject) for subject in subjects[:SUBJECTS_SHOWN]]
        more = len(subjects) - len(shown)
        names = f"{', '.join(shown)} and {more:,} more" if more else listed(shown)
        text = f"{latest.text}; {len(entries):,} like it: {names}"
        also = tuple(dict.fromkeys(code for entry in entries for code in entry.also))
        yield replace(latest, text=text, subjects=subjects, also=also)
