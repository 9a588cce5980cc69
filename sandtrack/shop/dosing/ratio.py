"""Whether what a mix drew can make sound sand at all: no catalyst, no binder, or far off every ratio of its family."""

from __future__ import annotations

from collections.abc import Iterator

from sandtrack.shop.answer import Flag
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.trade.family import Window

# practice: half the low end of a window or twice its high end is no setting that somebody chose.
FAR = 2.0

_UNTIL_CHECKED = "do not pour until a competent person has checked it"


def wrong(picture: Picture, system: System, mix: Seen) -> Iterator[Flag]:
    """Flags of a mix whose sand may never cure as it should; none where its streams do not tell what they are."""
    day, sand_kg, liquids = picture.setups.on(mix.at), 0.0, dict.fromkeys(system.liquids, 0.0)
    for stream in mix.values["streams"]:
        kg = day.mass_mg(stream["mass_kg"]) / KG
        material = stream.get("material") or day.material_at(stream["place"])
        if kg and not material:
            return
        if kg and day.is_sand(material):
            sand_kg += kg
        for name, own in system.liquids.items():
            liquids[name] += kg if own == material else 0.0
    if not sand_kg:
        return
    binder, *hardeners = _parts(system)
    parts = sum(liquids[name] for name in binder)
    if not parts:
        yield _flag("mix_far_off_ratio", f"mix {mix.id} drew no {system.family.binder}", mix)
        return
    for word, names in hardeners:
        if not sum(liquids[name] for name in names):
            yield _flag("mix_without_catalyst", f"mix {mix.id} drew no {word}", mix)
            return
    base = liquids[binder[0]]
    on_sand = base if system.family.drier_window_pct is not None else parts
    yield from _far(mix, system.family.binder, 100 * on_sand / sand_kg, system.family.resin_window_pct)
    lever = system.family.co_reactant_window_pct
    amount = sum(liquids[name] for name in hardeners[-1][1])
    yield from _far(mix, system.family.co_reactant, 100 * amount / base, lever)


def _parts(system: System) -> tuple[tuple[str, ...], *tuple[tuple[str, tuple[str, ...]], ...]]:
    """Liquids that are the binder, its base first; then each liquid that must be there for a cure, the amount last."""
    family = system.family
    if family.part_1_share is not None:
        return ("part_1", "part_2"), ("part 2", ("part_2",)), (family.co_reactant, ("catalyst",))
    if family.drier_window_pct is not None:
        return ("resin",), (family.co_reactant, ("co_reactant",))
    if family.lever == "grade":
        return ("resin",), (family.co_reactant, ("slow", "fast"))
    return ("resin",), (family.co_reactant, ("catalyst",))


def _far(mix: Seen, word: str, pct: float, window: Window) -> Iterator[Flag]:
    if not window.low / FAR <= pct <= window.high * FAR:
        text = f"mix {mix.id} had {pct:.3g} % {word}, where {window.low:g} to {window.high:g} % is usual"
        yield _flag("mix_far_off_ratio", text, mix)


def _flag(code: str, text: str, mix: Seen) -> Flag:
    return Flag(code, f"{text}: {_UNTIL_CHECKED}", mix.id)
