"""Everything that needs a look, most urgent first; computed from the book, never stored."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sandtrack.shop import dangers
from sandtrack.shop.answer import Answer, Basis, Flag
from sandtrack.shop.picture import Picture
from sandtrack.shop.watch import book as attention_book
from sandtrack.shop.watch import brought as attention_brought
from sandtrack.shop.watch import dose as attention_dose
from sandtrack.shop.watch import floor as attention_floor
from sandtrack.shop.watch import sand as attention_sand
from sandtrack.shop.watch.dangerous import listing as attention_danger
from sandtrack.shop.watch.recent import LOOK_BACK_DAYS, Recent

Check = Callable[[Recent], Iterator[Flag]]

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
    "resin_meets_acid", "wrong_material", "tank_over_mark", "over_safe_fill", "exposure_over_limit", "held_poured",
    "poured_unchecked", "poured_too_soon", "knocked_out_too_soon", "mix_without_catalyst", "streams_swapped",
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
    """Everything that needs a look, as flags, most urgent first, none twice.

    Values: `count`, and `by_code` {code: how many}.
    """
    recent = Recent(picture)
    found: dict[tuple[str, str, str], Flag] = {}
    for check in CHECKS:
        for flag in check(recent):
            found.setdefault((flag.code, flag.subject, flag.text), flag)
    rank = {code: position for position, code in enumerate(URGENCY)}
    flags = sorted(found.values(), key=lambda flag: rank.get(flag.code, len(rank)))
    by_code: dict[str, int] = {}
    for flag in flags:
        by_code[flag.code] = by_code.get(flag.code, 0) + 1
    return Answer(
        question="attention",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"count": len(flags), "by_code": by_code},
        basis=(
            Basis(
                "looked back",
                f"{LOOK_BACK_DAYS} days, from the start of a day; what stands open is listed however old it is",
                "default",
                picture.head,
            ),
            Basis("limits", "when something is raised", "set-up", "plant.toml, [limits]"),
        ),
        flags=tuple(flags),
        cautions=dangers.cautions("attention", flags=by_code),
        head=picture.head,
    )
