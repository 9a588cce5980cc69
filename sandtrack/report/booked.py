"""What was booked, as text: on receipts, and at the end of a load; in the units of the shop."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from sandtrack import units
from sandtrack.report.text import NOT_COUNTED, Names, day, mass, table, wrapped
from sandtrack.shop.answer import Booked, BookedAfter, BookedMove

_OUTSIDE = {
    "supplier": "supplier",
    "off_site": "off site",
    "carried_out": "gone with the castings",
    "moulds": "moulds",
}


def booked(given: Booked, names: Names, system: str) -> list[str]:
    """Lines of a receipt: what went where, what is there now, and the other numbers as they were read."""
    lines = [f"  at      {day(given.at)}"] if given.at else []
    lines += [line for move in given.moves for line in wrapped("  booked  ", _move(move, names, system))]
    read = {name: value for name, value in given.read.items() if not (given.moves and _is_mass(name))}
    numbers = ", ".join(_numbers(read, system))
    lines += wrapped("  read    ", numbers) if numbers else []
    return lines + [line for after in given.after for line in wrapped("  after   ", _after(after, names, system))]


def _move(move: BookedMove, names: Names, system: str) -> str:
    back = "taken back: " if move.mass_kg < 0 else ""
    source, target = (_OUTSIDE.get(place) or names("places", place) for place in (move.source, move.target))
    which = f" {', '.join(move.moulds)}" if move.moulds else ""
    source += which if move.source == "moulds" else ""
    target += which if move.target == "moulds" else ""
    to = ", used up" if move.target == "consumed" else f" to {target}"
    return f"{back}{mass(abs(move.mass_kg), system)} {names('materials', move.material)}, from {source}{to}"


def _after(after: BookedAfter, names: Names, system: str) -> str:
    what = f"{names('places', after.place)}: "
    if after.stock_kg is None:
        return f"{what}{NOT_COUNTED}, so its stock and room are not known"
    room = "" if after.room_kg is None else f", room for {mass(after.room_kg, system)}"
    return f"{what}{mass(after.stock_kg, system)} {names('materials', after.material)}{room}"


def _is_mass(name: str) -> bool:
    return _unit(name)[0] == "mass"


def _unit(name: str) -> tuple[str, str]:
    """Quantity and unit that a name ends in."""
    ending = max((end for end in units.SUFFIXES if name.endswith(f"_{end}")), key=len, default="")
    return units.SUFFIXES.get(ending, ("", ""))


def _numbers(read: Mapping[str, float], system: str) -> Iterator[str]:
    for name, value in read.items():
        quantity, unit = _unit(name)
        if quantity:
            ending = max((end for end in units.SUFFIXES if name.endswith(f"_{end}")), key=len)
            canonical = units.parse(value, quantity, field=name, unit=unit)
            what = name.removesuffix(f"_{ending}").replace("_", " ").replace(" temp", " temperature")
            yield f"{what} {units.show(canonical, quantity, system=system)}"
        else:
            yield f"{name.replace('_', ' ')} {value:g}"


def moved(rows: Iterable[tuple[str, float, float]], names: Names, system: str) -> list[str]:
    """What a load brought into places and took out of them, a line a material."""
    listed = [
        (names("materials", material), mass(into, system) if into else "–", mass(out, system) if out else "–")
        for material, into, out in rows
    ]
    return table(("material", "into places", "out of places"), listed) if listed else []
