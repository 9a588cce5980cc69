"""What dangerous events are judged by: one picture's records around a record, each looked up once."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any, NamedTuple

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
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import Picture, Seen
from sandtrack.shop.watch.dangerous.danger import Danger
from sandtrack.trade.reactions import liquid_class

DAY_US = 86_400_000_000
MINUTE_US = 60_000_000
REACH_DAYS = 35
"""How far apart the records of one dangerous event may lie; as far as the attention list looks back."""
REACH_US = REACH_DAYS * DAY_US
LONG_AGO = -(2**62)
FAR_OFF = 2**62
MOST_KEPT = 2_000
MOST_MIXES = 50_000
_PARTS = ("resin", "catalyst", "part_1", "part_2", "drier")


class Pour(NamedTuple):
    """When a mould was poured, and by which record."""

    at: int
    seq: int


class Life(NamedTuple):
    """What was put into a mould between two of its endings; far off where there is none."""

    ended: int
    until: int
    """The next ending, which still belongs to it."""
    fills: list[Fill]


class Evidence:
    """One picture, and what was looked up in it.

    Where `many` records are judged in order of happening, the pours of weeks are read at once for all moulds.
    """

    def __init__(self, picture: Picture, *, many: bool = False) -> None:
        self.picture = picture
        self.reader = picture.reader
        self.bad_mixes: dict[int, tuple[Danger, ...]] = {}
        """What is dangerous about mixes that were judged already, by their number."""
        self._causes: dict[tuple[str, str], list[Cause]] = {}
        self.estimates: dict[int, float | None] = {}
        """Strip estimates of mixes by the set-up's reference, by their number."""
        self.systems: dict[tuple[int, str, str | None], System] = {}
        """Binder systems as the set-ups had them, by revision, name and purpose."""
        self._lives: dict[str, Life] = {}
        self._newest: dict[tuple[str, int], int] = {}
        self._met: dict[str, list[str]] = {}
        self._seen: dict[int, Seen] = {}
        self._parts: dict[tuple[int, str], dict[str, str]] = {}
        self._classes: dict[tuple[int, str], str] = {}
        self._strange: dict[tuple[int, str], bool] = {}
        self._many = many
        self._pours: dict[str, list[Pour]] = {}
        self._poured = (0, -1)

    def day(self, at: int) -> Day:
        """The set-up of an instant."""
        return self.picture.setups.on(at)

    def seen(self, seq: int) -> Seen:
        """A record by its number in the chain."""
        if seq not in self._seen:
            (self._seen[seq],) = self.picture.numbered([seq])
        return self._seen[seq]

    def read(self, seqs: Iterable[int], *, kinds: Collection[str]) -> None:
        """Read records at once; those of other kinds without their content."""
        for seen in self.picture.numbered((seq for seq in seqs if seq not in self._seen), kinds=kinds):
            self._seen[seen.seq] = seen

    def tidy(self) -> None:
        """Let go of what was looked up longest ago, so that memory does not grow with many records."""
        sizes: tuple[tuple[dict[Any, Any], int], ...] = (
            (self._seen, MOST_KEPT),
            (self._lives, MOST_KEPT),
            (self.bad_mixes, MOST_MIXES),
            (self.estimates, MOST_MIXES),
        )
        for kept, most in sizes:
            if len(kept) > most:
                for old in list(kept)[: len(kept) - most // 2]:
                    del kept[old]

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
        causes = self._causes.get((what, key))
        if causes is None:
            self.look_up([(what, key)])
            causes = self._causes[what, key]
        return causes

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

    def strange_met(self, day: Day, place: str, own: str) -> bool:
        """Whether the book has met a sand in a place that is neither its own, nor new, nor of its family."""
        key = (day.revision, place)
        if key not in self._strange:
            self._strange[key] = any(_is_strange(day, material, own) for material in self.met(place))
        return self._strange[key]

    # -- moulds ---------------------------------------------------------------------------------------------

    def _life(self, mould: str, at: int) -> Life:
        """What an instant lies in, from one ending of a mould to the next."""
        life = self._lives.get(mould)
        if life is None or not life.ended < at <= life.until:
            before, after = ended_before(self.reader, mould, at), ended_after(self.reader, mould, at)
            ended, until = LONG_AGO if before is None else before, FAR_OFF if after is None else after
            life = self._lives[mould] = Life(ended, until, fills(self.reader, mould, ended, until))
        return life

    def ended_before(self, mould: str, at: int) -> int:
        """The last ending of a mould before an instant; long ago where there is none."""
        return self._life(mould, at).ended

    def life(self, mould: str, at: int) -> tuple[int, int]:
        """The last ending of a mould before an instant, and the first one at or after it; far off where none is."""
        life = self._life(mould, at)
        return life.ended, min(life.until, at + REACH_US)

    def filled(self, mould: str, at: int) -> list[Fill]:
        """What was put into a mould up to an instant, since its last ending before."""
        return [fill for fill in self._life(mould, at).fills if fill.at <= at]

    def fills(self, mould: str, at: int) -> list[Fill]:
        """What was put into a mould in the life that an instant lies in, before and after it."""
        return [fill for fill in self._life(mould, at).fills if fill.at <= at + REACH_US]

    def pours(self, mould: str, since: int, until: int) -> list[Pour]:
        """Pours of a mould in [since, until], in order of happening."""
        since = max(since, until - REACH_US)
        if not self._many:
            named = self.naming(("pour",), since, until, mould)
            return [Pour(seen.at, seen.seq) for seen in named if mould in seen.values["moulds"]]
        if not self._poured[0] <= since <= until <= self._poured[1]:
            self._read_pours(until - REACH_US, until + REACH_US)
        return [pour for pour in self._pours.get(mould, ()) if since <= pour.at <= until]

    def _read_pours(self, since: int, until: int) -> None:
        self._pours, self._poured = {}, (since, until)
        for pour in self.picture.records("pour", since=since, until=until):
            for mould in pour.values["moulds"]:
                self._pours.setdefault(mould, []).append(Pour(pour.at, pour.seq))

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


def _is_strange(day: Day, material: str, own: str) -> bool:
    entry, mine = day.find("materials", material), day.find("materials", own)
    return bool(entry.kind == "sand" and material != own and entry.family and entry.family != mine.family)
