"""Moulds that stand: what filled each since it was last emptied, and what of that deserves a look."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sandtrack.ledger.around import ended_before, fills
from sandtrack.ledger.reading import LONG_AGO
from sandtrack.records import times
from sandtrack.shop.answer import Flag
from sandtrack.shop.moulds.looks import Looks
from sandtrack.shop.picture import KG, Picture, Seen

_HOUR = 3_600_000_000


@dataclass
class Mould:
    """One mould in its present life, since its last knock-out."""

    number: str
    held_mg: Mapping[str, int]
    ended_at: int | None
    filled: list[Seen]
    poured_at: int | None = None
    held: bool = False
    in_doubt: list[str] = field(default_factory=list)
    """Why its sand may not cure as an estimate says, whatever the time; empty where nothing speaks against it."""
    looks: Looks = field(default_factory=Looks)
    flags: list[Flag] = field(default_factory=list)

    @property
    def mixes(self) -> list[Seen]:
        return [seen for seen in self.filled if seen.kind == "mix"]

    @property
    def since(self) -> int:
        return self.filled[0].at

    @property
    def last_sand_at(self) -> int | None:
        """When its last mix ended: a core that is placed later brings no sand that has to cure."""
        mixes = self.mixes
        return mixes[-1].at if mixes else None

    def flag(self, code: str, text: str) -> None:
        """Raise something about this mould, once: several of its mixes may raise the same."""
        raised = Flag(code, f"mould {self.number}: {text}", self.number)
        if raised not in self.flags:
            self.flags.append(raised)

    def doubt(self, code: str, text: str) -> None:
        """Raise why its sand may never cure as it should: then no estimate counts."""
        self.flag(code, text)
        if text not in self.in_doubt:
            self.in_doubt.append(text)


def standing(picture: Picture) -> Iterator[Mould]:
    """Open moulds, each with the records that filled it since it was last emptied; by the index on moulds alone."""
    reader = picture.reader
    for number, held in reader.mould_contents_mg(picture.at).items():
        ended = ended_before(reader, number, picture.at + 1)
        since = LONG_AGO if ended is None else ended
        filled = list(picture.numbered(fill.record for fill in fills(reader, number, since, picture.at)))
        if filled:
            yield Mould(number, held, ended, filled)


def look_for_pours(picture: Picture, open_moulds: list[Mould]) -> None:
    """When each was poured, by the first pour since it was filled."""
    by_number = {mould.number: mould for mould in open_moulds}
    if not open_moulds:
        return
    for pour in picture.records("pour", since=open_moulds[0].since, naming=by_number):
        for number in pour.values["moulds"]:
            mould = by_number.get(number)
            if mould is not None and pour.at >= mould.since and mould.poured_at is None:
                mould.poured_at = pour.at


def look_at(picture: Picture, mould: Mould) -> None:
    """Raise what a mould's own records say that cannot be, or that upsets its cure."""
    limits = picture.plant.limits
    stands_h = (picture.at - mould.since) / _HOUR
    if stands_h > limits.mould_standing_h:
        what = "poured" if mould.poured_at is not None else "not poured"
        text = (
            f"stands since {times.minute(mould.since, picture.zone)}, {stands_h:.0f} h, {what} "
            f"(limit {limits.mould_standing_h:g} h): was its knock-out recorded?"
        )
        mould.flag("standing_too_long", text)
    if mould.ended_at is not None and mould.since - mould.ended_at < limits.number_reuse_h * _HOUR:
        text = (
            f"filled {(mould.since - mould.ended_at) / _HOUR:.1f} h after it was ended at "
            f"{times.minute(mould.ended_at, picture.zone)}: is the number used again, or a clock wrong?"
        )
        mould.flag("number_used_again", text)
    families = {
        picture.setups.on(mix.at).find("binder_systems", mix.values["binder_system"]).family for mix in mould.mixes
    }
    if len(families) > 1:
        names = " and ".join(sorted(family.replace("_", " ") for family in families))
        mould.doubt("two_families", f"holds sand of {names}: one upsets the cure of the other")


def contents(picture: Picture, mould: Mould) -> dict[str, Any]:
    """What a mould holds and what filled it."""

    def values_of(name: str, default: str | None = None) -> list[str]:
        values = [mix.values.get(name, default) for mix in mould.mixes]
        return list(dict.fromkeys(value for value in values if value is not None))

    patterns = [
        dict(zip(mix.values["moulds"], mix.values.get("patterns", ()), strict=False)).get(mould.number)
        for mix in mould.mixes
    ]
    last = mould.last_sand_at
    return {
        "standing_since": times.show(mould.since, picture.zone),
        "last_sand_at": None if last is None else times.show(last, picture.zone),
        "contents_kg": {material: mass / KG for material, mass in sorted(mould.held_mg.items())},
        "mixers": values_of("mixer"),
        "binder_systems": values_of("binder_system"),
        "purposes": values_of("purpose", "whole"),
        "patterns": list(dict.fromkeys(pattern for pattern in patterns if pattern)),
        "mixes": [mix.id for mix in mould.mixes],
        "poured": mould.poured_at is not None,
        "poured_at": None if mould.poured_at is None else times.show(mould.poured_at, picture.zone),
        "held": mould.held,
    }
