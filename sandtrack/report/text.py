"""Answers as text for a terminal without colour; every line is made from the answer alone and the set-up's names."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from tabulate import tabulate

from sandtrack import units
from sandtrack.plant import Plant
from sandtrack.shop import Answer, Caution, Flag

WIDTH = 100


class Names:
    """What people call the things of a set-up."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant

    def __call__(self, section: str, key: str) -> str:
        entry = getattr(self.plant, section).get(key)
        return (entry.name if entry is not None else "") or key.replace("_", " ")


def answer(given: Answer, names: Names, *, units: str = "metric", why: bool = False) -> str:
    """An answer as text."""
    lines = [] if given.possible else [f"No: {given.because}."]
    lines += [f"  instead: {way}" for way in given.instead]
    lines += _BODIES.get(given.question, _plain)(given, names, units)
    lines += flags(given.flags)
    if why:
        lines += basis(given)
    lines += cautions(given.cautions)
    lines.append(
        f"as of {given.as_of}" + (f", as known on {given.known_on}" if given.known_on else "") + f" · {given.head}"
    )
    return "\n".join(lines)


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


def cautions(found: Iterable[Caution]) -> list[str]:
    """What can hurt."""
    return [line for caution in found for line in wrapped("CAUTION  ", caution.text)]


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


def _stock(given: Answer, names: Names, system: str) -> list[str]:
    rows = []
    for place, held in given.values["stock_kg"].items():
        for material, value in held.items():
            span = given.ranges.get(f"stock_kg.{place}.{material}")
            room = given.values["room_kg"].get(place)
            counted = given.values["counted_on"].get(place, {}).get(material)
            rows.append(
                (
                    names("places", place),
                    names("materials", material),
                    mass(value, system),
                    f"{mass(span.low, system)} to {mass(span.high, system)}" if span else "–",
                    mass(room, system),
                    day(counted) if counted else "never" if place != "moulds" else "–",
                )
            )
    return table(("place", "material", "stock", "could be", "room", "counted"), rows, left=2)


def _cover(given: Answer, names: Names, system: str) -> list[str]:
    rows = []
    for place, days in given.values["cover_days"].items():
        span = given.ranges[f"cover_days.{place}"]
        rows.append(
            (
                names("places", place),
                mass(given.values["stock_kg"][place], system),
                mass(given.values["draw_kg_day"][place], system),
                f"{days:.1f}",
                f"{span.low:.1f} to {span.high:.1f}",
                given.values["runs_out_on"][place],
                given.values["order_by"].get(place, "–"),
            )
        )
    return table(("place", "usable", "drawn a day", "working days", "could be", "runs out", "order by"), rows)


def _records(given: Answer, names: Names, system: str) -> list[str]:
    lines: list[str] = []
    for record in given.values["records"]:
        mark = "  WITHDRAWN" if record["withdrawn"] else ""
        lines.append(f"{day(record['at'])}  {record['kind']}  {record['id']}  by {record['sender']}{mark}")
        content = {name: value for name, value in record["content"].items() if name != "at"}
        if record["kind"] != "plant":
            lines += wrapped("    ", ", ".join(f"{name} {_words(value)}" for name, value in content.items()))
    if not lines:
        lines.append("no record fits")
    elif given.values["more"]:
        lines.append("there are more; ask for a larger --limit, or narrow it down")
    return lines


def _words(value: Any) -> str:
    if isinstance(value, dict):
        return "(" + " ".join(f"{name} {_words(entry)}" for name, entry in value.items()) + ")"
    if isinstance(value, list):
        return "; ".join(_words(entry) for entry in value)
    return str(value)


def _attention(given: Answer, names: Names, system: str) -> list[str]:
    return [] if given.flags else ["nothing needs a look"]


def _plain(given: Answer, names: Names, system: str) -> list[str]:
    return json.dumps(given.as_dict()["values"], ensure_ascii=False, indent=2).splitlines()


_BODIES: Mapping[str, Callable[[Answer, Names, str], list[str]]] = {
    "stock": _stock,
    "cover": _cover,
    "records": _records,
    "attention": _attention,
}


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
            [(name, one.kind, one.material or "–", mass(one.safe_fill_kg, "metric")) for name, one in titled("places")],
        ),
        table(
            ("material", "kind", "family"),
            [(name, one.kind, one.family or "–") for name, one in titled("materials")],
        ),
        table(
            ("binder system", "family", "resin on sand", "speed set by"),
            [
                (name, one.family, f"{one.resin_pct:g} %", "grade" if one.lever == "grade" else "amount of catalyst")
                for name, one in titled("binder_systems")
            ],
        ),
        table(
            ("mixer", "sand", "runs"),
            [(name, f"{one.sand_kg_min:g} kg/min", ", ".join(one.binder_systems)) for name, one in titled("mixers")],
        ),
        table(
            ("measure", "mass of one", "steady error", "chance error"),
            [
                (name, f"{one.mass_kg / 1e6:g} kg", f"{one.steady_pct:g} %", f"{one.chance_pct:g} %")
                for name, one in titled("measures")
            ],
        ),
    ]
    heading = f"{shown.shop.name}, {shown.shop.time_zone}, valid from {shown.shop.valid_from}"
    return "\n".join([heading, *(line for lines in tables if len(lines) > 1 for line in ("", *lines))])


def load_result(result: Any) -> str:
    """What a load did, a line a file."""
    rows = [
        (Path(one.file).name, *(f"{count:,}" for count in (one.lines, one.new, one.known, one.refused)))
        for one in result.files
    ]
    lines = table(("file", "lines", "new", "known already", "refused"), rows)
    for problem in result.problems:
        lines += wrapped("! ", str(problem))
    if result.problem_count > len(result.problems):
        lines.append(f"! and {result.problem_count - len(result.problems):,} more bad lines")
    lines += [f"left alone, no kind of record: {name}" for name in result.skipped]
    lines += [f"bad lines written to {path}" for path in result.rejects]
    lines.append(f"{result.head.records:,} records, head of the chain {result.head.digest[:16]}")
    return "\n".join(lines)
