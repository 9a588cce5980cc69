"""What all text for a terminal is made with: tables, paragraphs behind a mark, masses, names. No colour is used."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from datetime import tzinfo
from pathlib import Path
from typing import Any

from tabulate import tabulate

from sandtrack import units
from sandtrack.plant import PURPOSES_APART, BinderSystem, Plant
from sandtrack.records import times
from sandtrack.report import numerals
from sandtrack.shop import Answer, Caution, Flag
from sandtrack.shop.answer import Verified
from sandtrack.shop.cautions import DEFER

WIDTH = 100
NOT_COUNTED = "not counted"
"""What stands in place of a stock that nobody ever counted."""
STATE = {
    "poured": "poured",
    "held": "held, not to be used",
    "in_doubt": "in doubt, do not pour",
    "still_soft": "checked: still soft",
    "found_firm": "checked: firm",
    "past_strip_estimate": "past its strip estimate",
    "past_middle_of_estimate": "past the middle of its estimate",
    "before_strip_estimate": "before the middle of its estimate",
    "not_known": "strip time not known",
}
"""A mould's state in a column: where it stands against an estimate or by a look, never that it is ready."""
NOT_YES = {"no": "No", "test_piece": "Only with a test piece"}
"""How an answer that is no plain yes begins, by its verdict."""


class Names:
    """What people call the things of a set-up."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant

    def __call__(self, section: str, key: str) -> str:
        entry = getattr(self.plant, section).get(key)
        return (entry.name if entry is not None else "") or key.replace("_", " ")


def table(headers: Sequence[str], rows: Iterable[Sequence[Any]], *, left: int = 1) -> list[str]:
    """Aligned columns: the first `left` ones to the left, the others, numbers most of them, to the right."""
    align = ["left" if column < left else "right" for column in range(len(headers))]
    drawn = tabulate(
        [list(row) for row in rows], headers=list(headers), tablefmt="plain", disable_numparse=True, colalign=align
    )
    return [line.rstrip() for line in drawn.splitlines()]


def wrapped(mark: str, words: str, width: int = WIDTH) -> list[str]:
    """A paragraph behind a mark."""
    return textwrap.wrap(words, width, initial_indent=mark, subsequent_indent=" " * len(mark)) or [mark]


def flags(found: Iterable[Flag]) -> list[str]:
    """What to look at."""
    return [line for flag in found for line in wrapped("! ", flag.text)]


def cautions(found: Iterable[Caution], *, short: bool = False) -> list[str]:
    """What can hurt, behind its signal word, and whom to follow; in short form a paragraph for each signal word."""
    given = list(found)
    if short:
        lines = [line for words in in_short(given) for line in wrapped("", words)]
    else:
        lines = [line for caution in given for line in wrapped(f"{caution.signal}  ", caution.text)]
    return [*lines, *wrapped("", DEFER)] if given else []


def in_short(found: Iterable[Caution]) -> list[str]:
    """Cautions in few words, a sentence for each signal word."""
    by_signal: dict[str, list[str]] = {}
    for caution in found:
        by_signal.setdefault(caution.signal, []).append(caution.short or caution.text.rstrip("."))
    return [
        f"{signal}  {words[:1].upper()}{words[1:]}."
        for signal, several in by_signal.items()
        for words in ["; ".join(several)]
    ]


def basis(given: Answer) -> list[str]:
    """What an answer rests on."""
    return [
        line
        for one in given.basis
        for line in wrapped("because  ", f"{one.what}: {one.value} [{one.tag}: {one.source}]")
    ]


def mass(value_kg: float | None, system: str) -> str:
    """A mass, for reading."""
    return "–" if value_kg is None else units_show(value_kg, "mass", system)


def units_show(value: float, quantity: str, system: str) -> str:
    """A quantity in the units asked for."""
    return units.show(value, quantity, system=system)


def day(text: str | None) -> str:
    """A day or time, for reading."""
    return "–" if not text else text.replace("T", " ")[:16]


def clock(text: str | None) -> str:
    """The time of day alone, for reading."""
    return "–" if not text else text[11:16]


def minutes(value: float) -> str:
    """A time for reading."""
    return f"{value:.0f} min"


def number(value: float) -> str:
    """A number with the digits that matter at a mixer."""
    return f"{value:.3g}" if value < 100 else f"{value:.0f}"


def columns(listed: Iterable[Any]) -> str:
    """Columns of a file with what goes into them."""
    rows = [
        (
            column.name,
            "required" if column.required else "",
            "\n".join(textwrap.wrap(column.doc, 44)),
            "\n".join(textwrap.wrap(column.accepted, 40)),
        )
        for column in listed
    ]
    return tabulate(rows, headers=["column", "", "what it is", "accepted"], tablefmt="plain", disable_numparse=True)


def plant(shown: Plant) -> str:
    """A set-up on one page."""

    def titled(section: str) -> Iterable[tuple[str, Any]]:
        return [(f"{entry.name or key} ({key})", entry) for key, entry in getattr(shown, section).items()]

    tables = [
        table(
            ("place", "kind", "material", "safe fill"),
            [
                (name, one.kind, one.material or "–", mass(one.safe_fill_kg, shown.shop.units))
                for name, one in titled("places")
            ],
        ),
        table(
            ("material", "kind", "family"),
            [(name, one.kind, one.family or "–") for name, one in titled("materials")],
        ),
        table(
            ("binder system", "family", "resin on sand", "reclaimed sand", "speed set by"),
            [row for name, one in titled("binder_systems") for row in _systems(name, one)],
        ),
        table(
            ("mixer", "sand", "runs"),
            [
                (name, units_show(one.sand_kg_min, "mass_flow", shown.shop.units), ", ".join(one.binder_systems))
                for name, one in titled("mixers")
            ],
        ),
        table(
            ("measure", "mass of one", "steady error", "chance error"),
            [
                (name, mass(one.mass_kg / 1e6, shown.shop.units), f"{one.steady_pct:g} %", f"{one.chance_pct:g} %")
                for name, one in titled("measures")
            ],
        ),
    ]
    heading = f"{shown.shop.name}, {shown.shop.time_zone}, valid from {shown.shop.valid_from}"
    return "\n".join([heading, *(line for lines in tables if len(lines) > 1 for line in ("", *lines))])


def first_steps(shown: Plant) -> list[str]:
    """What to do in a new shop: count what is there, then go on from it."""
    holding = sorted(shown.places.values(), key=lambda entry: entry.kind not in ("silo", "tank"))
    place = next((entry.key for entry in holding if entry.material), "PLACE")
    unit = "lb" if shown.shop.units == "us" else "kg"
    return [
        f"1. count every place once: sandtrack log count --place {place} --mass-{unit} …",
        "   (nothing in it: --empty true);",
        "   until then its stock is not known, and no order is advised",
        "2. record what happens: sandtrack log KIND, or sandtrack load FILES",
        "3. ask: sandtrack brief",
    ]


def _systems(name: str, one: BinderSystem) -> Iterator[tuple[str, ...]]:
    """A binder system, and below it its mixes that have settings of their own."""
    speed = "grade" if one.lever == "grade" else "amount of catalyst"
    for purpose in (None, *(purpose for purpose in PURPOSES_APART if one.own(purpose))):
        of = one.of(purpose)
        share = "–" if of.reclaimed_share is None else f"{100 * of.reclaimed_share:.0f} %"
        yield f"{name}, {purpose}" if purpose else name, one.family, f"{of.resin_pct:g} %", share, speed


def load_result(result: Any, shop: Plant, zone: tzinfo) -> str:
    """What a load did, a line a file; then what it moved and over which days, so that a slip shows."""
    rows = [
        (Path(one.file).name, *(f"{count:,}" for count in (one.lines, one.new, one.known, one.refused)))
        for one in result.files
    ]
    lines = table(("file", "lines", "new", "known already", "refused"), rows)
    for problem in result.problems:
        lines += wrapped("! ", str(problem))
    if result.problem_count > len(result.problems):
        lines.append(f"! and {result.problem_count - len(result.problems):,} more bad lines")
    if result.dangers:
        counts = (f"{count:,} {code.replace('_', ' ')}" for code, count in result.danger_counts.items())
        lines += wrapped("TO CHECK AT ONCE: ", "; ".join(counts))
        lines += flags(result.dangers)
    lines += _loaded(result, Names(shop), shop.shop.units, zone)
    lines = numerals.written(lines, shop.shop.decimal)
    if result.skipped:
        lines += wrapped("left alone, no kind of record: ", ", ".join(Path(name).name for name in result.skipped))
    lines += [f"bad lines written to {path}" for path in result.rejects]
    lines.append(f"{result.head.records:,} records, head of the chain {result.head.digest[:16]}")
    return "\n".join(lines)


def verified(given: Verified | None) -> str:
    """When the file behind an answer was last verified."""
    if given is None:
        return "never verified"
    return f"verified {day(given.at)} up to record {given.records:,}"


def from_checkpoint(since: int, whole_at: str) -> str:
    """What a `verify` that went on from the run before did not do."""
    return (
        f"Records 1 to {since:,} were read, and compared with the last clean run; what follows from them was not "
        f"worked out again (last done {day(whole_at)}): `sandtrack verify --whole` does that"
    )


def _loaded(result: Any, names: Names, system: str, zone: tzinfo) -> list[str]:
    """Mass of each material in and out, the first and the last day, and what is still to come."""

    def shown(value_kg: float) -> str:
        return mass(value_kg, system) if value_kg else "–"

    rows = [
        (names("materials", one.material), shown(one.into_kg), shown(one.out_kg), shown(one.between_kg))
        for one in result.moved
    ]
    lines = ["", *table(("new in this load", "into places", "out of places", "between places"), rows)] if rows else []
    if result.first_at is not None:
        first, last = (times.show(at, zone)[:10] for at in (result.first_at, result.last_at))
        lines.append(f"first day {first}, last day {last}")
    if result.ahead:
        which = "1 line lies" if result.ahead == 1 else f"{result.ahead:,} lines lie"
        lines += wrapped("! ", f"{which} in the future, the latest on {day(times.show(result.last_ahead, zone))}")
    return lines
