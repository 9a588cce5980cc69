"""The balance of a period: what was there, came, went and is there now, and what no record explains."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sandtrack.ledger import Difference, Flow
from sandtrack.plant import MOULDS, OUTSIDE
from sandtrack.records import times
from sandtrack.shop.answer import Answer, Basis, Flag
from sandtrack.shop.circuit.circuits import Circuit, circuits
from sandtrack.shop.circuit.residue import binder_residue
from sandtrack.shop.circuit.unexplained import difference_flags, unexplained
from sandtrack.shop.picture import KG, Picture

Held = tuple[str, str]


def balance(picture: Picture, since_us: int, until_us: int) -> Answer:
    """The balance of a period by place and material, of the whole shop's sand, and of each circuit of sand.

    Values: `balance_kg` {place: {material: opening_kg, in_kg, out_kg, differences_kg, closing_kg, in_by_kind,
    out_by_kind}} with closing = opening + in − out + differences; `outside_kg` {place outside: {material: in_kg,
    out_kg}}; `sand_kg` (the shop's) and `circuits_kg` {circuit: …} with opening + delivered + came in = closing + left
    + unexplained; `binder_residue`; `unexplained`, a list of what counts found; `closes`, whether every line closes to
    the milligram.
    """
    flows = picture.reader.flows(since_us - 1, until_us)
    found = picture.reader.differences(since_us - 1, until_us)
    lines = _lines(picture, flows, found, since_us - 1, until_us)
    closes = all(line.closes for line in lines.values())
    told = [one for one in unexplained(picture, found) if one.mass_mg]
    sand = {key: line for key, line in lines.items() if picture.day.is_sand(key[1])}
    sand_flows = [flow for flow in flows if picture.day.is_sand(flow.material)]
    flags = list(difference_flags(picture, told))
    if not closes:
        flags.append(Flag("does_not_close", "the balance does not close: verify the shop file before using it"))
    return Answer(
        question="balance",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={
            "since": times.show(since_us, picture.zone),
            "until": times.show(until_us, picture.zone),
            "balance_kg": _by_place(lines),
            "outside_kg": _outside(flows),
            "sand_kg": _sand(sand, sand_flows, None),
            "circuits_kg": {circuit.key: _sand(sand, sand_flows, circuit) for circuit in circuits(picture, sand_flows)},
            "binder_residue": binder_residue(picture, sand_flows, since_us, until_us),
            "unexplained": [one.told(picture) for one in told],
            "closes": closes,
        },
        basis=(
            Basis("book", "closing = opening + in − out + differences found at counts", "record", picture.head),
            Basis(
                "unexplained",
                "counted less booked, at counts within the period; it may have accrued since the count before",
                "record",
                picture.head,
            ),
            Basis(
                "warned of",
                f"differences above {picture.plant.limits.loss_warn_pct:g} % of what moved (the larger of in and out) "
                "and above the stated errors of both counts",
                "set-up",
                "limits.loss_warn_pct",
            ),
        ),
        flags=tuple(flags),
        head=picture.head,
    )


class Line:
    """One material in one place over the period. [mg]"""

    def __init__(self, opening: int, closing: int) -> None:
        self.opening, self.closing, self.differences = opening, closing, 0
        self.first_count = 0
        self.into: dict[str, int] = {}
        self.out: dict[str, int] = {}

    @property
    def closes(self) -> bool:
        return self.closing == self.opening + sum(self.into.values()) - sum(self.out.values()) + self.differences

    def told(self) -> dict[str, Any]:
        return {
            "opening_kg": self.opening / KG,
            "in_kg": sum(self.into.values()) / KG,
            "out_kg": sum(self.out.values()) / KG,
            "differences_kg": self.differences / KG,
            "first_count_kg": self.first_count / KG,
            "closing_kg": self.closing / KG,
            "in_by_kind": {kind: mass / KG for kind, mass in sorted(self.into.items())},
            "out_by_kind": {kind: mass / KG for kind, mass in sorted(self.out.items())},
        }


def _lines(
    picture: Picture, flows: Iterable[Flow], found: Iterable[Difference], after: int, until: int
) -> dict[Held, Line]:
    reader = picture.reader
    lines = {
        (place, material): Line(reader.stock_mg(place, material, after), reader.stock_mg(place, material, until))
        for place, material in reader.holdings()
        if place not in OUTSIDE
    }
    for flow in flows:
        if flow.target not in OUTSIDE:
            into = lines[(flow.target, flow.material)].into
            into[flow.kind] = into.get(flow.kind, 0) + flow.mass_mg
        if flow.source not in OUTSIDE:
            out = lines[(flow.source, flow.material)].out
            out[flow.kind] = out.get(flow.kind, 0) + flow.mass_mg
    for difference in found:
        line = lines[(difference.place, difference.material)]
        line.differences += difference.mass_mg
        line.first_count += difference.mass_mg if difference.since is None else 0
    return {key: line for key, line in lines.items() if line.opening or line.closing or line.into or line.out}


def _by_place(lines: Mapping[Held, Line]) -> dict[str, dict[str, Any]]:
    placed: dict[str, dict[str, Any]] = {}
    for (place, material), line in lines.items():
        placed.setdefault(place, {})[material] = line.told()
    return placed


def _outside(flows: Iterable[Flow]) -> dict[str, dict[str, dict[str, float]]]:
    """What went to each place outside, and came from it, by material."""
    totals: dict[str, dict[str, list[int]]] = {place: {} for place in OUTSIDE}
    for flow in flows:
        for side, place in enumerate((flow.target, flow.source)):
            if place in OUTSIDE:
                totals[place].setdefault(flow.material, [0, 0])[side] += flow.mass_mg
    return {
        place: {material: {"in_kg": mass[0] / KG, "out_kg": mass[1] / KG} for material, mass in sorted(by.items())}
        for place, by in totals.items()
    }


def _sand(lines: Mapping[Held, Line], flows: Iterable[Flow], circuit: Circuit | None) -> dict[str, Any]:
    """All sand of the shop, or of a circuit's places: opening + delivered + came in = closing + left + unexplained.

    A circuit shares moulds, new sand and skips with others: sand to and from those is told as such.
    """
    inside = circuit.places if circuit else {place for place, _ in lines}
    came: dict[str, int] = {}
    left: dict[str, int] = {}
    for flow in flows:
        if flow.target in inside and flow.source not in inside and flow.source != "conversion":
            name = _from(flow.source)
            came[name] = came.get(name, 0) + flow.mass_mg
        if flow.source in inside and flow.target not in inside and flow.target != "conversion":
            name = _to(flow.target)
            left[name] = left.get(name, 0) + flow.mass_mg
    own = [line for (place, _), line in lines.items() if place in inside]
    opening, closing = sum(line.opening for line in own), sum(line.closing for line in own)
    first = sum(line.first_count for line in own)
    missing = -sum(line.differences for line in own) + first
    return {
        "opening_kg": opening / KG,
        "delivered_kg": came.pop("delivered", 0) / KG,
        "first_count_kg": first / KG,
        "came_in_kg": {name: mass / KG for name, mass in sorted(came.items())},
        "left_kg": {name: mass / KG for name, mass in sorted(left.items())},
        "unexplained_kg": missing / KG,
        "closing_kg": closing / KG,
    }


def _from(source: str) -> str:
    return {"supplier": "delivered", MOULDS: "from_moulds"}.get(source, f"from_{source}")


def _to(target: str) -> str:
    return {MOULDS: "to_moulds"}.get(target, target if target in OUTSIDE else f"to_{target}")
