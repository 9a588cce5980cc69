"""Which moulds stand, what they hold, what was seen of them, and when the last sand in each can be drawn."""

from __future__ import annotations

from typing import Any

from sandtrack.shop import blocks, dangers
from sandtrack.shop.answer import Answer, Basis, Range
from sandtrack.shop.dosing.learned import STARTING
from sandtrack.shop.moulds.clocks import Clocks
from sandtrack.shop.moulds.looks import look_for_checks
from sandtrack.shop.moulds.standing import Mould, contents, look_at, look_for_pours, standing
from sandtrack.shop.moulds.states import strip
from sandtrack.shop.picture import Picture


def moulds(picture: Picture) -> Answer:
    """Every mould that holds something at the instant, the one that stands longest first.

    Values: `moulds` {number: {`standing_since`, `last_sand_at` (the end of its last mix; None without one),
    `contents_kg` {material: kg}, `mixers`, `binder_systems`, `purposes`, `patterns`, `mixes` (ids), `poured`,
    `poured_at`, `held`, `strip_from`, `strip_by` (clock times of the low and high end of the range),
    `chance_stripped`, `state` (poured, held, in_doubt, still_soft, found_firm, past_strip_estimate,
    past_middle_of_estimate, before_strip_estimate, not_known: the first that fits), `state_words`}}. Ranges:
    `strip_time_min.NUMBER`, from the mould's last mix. A mould that was checked goes by what was seen of it, and its
    range is what that leaves of the estimate; one whose sand may never cure as it should has none.
    """
    open_moulds = sorted(standing(picture), key=lambda mould: (mould.since, mould.number))
    look_for_pours(picture, open_moulds)
    look_for_checks(picture, open_moulds)
    blocked = [block for block in blocks.blocked(picture) if block.what == "mould"]
    held = {block.key for block in blocked}
    ranges: dict[str, Range] = {}
    clocks = Clocks(picture, (mix for mould in open_moulds for mix in mould.mixes))
    for mould in open_moulds:
        mould.held = mould.number in held
        look_at(picture, mould)
        for mix in mould.mixes:
            clocks.ask(mould, mix)
    clocks.answer()
    entries: dict[str, dict[str, Any]] = {}
    for mould in open_moulds:
        entries[mould.number] = {**contents(picture, mould), **strip(picture, mould, clocks.of(mould), ranges)}
    flags = [flag for mould in open_moulds for flag in mould.flags]
    flags += [block.flag for block in blocked if block.key in entries]
    flags += [flag for law in clocks.laws.values() for flag in law.flags()]
    learned = "; ".join(f"{law.system.name}: {law.basis(picture).value}" for law in clocks.laws.values())
    return Answer(
        question="moulds",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"moulds": entries},
        ranges=ranges,
        basis=(
            Basis("contents", "what was booked into each mould since its last knock-out", "record", picture.head),
            Basis(
                "strip times",
                "from the end of each mix, by its own sand temperature and the catalyst that it really drew; of "
                "several mixes the slowest counts; later where air colder than the sand was measured since; of a "
                "mould that was checked, what the check leaves of it",
                "derived",
                learned or STARTING,
            ),
        ),
        flags=tuple(flags),
        cautions=dangers.cautions("moulds", _families(picture, open_moulds), [flag.code for flag in flags]),
        head=picture.head,
    )


def _families(picture: Picture, open_moulds: list[Mould]) -> set[str]:
    """Binder families in the moulds that stand."""
    used = {(mix.at, mix.values["binder_system"]) for mould in open_moulds for mix in mould.mixes}
    return {picture.setups.on(at).find("binder_systems", key).family for at, key in used}
