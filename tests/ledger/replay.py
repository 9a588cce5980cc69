"""A book kept the slow way: everything replayed in order of happening, with plain dictionaries.

Written from the rules of the ledger, not from its code, and compared with it over random histories.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import Any

OUT = ("supplier", "carried_out", "off_site", "consumed", "conversion")


@dataclass(frozen=True)
class Told:
    """One accepted record: what was sent, when it happened, when it was recorded."""

    seq: int
    kind: str
    sender: str
    id: str
    at: int
    content: dict[str, Any]
    recorded_day: str


@dataclass(frozen=True)
class SetUp:
    """A revision of the set-up as it was sent."""

    seq: int
    valid_from: int
    content: dict[str, Any]


@dataclass
class Book:
    """What a replay leads to: every event's movements in order, stocks and moulds after each, differences at counts."""

    events: list[tuple[int, str, int, list[tuple[Any, ...]]]] = field(default_factory=list)
    steps: list[tuple[int, dict[Any, int], dict[str, dict[str, int]]]] = field(default_factory=list)
    differences: list[tuple[str, str, int, int | None, int, int]] = field(default_factory=list)
    met: set[tuple[str, str]] = field(default_factory=set)

    def state(self, at: int) -> tuple[dict[Any, int], dict[str, dict[str, int]]]:
        """Stocks and moulds after everything up to an instant."""
        found: tuple[dict[Any, int], dict[str, dict[str, int]]] = ({}, {})
        for instant, stock, moulds in self.steps:
            if instant > at:
                break
            found = (stock, moulds)
        return found

    def flows(self, after: int, until: int) -> dict[tuple[Any, ...], tuple[int, int, int]]:
        """Records, mass and squares of whole grams by (kind, source, target, material, measure, set-up)."""
        totals: dict[tuple[Any, ...], list[int]] = defaultdict(lambda: [0, 0, 0])
        for at, kind, revision, moves in self.events:
            lines: dict[tuple[Any, ...], int] = defaultdict(int)
            for source, target, material, mass, mould, measure in moves if after < at <= until else ():
                lines[(kind, source, target, material, measure or "", revision if measure else 0), mould] += mass
            for key in {key for (key, _), mass in lines.items() if mass}:
                totals[key][0] += 1
            for (key, _), mass in lines.items():
                grams = int(Decimal(mass).scaleb(-3).to_integral_value(ROUND_HALF_EVEN))
                totals[key][1] += mass
                totals[key][2] += grams * grams
        return {key: tuple(total) for key, total in totals.items() if any(total)}


class Shop:
    """The set-ups through time, and what a record moves under the one that holds at its instant."""

    def __init__(self, set_ups: list[SetUp]) -> None:
        self.set_ups = set_ups

    def on(self, at: int) -> SetUp:
        """The revision that began last before an instant; before all, the one that began first."""
        by_start = sorted(self.set_ups, key=lambda one: (one.valid_from, one.seq))
        return [one for one in by_start if one.valid_from <= at][-1] if by_start[0].valid_from <= at else by_start[0]

    def entry(self, at: int, section: str, key: str) -> dict[str, Any]:
        """What a key means on that day, or meant in the earliest revision that has it."""
        for one in (self.on(at), *self.set_ups):
            if key in one.content[section]:
                return one.content[section][key]
        raise KeyError(key)

    def own(self, at: int, place: str) -> str:
        return self.entry(at, "places", place).get("material", "")

    def sand(self, at: int, material: str) -> bool:
        return material != "" and self.entry(at, "materials", material)["kind"] == "sand"

    def mass(self, at: int, content: dict[str, Any], name: str) -> tuple[int, str | None]:
        """Milligrams of a mass, and the measure it was told in."""
        if f"{name}_amount" in content:
            measure = content[f"{name}_measure"]
            per_one = Decimal(str(self.entry(at, "measures", measure)["mass_kg"]))
            kilograms = Decimal(str(content[f"{name}_amount"])) * per_one
            return int((kilograms * 10**6).to_integral_value(ROUND_HALF_EVEN)), measure
        return int(Decimal(str(content[f"{name}_kg"])) * 10**6), None

    def into(self, at: int, source: str, place: str, material: str, mass: int, measure: str | None) -> list[Any]:
        """Sand into a place becomes that place's sand."""
        if source == place:
            return []
        return [(source, place, material, mass, None, measure), *self.become(at, place, material, mass)]

    def become(self, at: int, place: str, material: str, mass: int) -> list[Any]:
        own = self.own(at, place)
        if own == material or not self.sand(at, own) or not self.sand(at, material):
            return []
        return [(place, "conversion", material, mass, None, None), ("conversion", place, own, mass, None, None)]

    def moves(self, told: Told, moulds: dict[str, dict[str, int]]) -> list[Any]:
        """What a record moves, given what the moulds hold when it happens."""
        at, sent = told.at, told.content
        book = getattr(self, f"_{told.kind}", None)
        return [move for move in book(at, sent, moulds) if move[3]] if book else []

    def _delivery(self, at: int, sent: Any, moulds: Any) -> list[Any]:
        if "gross_kg" in sent:
            mass, measure = self.mass(at, sent, "gross")[0] - self.mass(at, sent, "tare")[0], None
        else:
            mass, measure = self.mass(at, sent, "mass")
        return [("supplier", sent["place"], sent.get("material") or self.own(at, sent["place"]), mass, None, measure)]

    def _transfer(self, at: int, sent: Any, moulds: Any) -> list[Any]:
        mass, measure = self.mass(at, sent, "mass")
        material = sent.get("material") or self.own(at, sent["source"])
        return [(sent["source"], sent.get("target", "moulds"), material, mass, sent.get("mould"), measure)]

    def _disposal(self, at: int, sent: Any, moulds: Any) -> list[Any]:
        mass, measure = self.mass(at, sent, "mass")
        return [(sent["place"], "off_site", sent.get("material") or self.own(at, sent["place"]), mass, None, measure)]

    def _mix(self, at: int, sent: Any, moulds: Any) -> list[Any]:
        found: list[Any] = []
        for stream in sent["streams"]:
            place = stream["place"]
            mass, measure = self.mass(at, stream, "mass")
            material = stream.get("material") or self.own(at, place)
            if "destination" not in sent:
                parts = self._shared(at, sent, mass)
                found += [(place, "moulds", material, part, mould, measure) for mould, part in parts]
            elif self.sand(at, material):
                found += self.into(at, place, sent["destination"], material, mass, measure)
            else:
                found.append((place, "consumed", material, mass, None, measure))
        return found

    def _shared(self, at: int, sent: Any, mass: int) -> list[tuple[str, int]]:
        numbers = sent["moulds"]
        if "shares" in sent:
            weights = [Fraction(str(share)) for share in sent["shares"]]
        elif "patterns" in sent:
            weights = [Fraction(str(self.entry(at, "patterns", key)["box_sand_kg"])) for key in sent["patterns"]]
        else:
            weights = [Fraction(1)] * len(numbers)
        parts = [int(mass * weight / sum(weights)) for weight in weights]
        parts[0] += mass - sum(parts)
        return list(zip(numbers, parts, strict=True))

    def _ending(self, at: int, sent: Any, moulds: dict[str, dict[str, int]]) -> list[Any]:
        found: list[Any] = []
        for mould in sent["moulds"]:
            for material, mass in moulds.get(mould, {}).items():
                if self.sand(at, material):
                    found.append(("moulds", sent["to"], material, mass, mould, None))
                    found += self.become(at, sent["to"], material, mass)
                else:
                    found.append(("moulds", "consumed", material, mass, mould, None))
        return found

    def _mould_scrap(self, at: int, sent: Any, moulds: Any) -> list[Any]:
        return self._ending(at, sent, moulds)

    def _knock_out(self, at: int, sent: Any, moulds: Any) -> list[Any]:
        found = self._ending(at, sent, moulds)
        if "carried_out_kg" in sent or "carried_out_amount" in sent:
            mass, measure = self.mass(at, sent, "carried_out")
            found.append((sent["to"], "carried_out", self.own(at, sent["to"]), mass, None, measure))
        return found

    def _reclaim_run(self, at: int, sent: Any, moulds: Any) -> list[Any]:
        out = [
            (sent[to], *self.mass(at, sent, what))
            for what, to in (("returned", "to"), ("lumps", "lumps_to"), ("dust", "dust_to"))
            if to in sent and (f"{what}_kg" in sent or f"{what}_amount" in sent)
        ]
        source, machine = sent["source"], sent["reclaimer"]
        told = "fed_kg" in sent or "fed_amount" in sent
        fed, measure = self.mass(at, sent, "fed") if told else (sum(mass for _, mass, _ in out), None)
        found = self.into(at, source, machine, self.own(at, source), fed, measure)
        for to, mass, measure in out:
            found += self.into(at, machine, to, self.own(at, machine), mass, measure)
        return found


_RANK = {"knock_out": 1, "mould_scrap": 1, "count": 2}


def replay(records: list[Told], shop: Shop) -> Book:
    """Replay all but what was withdrawn, in order of happening: movements, endings, counts; ties by sender and id."""
    # Twice: an empty place is counted empty of every material, also of one that comes only later.
    return _walk(records, shop, _walk(records, shop, set()).met)


def _walk(records: list[Told], shop: Shop, known: set[tuple[str, str]]) -> Book:
    withdrawn = {(one.content["of"]["sender"], one.content["of"]["id"]) for one in records if one.kind == "reversal"}
    alive = [one for one in records if (one.sender, one.id) not in withdrawn]
    book = Book(met={*known})
    stock: dict[tuple[str, str], int] = defaultdict(int)
    counted: dict[tuple[str, str], int] = {}
    moulds: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for told in sorted(alive, key=lambda one: (one.at, _RANK.get(one.kind, 0), one.sender, one.id)):
        moves = shop.moves(told, moulds)
        for source, target, material, mass, mould, _ in moves:
            stock[source, material] -= mass
            stock[target, material] += mass
            book.met |= {(source, material), (target, material)}
            if mould is not None:
                moulds[mould][material] += mass if target == "moulds" else -mass
        if told.kind == "count":
            for key, mass in _found(told, shop, book.met).items():
                book.differences.append((*key, told.at, counted.get(key), mass, stock[key]))
                stock[key], counted[key] = mass, told.at
        held = {mould: {name: mass for name, mass in inside.items() if mass} for mould, inside in moulds.items()}
        book.events.append((told.at, told.kind, shop.on(told.at).seq, moves))
        book.steps.append((told.at, dict(stock), {mould: inside for mould, inside in held.items() if inside}))
    return book


def _found(told: Told, shop: Shop, met: set[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """What a count found: one material, or nothing of any."""
    place = told.content["place"]
    if told.content.get("empty"):
        return {key: 0 for key in sorted(met) if key[0] == place}
    met.add(key := (place, told.content.get("material") or shop.own(told.at, place)))
    return {key: shop.mass(told.at, told.content, "mass")[0]}
