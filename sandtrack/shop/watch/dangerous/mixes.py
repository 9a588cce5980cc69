"""Mixes: a liquid missing, swapped or far off its ratio, sand of another family, two families in one mould."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from sandtrack.ledger import Day
from sandtrack.plant import BinderSystem
from sandtrack.shop.dosing.systems import part_1_share
from sandtrack.shop.levels import LIQUIDS
from sandtrack.shop.picture import KG, Seen
from sandtrack.shop.watch.dangerous.danger import Danger
from sandtrack.shop.watch.dangerous.evidence import Evidence
from sandtrack.shop.watch.dangerous.places import named
from sandtrack.shop.wording import kg, listed
from sandtrack.trade.families import family_named
from sandtrack.trade.family import Family, Window

_STOP = "do not pour until a competent person has checked it"


class Drawn(NamedTuple):
    """What a mix drew, by what it was."""

    sand_mg: int
    part_mg: dict[str, int]

    def mg(self, *parts: str) -> int:
        """All of some parts together."""
        total = 0
        for part in parts:
            total += self.part_mg.get(part, 0)
        return total


class Ratio(NamedTuple):
    """A ratio of a mix beside the window that it should lie in."""

    what: str
    on: str
    drawn_pct: float
    low_pct: float
    high_pct: float

    def off(self, share: float) -> bool:
        """Whether it lies outside its window by more than a share of the window's end."""
        return not self.low_pct * (1 - share) <= self.drawn_pct <= self.high_pct * (1 + share)


def bad_mix(ev: Evidence, mix: Seen | int) -> tuple[Danger, ...]:
    """A mix for moulds or cores that lacks a liquid, has two swapped, is far off its ratio, or drew what is not its.

    By its record, or by the number of that in the chain.
    """
    number = mix if isinstance(mix, int) else mix.seq
    if number not in ev.bad_mixes:
        ev.bad_mixes[number] = tuple(_bad(ev, ev.seen(mix) if isinstance(mix, int) else mix))
    return ev.bad_mixes[number]


def _bad(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    day = ev.day(seen.at)
    destination = seen.values.get("destination")
    if destination and day.find("places", destination).kind != "core_store":
        return  # thrown away: nothing is poured on it
    whole: BinderSystem = day.find("binder_systems", seen.values["binder_system"])
    system = whole.of(seen.values.get("purpose"))
    drawn = _drawn(ev, seen, day, whole)
    yield from _judged(ev, seen, day, system, drawn)
    yield from _foreign(ev, seen, day, whole)


def _drawn(ev: Evidence, seen: Seen, day: Day, system: BinderSystem) -> Drawn:
    parts = ev.parts(day, system)
    sand, by_part = 0, dict[str, int]()
    for stream in seen.values["streams"]:
        material = stream.get("material") or day.material_at(stream["place"])
        if not material:
            continue
        mass = day.mass_mg(stream["mass_kg"])
        part = parts.get(material)
        if part is not None:
            by_part[part] = by_part.get(part, 0) + mass
        elif day.is_sand(material):
            sand += mass
    return Drawn(sand, by_part)


def _judged(ev: Evidence, seen: Seen, day: Day, system: BinderSystem, drawn: Drawn) -> Iterator[Danger]:
    family = family_named(system.family)
    missing = [what for what, parts in _needed(system, family) if not drawn.mg(*parts)]
    if missing:
        text = f"{_mix(ev, seen)} has no {listed(missing)} on record: it does not cure. {_of(seen)}: {_STOP}"
        yield _danger("mix_without_catalyst", seen, text)
        return
    if not drawn.sand_mg:
        yield _danger("mix_far_off_ratio", seen, f"{_mix(ev, seen)} has no sand on record. {_of(seen)}: {_STOP}")
        return
    share = day.plant.limits.mix_off_share
    off = [ratio for ratio in _ratios(system, family, drawn) if ratio.off(share)]
    if not off:
        return
    shown = "; ".join(
        f"{_pct(ratio.drawn_pct)} {ratio.what} on {ratio.on}, window {_pct(ratio.low_pct)} to {_pct(ratio.high_pct)}"
        for ratio in off
    )
    if _swapped(system, family, drawn, share):
        text = f"{_mix(ev, seen)} has two liquids swapped ({shown}): check the tank of each pump. {_of(seen)}: {_STOP}"
        yield _danger("streams_swapped", seen, text)
        return
    yield _danger("mix_far_off_ratio", seen, f"{_mix(ev, seen)} is far off its ratio: {shown}. {_of(seen)}: {_STOP}")


def _pct(value: float) -> str:
    return f"{value:.3g} %"


def _needed(system: BinderSystem, family: Family) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Liquids that a mix of a system cannot do without, each with the parts that count for it."""
    yield ("part 1", ("part_1",)) if system.part_1 else (family.binder, ("resin",))
    if system.part_2:
        yield family.co_reactant if family.drier_window_pct is not None else "part 2", ("part_2",)
    if system.catalyst or system.grades:
        yield family.co_reactant if not system.part_2 else "catalyst", ("catalyst", "hardener")


def _ratios(system: BinderSystem, family: Family, drawn: Drawn) -> Iterator[Ratio]:
    """Each ratio of a mix that its system or family has a window for."""
    binder = drawn.mg("part_1") or drawn.mg("resin")
    all_binder = binder + drawn.mg("part_2")
    yield _ratio(
        "binder" if system.part_2 else family.binder, "sand", all_binder, drawn.sand_mg,
        system.resin_window_pct, family.resin_window_pct, system.resin_pct,
    )  # fmt: skip
    if family.drier_window_pct is None:
        lever, window = drawn.mg("catalyst", "hardener"), family.co_reactant_window_pct
    else:
        lever, window = drawn.mg("drier"), family.drier_window_pct
    if lever:
        base = family.co_reactant_base.removesuffix(" as delivered")
        what = "drier" if family.drier_window_pct is not None else family.co_reactant
        yield _ratio(what, base, lever, binder, system.catalyst_window_pct, window, system.catalyst_pct)
    if system.part_2 and family.drier_window_pct is not None:
        part_2, base = drawn.mg("part_2"), family.co_reactant_base
        yield _ratio(family.co_reactant, base, part_2, binder, None, family.co_reactant_window_pct, _part_2_pct(system))
    if system.part_2 and system.part_1 and family.part_1_share is not None:
        own = part_1_share(system)
        window, usual = family.part_1_share, None if own is None else 100 * own
        yield _ratio("part 1", "both parts", binder, all_binder, (100 * window.low, 100 * window.high), window, usual)


def _ratio(
    what: str,
    on: str,
    part_mg: int,
    base_mg: int,
    own: tuple[float, float] | None,
    family: Window,
    usual: float | None,
) -> Ratio:
    """A ratio beside the shop's own window, else the family's; a setting outside that widens it."""
    low, high = own if own is not None else (family.low, family.high)
    if usual is not None:
        low, high = min(low, usual), max(high, usual)
    return Ratio(what, on, 100.0 * part_mg / base_mg, low, high)


def _part_2_pct(system: BinderSystem) -> float | None:
    """Part 2 on part 1, as the set-up shares the binder; None where it states no share."""
    share = part_1_share(system)
    return 100 * (1 / share - 1) if share else None


def _swapped(system: BinderSystem, family: Family, drawn: Drawn, share: float) -> bool:
    """Whether the ratios would be right with binder and catalyst exchanged."""
    if system.part_2:
        return False
    lever = next(part for part in ("catalyst", "hardener") if part == "hardener" or drawn.mg(part))
    turned = Drawn(drawn.sand_mg, {"resin": drawn.mg("catalyst", "hardener"), lever: drawn.mg("resin")})
    return not any(ratio.off(share) for ratio in _ratios(system, family, turned))


def _foreign(ev: Evidence, seen: Seen, day: Day, system: BinderSystem) -> Iterator[Danger]:
    """Sand of another family, a liquid of another family, and a liquid that is not what its tank holds."""
    parts = ev.parts(day, system)
    for stream in seen.values["streams"]:
        place, own = stream["place"], day.material_at(stream["place"])
        material = stream.get("material") or own
        mass = day.mass_mg(stream["mass_kg"])
        if not material or not mass:
            continue
        entry = day.find("materials", material)
        if entry.kind == "sand":
            strange = entry.family and entry.family != system.family
            code, what = "sand_of_other_family", "residue of another binder family upsets the cure"
        elif entry.kind in LIQUIDS and own and own != material:
            strange, code, what = True, "streams_swapped", "that place is set up for another liquid"
        else:
            strange = entry.kind in LIQUIDS and material not in parts
            code, what = "liquid_of_other_family", "it belongs to another binder"
        if strange:
            drawn = (
                f"{kg(mass / KG)} of {ev.picture.name('materials', material)} from {ev.picture.name('places', place)}"
            )
            yield _danger(code, seen, f"{_mix(ev, seen)} drew {drawn}: {what}. {_of(seen)}: {_STOP}")


def _mix(ev: Evidence, seen: Seen) -> str:
    return f"{named(ev, seen)} on {ev.picture.name('mixers', seen.values['mixer'])}"


def _of(seen: Seen) -> str:
    moulds = seen.values.get("moulds", ())
    return f"Mould {moulds[0]}" if len(moulds) == 1 else f"Moulds {listed(moulds)}" if moulds else "Its cores"


def _danger(code: str, seen: Seen, text: str) -> Danger:
    moulds = tuple(seen.values.get("moulds", ()))
    return Danger(code, seen.values["mixer"], text, seen.seq, seen.at, frozenset(), moulds)


def two_families(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """A mix into a mould that holds sand of another family; the later of the two is judged."""
    family = ev.day(seen.at).find("binder_systems", seen.values["binder_system"]).family
    for mould in seen.values.get("moulds", ()):
        for fill in ev.filled(mould, seen.at):
            if fill.kind != "mix" or fill.record == seen.seq:
                continue
            before = ev.seen(fill.record)
            other = ev.day(before.at).find("binder_systems", before.values["binder_system"]).family
            if other != family:
                names = " and ".join(sorted(name.replace("_", " ") for name in (family, other)))
                why = f"one upsets the cure of the other; {_STOP}"
                text = f"mould {mould} holds sand of {names} ({named(ev, seen)}): {why}"
                yield Danger("two_families", mould, text, seen.seq, seen.at, frozenset({before.seq}), (mould,))
