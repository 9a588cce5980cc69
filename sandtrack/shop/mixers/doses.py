"""What each mix drew, as its mixer's own record says, gathered by day and by setting in force."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from statistics import fmean
from typing import Any

from sandtrack.ledger import Day
from sandtrack.records import times
from sandtrack.shop.dosing import systems
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import KG, Picture, Seen

DAY_US = 86_400_000_000
NOON_H = 12
HALVES = (
    f"taken to hold for its half of the day, before or after {NOON_H}:00; halves without a check, and mixes between "
    "two checks that tell different settings, are not judged"
)
# A mould is looked at within hours of its last mix; an older mix of that number filled an earlier mould. practice
LOOKED_AT_WITHIN_DAYS = 3


@dataclass(frozen=True)
class Mix:
    """One mix, by what it drew. Masses in kg."""

    id: str
    at: int
    mixer: str
    system: System
    """As mixes of its purpose go by it."""
    purpose: str
    temp_c: float | None
    moulds: tuple[str, ...]
    half: tuple[str, bool]
    """Day of the shop on which it began, and whether before noon."""
    streams: tuple[tuple[str, bool, float], ...]
    """(material, whether it is sand, kg), as `System.lever_used` takes them."""
    sand_kg: float
    reclaimed_kg: float

    @property
    def day(self) -> str:
        """The shop's day."""
        return self.half[0]


@dataclass
class Group:
    """Mixes of one mixer and system that are judged together."""

    mixes: list[Mix]
    told: float | None = None
    """The setting that a strip check tells was in force: % of its base, or share of the fast grade."""
    known_at: int = 0
    """When the last of it was on record to be seen: end of its last mix, or the check that tells its setting."""

    @property
    def system(self) -> System:
        """The system, as set up for the last of the mixes; percents and shares may be those of its purpose alone."""
        return self.mixes[-1].system

    @property
    def start(self) -> int:
        """End of the first mix."""
        return self.mixes[0].at

    @property
    def end(self) -> int:
        """When it could be seen."""
        return max(self.mixes[-1].at, self.known_at)

    @property
    def sand_kg(self) -> float:
        """All sand."""
        return sum(mix.sand_kg for mix in self.mixes)

    @property
    def lever(self) -> float | None:
        """What set the speed, from the sums of what was drawn."""
        return self.system.lever_used(stream for mix in self.mixes for stream in mix.streams)

    def liquid_kg(self, *names: str) -> float:
        """Mass of some liquids, by their names in a dose."""
        own = {self.system.liquids[name] for name in names if name in self.system.liquids}
        return sum(kg for mix in self.mixes for material, _, kg in mix.streams if material in own)

    @property
    def temp_c(self) -> float | None:
        """Mean temperature of the sand."""
        read = [mix.temp_c for mix in self.mixes if mix.temp_c is not None]
        return fmean(read) if read else None


@dataclass
class Reader:
    """Reads mixes; a system is made ready for the trade once for each set-up."""

    picture: Picture
    _systems: dict[tuple[int, str, str], System] = field(default_factory=dict)

    def mixes(self, since: int, until: int, mixer: str | None = None) -> dict[tuple[str, str], list[Mix]]:
        """Mixes of a period by mixer and system, in order of time."""
        found: dict[tuple[str, str], list[Mix]] = {}
        naming = None if mixer is None else [mixer]
        for seen in self.picture.records("mix", since=since, until=until, naming=naming):
            if mixer in (None, seen.values["mixer"]):
                mix = self._mix(seen)
                found.setdefault((mix.mixer, mix.system.key), []).append(mix)
        return dict(sorted(found.items()))

    def _mix(self, seen: Seen) -> Mix:
        values, on = seen.values, self.picture.setups.on(seen.at)
        streams, sand, reclaimed = [], 0.0, 0.0
        for stream in values["streams"]:
            material = stream.get("material") or on.material_at(stream["place"])
            if not material:
                continue
            entry: Any = on.find("materials", material)
            kg, is_sand = on.mass_mg(stream["mass_kg"]) / KG, entry.kind == "sand"
            streams.append((material, is_sand, kg))
            sand += kg if is_sand else 0.0
            reclaimed += kg if is_sand and (entry.role == "reclaimed" or (not entry.role and entry.family)) else 0.0
        purpose = values.get("purpose") or "whole"
        when = times.from_microseconds(values.get("started_at", seen.at), self.picture.zone)
        return Mix(
            id=seen.id,
            at=seen.at,
            mixer=values["mixer"],
            system=self._system(on, values["binder_system"], purpose),
            purpose=purpose,
            temp_c=values.get("sand_temp_c"),
            moulds=tuple(values.get("moulds", ())),
            half=(when.date().isoformat(), when.hour < NOON_H),
            streams=tuple(streams),
            sand_kg=sand,
            reclaimed_kg=reclaimed,
        )

    def _system(self, on: Day, key: str, purpose: str) -> System:
        known = (on.revision, key, purpose)
        if known not in self._systems:
            self._systems[known] = systems.system(on.find("binder_systems", key), purpose)
        return self._systems[known]

    def settings(self, since: int, until: int, mixes: Iterable[Mix]) -> dict[str, tuple[float, int]]:
        """The setting that strip checks tell for a mix, by its id, and when it was told."""
        by_id: dict[str, list[Mix]] = {}
        by_mould: dict[str, list[Mix]] = {}
        for mix in mixes:
            by_id.setdefault(mix.id, []).append(mix)
            for mould in mix.moulds:
                by_mould.setdefault(mould, []).append(mix)
        found: dict[str, tuple[float, int]] = {}
        for seen in self.picture.records("strip_check", since=since, until=until):
            values = seen.values
            near = by_id.get(values.get("mix", ""), []) or by_mould.get(values.get("mould", ""), [])
            for mix in reversed(near):
                told = values.get(mix.system.lever_field)
                fits = values.get("mixer", mix.mixer) == mix.mixer
                fits = fits and values.get("binder_system", mix.system.key) == mix.system.key
                if fits and told is not None and 0 <= seen.at - mix.at <= LOOKED_AT_WITHIN_DAYS * DAY_US:
                    found[mix.id] = (float(told), seen.at)
                    break
        return found


def by_day(mixes: Iterable[Mix]) -> list[Group]:
    """The mixes of each day."""
    days: dict[str, list[Mix]] = {}
    for mix in mixes:
        days.setdefault(mix.day, []).append(mix)
    return [Group(found) for found in days.values()]


def by_setting(mixes: Iterable[Mix], settings: dict[str, tuple[float, int]]) -> list[Group]:
    """The mixes of each half day for which a setting was told, by setting.

    Where two were told, nobody knows when it was changed: mixes between the two checks are left out.
    """
    halves: dict[tuple[str, bool], list[Mix]] = {}
    for mix in mixes:
        halves.setdefault(mix.half, []).append(mix)
    groups: list[Group] = []
    for found in halves.values():
        groups += _told(found, settings)
    return sorted(groups, key=lambda group: group.start)


def _told(mixes: list[Mix], settings: dict[str, tuple[float, int]]) -> Iterator[Group]:
    told = [(mix.at, *settings[mix.id]) for mix in mixes if mix.id in settings]
    found: dict[float, Group] = {}
    for mix in mixes if told else ():
        before, after = [one for one in told if one[0] <= mix.at], [one for one in told if one[0] >= mix.at]
        if before and after and before[-1][1] != after[0][1]:
            continue
        _, setting, known_at = before[-1] if before else after[0]
        group = found.setdefault(setting, Group([], setting))
        group.mixes.append(mix)
        group.known_at = max(group.known_at, known_at)
    yield from found.values()
