"""Places: a wrong material put in, liquids that react, draws from what is blocked, more than a place may hold."""

from __future__ import annotations

from collections.abc import Iterator

from sandtrack.ledger import Day
from sandtrack.ledger.around import Cause
from sandtrack.shop.levels import LIQUIDS, is_tank
from sandtrack.shop.picture import KG, Seen
from sandtrack.shop.watch.dangerous.danger import Danger
from sandtrack.shop.watch.dangerous.evidence import REACH_US, Evidence
from sandtrack.shop.watch.dangerous.moves import INTO, Into, into, out_of
from sandtrack.shop.wording import clock, kg
from sandtrack.trade.reactions import reaction

FAR_OVER_SHARE = 0.25
"""A fill this far above a place's safe fill is a slip of the pen, or an accident. practice"""
FAR_OVER_ORDER = 3.0
"""A delivery of more than so many usual ones is a slip of the pen. practice"""


_CHECK = " until a competent person has released it"
_ASK = "; find out what has met what, and ask the supplier"
"""Of liquids nobody is advised to have the place released."""


def named(ev: Evidence, seen: Seen) -> str:
    """A record, for people."""
    return f"{seen.kind.replace('_', ' ')} {seen.id} of {clock(seen.at, ev.picture.zone)}"


def wrong_material(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """A material put into a place that is set up for another, and liquids that react with what is there."""
    if seen.kind not in INTO:
        return
    day = ev.day(seen.at)
    for came in into(seen, day):
        yield from _meets(ev, seen, day, came)
        if is_wrong(seen, day, came):
            put = ev.picture.name("materials", came.material) if came.material else _family(came.family)
            place, own = ev.picture.name("places", came.place), day.material_at(came.place)
            liquid = day.find("materials", own).kind in LIQUIDS
            yield Danger(
                "wrong_material",
                came.place,
                f"{put} went into {place}, which is set up for {ev.picture.name('materials', own)} "
                f"({named(ev, seen)}): do not draw from it{_ASK if liquid else _CHECK}",
                seen.seq,
                seen.at,
            )


def is_wrong(seen: Seen, day: Day, came: Into) -> bool:
    """Whether what came is not what its place is for; sand of a mix or run only by its family and the place's role."""
    own = day.material_at(came.place)
    if not own:
        return False
    if seen.kind in ("delivery", "transfer"):
        return came.material != own
    entry = day.find("materials", own)
    if entry.kind != "sand" or (entry.role == "new" and day.find("places", came.place).kind != "skip"):
        return True
    return bool(entry.family and came.family and entry.family != came.family)


def _family(family: str) -> str:
    return f"sand of {family.replace('_', ' ')}"


def _meets(ev: Evidence, seen: Seen, day: Day, came: Into) -> Iterator[Danger]:
    """A liquid that came into a place where one that reacts with it is held, or belongs."""
    if not came.material or day.find("materials", came.material).kind not in LIQUIDS:
        return
    mine = ev.liquid_class(day, came.material)
    for other in dict.fromkeys([day.material_at(came.place), *ev.met(came.place)]):
        if not other or other == came.material or day.find("materials", other).kind not in LIQUIDS:
            continue
        what = reaction(mine, ev.liquid_class(day, other))
        if what is None:
            continue
        belongs = other == day.material_at(came.place)
        if not belongs and ev.reader.stock_mg(came.place, other, seen.at) <= 0:
            continue
        place = ev.picture.name("places", came.place)
        yield Danger(
            "resin_meets_acid",
            came.place,
            f"{ev.picture.name('materials', came.material)} came to {ev.picture.name('materials', other)} in {place} "
            f"({named(ev, seen)}): {what.what}. Keep people away; watch for heat and pressure; do not seal, draw, "
            "rinse or top up; ask the supplier now",
            seen.seq,
            seen.at,
            frozenset() if belongs else frozenset(_brought(ev, came.place, other, seen)),
        )


def _brought(ev: Evidence, place: str, material: str, seen: Seen) -> Iterator[int]:
    """Records that had brought a material into a place."""
    for before in ev.naming(("delivery", "transfer"), seen.at - REACH_US, seen.at, place):
        if any(came.place == place and came.material == material for came in into(before, ev.day(before.at))):
            yield before.seq


def blocked_place_drawn(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """A draw from a place or lot that was blocked, or from a place that was wrongly filled."""
    day = ev.day(seen.at)
    draws = dict.fromkeys((draw.place, draw.lot) for draw in out_of(seen, day))
    ev.look_up(
        key for place, lot in draws for key in ((("place", place), ("lot", lot)) if lot else (("place", place),))
    )
    for place, lot in draws:
        cause = ev.blocked("place", place, seen.at) or (ev.blocked("lot", lot, seen.at) if lot else None)
        if cause is not None:
            why, record = _why(ev, cause), cause.record
        else:
            filled = wrongly_filled(ev, place, day, seen)
            if filled is None:
                continue
            why, record = f"{named(ev, filled)} had put a wrong material into it", filled.seq
        yield Danger(
            "blocked_place_drawn",
            place,
            f"{ev.picture.name('places', place)} was drawn from while it was blocked ({named(ev, seen)}): {why}",
            seen.seq,
            seen.at,
            frozenset({record}) - {seen.seq},
            tuple(seen.values.get("moulds", ())),
        )


def _why(ev: Evidence, cause: Cause) -> str:
    seen = ev.seen(cause.record)
    reason = seen.values.get("reason")
    return f"held: {reason}" if reason else f"{cause.code.replace('_', ' ')} ({named(ev, seen)})"


def wrongly_filled(ev: Evidence, place: str, day: Day, seen: Seen) -> Seen | None:
    """A mix or run that put sand of another family into a place, which nobody has released since."""
    own = day.material_at(place)
    entry = day.find("materials", own) if own else None
    if entry is None or entry.kind != "sand" or not (entry.family or entry.role == "new"):
        return None
    if not ev.strange_met(day, place, own):
        return None
    released = [cause for cause in ev.causes("place", place) if cause.code == "released" and cause.at <= seen.at]
    before: Seen
    for before in reversed(ev.naming(("reclaim_run", "mix"), seen.at - REACH_US, seen.at, place)):
        if before.seq == seen.seq or any(cause.record > before.seq for cause in released):
            continue
        then = ev.day(before.at)
        if any(came.place == place and is_wrong(before, then, came) for came in into(before, then)):
            return before
    return None


def over_mark(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """More in a place than it may hold, after something came into it."""
    day = ev.day(seen.at)
    places = [seen.values["place"]] if seen.kind == "count" else [came.place for came in into(seen, day)]
    for place in dict.fromkeys(places):
        entry = day.find("places", place)
        most = entry.safe_fill_kg
        if most is None:
            continue
        holds = sum(ev.reader.stock_mg(place, held, seen.at) for held in ev.met(place)) / KG
        if holds <= most * (1 + 1e-9):
            continue
        name = ev.picture.name("places", place)
        if is_tank(day, place):
            code, text = (
                "tank_over_mark",
                (
                    f"{name} holds {kg(holds)} in the book, past its mark of {kg(most)} ({named(ev, seen)}): stop "
                    "filling; look for a spill in the bund; do not climb on it or put anything back into it"
                ),
            )
        else:
            code, text = (
                "over_safe_fill",
                (
                    f"{name} holds {kg(holds)} in the book, above its safe fill of {kg(most)} ({named(ev, seen)}): "
                    "stop filling; check its level and filter"
                ),
            )
        yield Danger(code, place, text, seen.seq, seen.at)
        if holds > most * (1 + FAR_OVER_SHARE) and seen.kind == "delivery":
            text = f"{named(ev, seen)} would leave {kg(holds)} in {name}, which takes {kg(most)}: check mass and place"
            yield Danger("mass_implausible", place, text, seen.seq, seen.at)


def mass_implausible(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """A delivery that is far from what the place usually takes."""
    day = ev.day(seen.at)
    place = seen.values["place"]
    if seen.values.get("material", "") not in ("", day.material_at(place)):
        return  # what is usual is so of the place's own material
    usual = day.find("places", place).order_size_kg
    if usual is None:
        return
    mass = seen.values.get("mass_kg")
    brought = day.mass_mg(seen.values["gross_kg"] - seen.values["tare_kg"] if mass is None else mass) / KG
    least = day.plant.limits.delivery_least_share * usual
    if least <= brought <= FAR_OVER_ORDER * usual:
        return
    yield Danger(
        "mass_implausible",
        place,
        f"{named(ev, seen)} brought {kg(brought)} to {ev.picture.name('places', place)}, where a delivery is usually "
        f"{kg(usual)}: are number, unit and place right?",
        seen.seq,
        seen.at,
    )
