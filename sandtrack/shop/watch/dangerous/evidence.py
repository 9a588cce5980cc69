"""What dangerous events are judged by: one picture's records around a record, each looked up once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sandtrack.ledger import Day
from sandtrack.ledger.around import (
    Cause,
    Fill,
    causes_of_all,
    ended_after,
    ended_before,
    fills,
    in_force,
    materials_met,
    naming,
    newest,
)
from sandtrack.plant import BinderSystem
from sandtrack.shop.picture import Picture, Seen
from sandtrack.shop.watch.dangerous.danger import Danger
from sandtrack.trade.reactions import liquid_class

DAY_US = 86_400_000_000
MINUTE_US = 60_000_000
REACH_DAYS = 35
"""How far apart the records of one dangerous event may lie; as far as the attention list looks back."""
REACH_US = REACH_DAYS * DAY_US
LONG_AGO = -(2**62)
MOST_KEPT = 2_000
_PARTS = ("resin", "catalyst", "part_1", "part_2", "drier")


class Evidence:
    """One picture, and what was looked up in it; with `since`, pours from then on are read once for all moulds."""

    def __init__(self, picture: Picture, since: int | None = None) -> None:
        self.picture = picture
        self.reader = picture.reader
        self.bad_mixes: dict[int, tuple[Danger, ...]] = {}
        """What is dangerous about mixes that were judged already, by their number."""
        self._causes: dict[tuple[str, str], list[Cause]] = {}
        self._fills: dict[tuple[str, int, int], list[Fill]] = {}
        self._newest: dict[tuple[str, int], int] = {}
        self._ended: dict[tuple[str, int], int] = {}
        self._met: dict[str, list[str]] = {}
        self._seen: dict[int, Seen] = {}
        self._parts: dict[tuple[int, str], dict[str, str]] = {}
        self._classes: dict[tuple[int, str], str] = {}
        self._since = since
        self._pours: dict[str, list[Seen]] | None = None

    def day(self, at: int) -> Day:
        """The set-up of an instant."""
        return self.picture.setups.on(at)

    def seen(self, seq: int) -> Seen:
        """A record by its number in the chain."""
        if seq not in self._seen:
            (self._seen[seq],) = self.picture.numbered([seq])
        return self._seen[seq]

    def forget(self, seq: int) -> None:
        """Let go of a record, so that memory does not grow with many."""
        self._seen.pop(seq, None)
        if len(self._seen) > MOST_KEPT:
            for kept in (self._seen, self.bad_mixes, self._fills, self._ended):
                kept.clear()

    def keep(self, seen: Seen) -> None:
        """Keep a record that was read already."""
        self._seen[seen.seq] = seen

    def since(self, kinds: tuple[str, ...], at: int, known: int) -> tuple[str, ...]:
        """Those of some kinds that have a record at or after an instant among the first `known` of the chain."""
        return tuple(kind for kind in kinds if self._newest_at(kind, known) >= at)

    def _newest_at(self, kind: str, known: int) -> int:
        if (kind, known) not in self._newest:
            self._newest[kind, known] = newest(self.reader, kind, known)
        return self._newest[kind, known]

    # -- blocks ---------------------------------------------------------------------------------------------

    def causes(self, what: str, key: str) -> list[Cause]:
        """All that blocks or releases a place, lot or mould."""
        self.look_up([(what, key)])
        return self._causes[what, key]

    def blocked(self, what: str, key: str, at: int) -> Cause | None:
        """What blocks a place, lot or mould at an instant."""
        causes = self.causes(what, key)
        return in_force(causes, at) if causes else None

    def look_up(self, keys: Iterable[tuple[str, str]]) -> None:
        """Ask for several causes at once, those that were not yet asked for."""
        wanted = [key for key in dict.fromkeys(keys) if key not in self._causes]
        if wanted:
            self._causes |= causes_of_all(self.reader, wanted)

    def met(self, place: str) -> list[str]:
        """Every material that the book has met in a place."""
        if place not in self._met:
            self._met[place] = materials_met(self.reader, place)
        return self._met[place]

    # -- moulds ---------------------------------------------------------------------------------------------

    def ended_before(self, mould: str, at: int) -> int:
        """The last ending of a mould before an instant; long ago where there is none."""
        key = (mould, at)
        if key not in self._ended:
            before = ended_before(self.reader, mould, at)
            self._ended[key] = LONG_AGO if before is None else before
        return self._ended[key]

    def life(self, mould: str, at: int) -> tuple[int, int]:
        """The last ending of a mould before an instant, and the first one at or after it; far off where none is."""
        after = ended_after(self.reader, mould, at)
        return self.ended_before(mould, at), at + REACH_US if after is None else min(after, at + REACH_US)

    def fills(self, mould: str, after: int, until: int) -> list[Fill]:
        """What was put into a mould in (after, until]."""
        key = (mould, after, until)
        if key not in self._fills:
            self._fills[key] = fills(self.reader, mould, after, until)
        return self._fills[key]

    def pours(self, mould: str, since: int, until: int) -> list[Seen]:
        """Pours of a mould in [since, until], in order of happening."""
        since = max(since, until - REACH_US)
        if self._since is not None and since >= self._since:
            return [pour for pour in self._poured().get(mould, ()) if since <= pour.at <= until]
        return [seen for seen in self.naming(("pour",), since, until, mould) if mould in seen.values["moulds"]]

    def _poured(self) -> dict[str, list[Seen]]:
        if self._pours is None:
            self._pours = {}
            for pour in self.picture.records("pour", since=self._since, until=2**62):
                for mould in pour.values["moulds"]:
                    self._pours.setdefault(mould, []).append(pour)
        return self._pours

    def naming(self, kinds: tuple[str, ...], since: int, until: int, word: str) -> list[Seen]:
        """Records of some kinds in [since, until] whose content holds a word, in order of happening."""
        return [self.seen(seq) for seq in naming(self.reader, kinds, since, until, word)]

    # -- materials ------------------------------------------------------------------------------------------

    def parts(self, day: Day, system: BinderSystem) -> dict[str, str]:
        """Part of each liquid in a binder system; a liquid that no other family names counts by its kind."""
        key = (day.revision, system.key)
        if key not in self._parts:
            self._parts[key] = _parts(day, system)
        return self._parts[key]

    def liquid_class(self, day: Day, material: str) -> str:
        """What a liquid is, as the families of the systems that name it declare; its kind where none names it."""
        key = (day.revision, material)
        if key not in self._classes:
            self._classes[key] = _class(day, material)
        return self._classes[key]


def parts_of(system: BinderSystem) -> dict[str, str]:
    """Liquids that a binder system names, each with its part."""
    named = {getattr(system, part): part for part in _PARTS if getattr(system, part)}
    return named | dict.fromkeys(system.grades.values(), "hardener")


def _parts(day: Day, system: BinderSystem) -> dict[str, str]:
    own = parts_of(system)
    other = {
        material
        for each in day.plant.binder_systems.values()
        if each.family != system.family
        for material in parts_of(each)
    }
    kinds = {_kind(day, material): part for material, part in own.items() if part not in ("part_1", "part_2")}
    for material, entry in day.plant.materials.items():
        if material not in own and material not in other and entry.kind in kinds:
            own[material] = kinds[entry.kind]
    return own


def _kind(day: Day, material: str) -> str:
    return str(day.find("materials", material).kind)


def _class(day: Day, material: str) -> str:
    entry: Any = day.find("materials", material)
    for system in day.plant.binder_systems.values():
        part = parts_of(system).get(material)
        if part is not None:
            return liquid_class(system.family, part)
    return str(entry.kind)
