"""What the attention list looks back over: a picture, the start of its window, and records read once for all checks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property
from typing import Any

from sandtrack.ledger import Day, Flow
from sandtrack.ledger.around import first_recorded
from sandtrack.plant import BinderSystem
from sandtrack.records import times
from sandtrack.shop.picture import KG, Picture, Seen

LOOK_BACK_DAYS = 35
LEARN_DAYS = 60
"""How far back before the latest mixes a shop's own usual is learned."""
DEALT_WITH_BACK_DAYS = 730
"""A mould may stand long after somebody dealt with that."""
DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Dose:
    """What one mix drew, by what it was."""

    seen: Seen
    day: Day
    sand_mg: int
    reclaimed_mg: int
    resin_mg: int
    """What the catalyst's percentage is on: resin, or part 1 of a urethane."""
    catalyst_mg: int

    @property
    def mixer(self) -> str:
        return str(self.seen.values["mixer"])

    @property
    def system(self) -> str:
        return str(self.seen.values["binder_system"])

    def plan(self, day: Day) -> BinderSystem:
        """Its binder system as a day's set-up has it, with what mixes of its purpose have of their own."""
        system: BinderSystem = day.find("binder_systems", self.system)
        return system.of(self.seen.values.get("purpose"))


@dataclass(frozen=True)
class Recent:
    """A picture with its window; each list is read once."""

    picture: Picture
    as_raised: bool = False
    """Whether what was dealt with is raised too."""

    @cached_property
    def since(self) -> int:
        """Start of the window, at the start of a day."""
        first = self.picture.today - timedelta(days=LOOK_BACK_DAYS)
        return times.day_start(first, self.picture.zone)

    @cached_property
    def first_recorded(self) -> int:
        """First record that was recorded in the window."""
        return first_recorded(self.picture.reader, self.since)

    @cached_property
    def mixes(self) -> list[Seen]:
        """Mixes of the window and of the days before it that the usual is learned from."""
        return list(self.picture.records("mix", since=self.since - LEARN_DAYS * DAY_US))

    @property
    def new_mixes(self) -> Iterator[Seen]:
        """Mixes of the window alone."""
        return (seen for seen in self.mixes if seen.at >= self.since)

    @cached_property
    def doses(self) -> list[Dose]:
        """Each mix by what it drew."""
        return [dose(self.picture, seen) for seen in self.mixes]

    @cached_property
    def dealt_with(self) -> dict[tuple[str, str], int]:
        """When each code of each subject was last dealt with."""
        since = self.since - DEALT_WITH_BACK_DAYS * DAY_US
        records = self.picture.records("dealt_with", since=since)
        return {(seen.values["code"], seen.values["subject"]): seen.at for seen in records}

    def is_dealt_with(self, code: str, subject: str, at: int) -> bool:
        """Whether somebody dealt with what happened at an instant; what happens later is raised again."""
        return not self.as_raised and at <= self.dealt_with.get((code, subject), -(2**63))

    @cached_property
    def endings(self) -> list[Seen]:
        """Knock-outs and scrapped moulds of the window."""
        return list(self.picture.records("knock_out", "mould_scrap", since=self.since))

    @cached_property
    def flows(self) -> list[Flow]:
        """Flows of the window."""
        return self.picture.reader.flows(self.since - 1, self.picture.at)

    def held_mg(self, place: str) -> int:
        """All that a place holds."""
        reader = self.picture.reader
        return sum(
            reader.stock_mg(place, material, self.picture.at) for where, material in reader.holdings() if where == place
        )


def dose(picture: Picture, seen: Seen) -> Dose:
    """What a mix drew: sand, reclaimed sand, resin and catalyst, by the set-up of its day."""
    day = picture.setups.on(seen.at)
    system = day.find("binder_systems", seen.values["binder_system"])
    resins = {system.resin or system.part_1}
    catalysts = {system.catalyst, system.drier, *system.grades.values(), *system.catalysts.values()} - {""}
    sand = reclaimed = resin = catalyst = 0
    for stream in seen.values["streams"]:
        material = stream.get("material") or day.material_at(stream["place"])
        mass: int = day.mass_mg(stream["mass_kg"])
        if not material:
            continue
        entry: Any = day.find("materials", material)
        if entry.kind == "sand":
            sand += mass
            reclaimed += mass if entry.role == "reclaimed" or (not entry.role and entry.family) else 0
        elif material in resins:
            resin += mass
        elif material in catalysts:
            catalyst += mass
    return Dose(seen, day, sand, reclaimed, resin, catalyst)


def kg(mass_mg: int) -> float:
    """Milligrams as kilograms."""
    return mass_mg / KG
