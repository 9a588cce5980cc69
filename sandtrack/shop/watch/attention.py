"""Everything that needs a look, most urgent first; computed from the book, never stored."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any

from sandtrack.records import times
from sandtrack.shop import dangers
from sandtrack.shop.answer import Answer, Basis, Flag
from sandtrack.shop.picture import Picture
from sandtrack.shop.watch import book as attention_book
from sandtrack.shop.watch import brought as attention_brought
from sandtrack.shop.watch import dose as attention_dose
from sandtrack.shop.watch import floor as attention_floor
from sandtrack.shop.watch import sand as attention_sand
from sandtrack.shop.watch.dangerous import listing as attention_danger
from sandtrack.shop.watch.items import WAYS, Item, Occurred, item, many_as_one, of_one_cause
from sandtrack.shop.watch.recent import LOOK_BACK_DAYS, Recent

Check = Callable[[Recent], Iterator[Flag | Occurred]]

CHECKS: tuple[Check, ...] = (
    *attention_danger.CHECKS,
    *attention_book.CHECKS,
    *attention_dose.CHECKS,
    *attention_sand.CHECKS,
    *attention_floor.CHECKS,
    *attention_brought.CHECKS,
)

URGENCY = (
    # what may be dangerous, or spoils castings at once
    "resin_meets_acid", "knocked_out_too_soon", "wrong_material", "tank_over_mark", "over_safe_fill",
    "exposure_over_limit", "held_poured", "poured_unchecked", "poured_too_soon", "mix_without_catalyst",
    "streams_swapped",
    "liquid_of_other_family", "mix_far_off_ratio", "blocked_place_drawn", "sand_of_other_family", "two_families",
    "poured_twice", "failed_certificate", "family_crossing", "exposure_not_judged",
    "hold_withdrawn", "dose_off", "calibration_drift", "test_outside_limits",
    # what stops work soon
    "below_zero", "order_now", "low_cover", "held", "lot_past_use_by",
    # what the book says that cannot be
    "id_taken", "count_withdrawn",
    "mould_unclear",
    "mass_implausible", "poured_empty", "check_before_mix", "check_of_empty_mould", "number_used_again", "ended_empty",
    "standing_too_long", "double_entry", "unexplained", "level_gap",
    "level_outside", "late", "two_counts", "clock_back", "at_arrival", "clock_off", "in_the_future",
    # what keeps it from being right
    "share_drift", "test_not_used", "calibration_overdue", "count_missing", "never_counted",
)  # fmt: skip
"""Codes of the list, most urgent first."""


def attention(picture: Picture) -> Answer:
    """Everything that needs a look, as flags, most urgent first, none twice, one for one cause.

    What somebody dealt with is left out; what happens later is raised again.

    Values: `count`, `by_code` {code: how many}, and `items`, in the order of the flags: `code`, `subject`, `subjects`
    (all it is about), `also` (codes of the same cause), `happened_at` (None for how things stand), `who` (roles that
    can do something about it) and `clears` (the kind of record that takes it off the list).
    """
    recent = Recent(picture)
    items = shown(raised(recent), recent)
    by_code: dict[str, int] = {}
    for entry in items:
        by_code[entry.code] = by_code.get(entry.code, 0) + 1
    codes = {code for entry in items for code in (entry.code, *entry.also)}
    return Answer(
        question="attention",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"count": len(items), "by_code": by_code, "items": [_values(entry, picture) for entry in items]},
        basis=(
            Basis(
                "looked back",
                f"{LOOK_BACK_DAYS} days, from the start of a day; what stands open is listed however old it is",
                "default",
                picture.head,
            ),
            Basis("limits", "when something is raised", "set-up", "plant.toml, [limits]"),
        ),
        flags=tuple(entry.flag for entry in items),
        cautions=dangers.cautions("attention", flags=codes),
        head=picture.head,
    )


def raised(recent: Recent) -> list[Item]:
    """What all checks raise, none twice."""
    entries: dict[tuple[str, str, str], Item] = {}
    for check in CHECKS:
        for flag in check(recent):
            entry = item(flag)
            entries.setdefault((entry.code, entry.subject, entry.text), entry)
    return list(entries.values())


def shown(items: Iterable[Item], recent: Recent) -> list[Item]:
    """What is left of it, most urgent first: without what was dealt with, one for one cause."""
    open_items = [
        entry for entry in items if entry.at is None or not recent.is_dealt_with(entry.code, entry.subject, entry.at)
    ]
    rank = {code: position for position, code in enumerate(URGENCY)}
    left = many_as_one(of_one_cause(open_items), lambda subject: _name(recent.picture, subject))
    return sorted(left, key=lambda entry: rank.get(entry.code, len(rank)))


def _name(picture: Picture, subject: str) -> str:
    """What people call a place, mixer or binder system; anything else is its own name."""
    sections = ("places", "mixers", "binder_systems")
    return next(
        (picture.name(section, subject) for section in sections if subject in getattr(picture.plant, section)), subject
    )


def dealing_flags(picture: Picture, code: str, subject: str, at: int) -> Iterator[Flag]:
    """What the receipt of a `dealt_with` says where it takes nothing off the list."""
    then = replace(picture, at=max(picture.at, at))
    fitting = [
        entry for entry in raised(Recent(then, as_raised=True)) if (entry.code, entry.subject) == (code, subject)
    ]
    if not fitting:
        yield Flag(
            "nothing_dealt_with",
            f"the list has no item {code} of {subject}: nothing is taken off it. See code and subject with "
            "`sandtrack attention --json`",
            subject,
        )
    elif all(entry.at is None or entry.at > at for entry in fitting):
        clears = WAYS[code].clears if code in WAYS else "dealt_with"
        what = f"a record of kind {clears}" if clears != "dealt_with" else "its cause"
        yield Flag("stays_open", f"{code} of {subject} is how things stand: it stays until {what} ends it", subject)


def _values(entry: Item, picture: Picture) -> dict[str, Any]:
    return {
        "code": entry.code,
        "subject": entry.subject,
        "subjects": list(entry.subjects),
        "also": list(entry.also),
        "happened_at": None if entry.at is None else times.show(entry.at, picture.zone),
        "who": list(entry.way.who),
        "clears": entry.way.clears,
    }
