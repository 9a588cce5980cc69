"""Strip checks of one binder system as the book has them: which can be learned from together, and which cannot."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from sandtrack.plant import MOULDS, BinderSystem
from sandtrack.records import times
from sandtrack.shop.dosing.systems import System, system
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.trade.learning import Checks
from sandtrack.trade.learning.checks import NOT_RECORDED

# practice: no shop mixes sand colder or hotter than this; a gauge that says so is broken or not in the sand.
LOWEST_C, HIGHEST_C = -20.0, 60.0

_DAY = 86_400_000_000
_COUNTS_DAYS = 1_500  # older ones have faded to nothing
_MIX_BEFORE_DAYS = 7  # a check is made on a mould of the same week


@dataclass(frozen=True)
class Look:
    """One strip check with all that the law asks of it."""

    seen: Seen
    temp_c: float
    lever: float
    earliest_min: float
    latest_min: float
    lot: str
    """Lot of the resin, or "" where none was recorded."""


@dataclass(frozen=True)
class Gathered:
    """The checks of one binder system, definition of strip and catalyst, oldest first, and what was left out."""

    looks: tuple[Look, ...]
    other_definition: Mapping[str, int]
    """Checks by another definition of strip, by definition."""
    other_catalyst: int
    unusable: Mapping[str, int]
    """Checks that lack something, by what they lack."""

    @cached_property
    def lots(self) -> tuple[str, ...]:
        """Lots of the resin in order of their first check; the place of each is its label."""
        return tuple(dict.fromkeys(look.lot for look in self.looks if look.lot))

    def label(self, lot: str) -> int | None:
        """Label of a lot: one that no check was made of gets a label of its own; None where it is not recorded."""
        if not lot:
            return None
        lots = self.lots
        return lots.index(lot) if lot in lots else len(lots)

    def checks(self, picture: Picture) -> Checks:
        """The checks as the law learns from them, their ages in whole days of the shop."""
        labels = {lot: label for label, lot in enumerate(self.lots)}
        days: dict[str, float] = {}
        ages = []
        for look in self.looks:
            day = times.day_of(look.seen.at, picture.zone)
            if day not in days:
                days[day] = float((picture.today - times.day(day)).days)
            ages.append(max(days[day], 0.0))
        return Checks(
            temp_c=[look.temp_c for look in self.looks],
            lever=[look.lever for look in self.looks],
            earliest_min=[look.earliest_min for look in self.looks],
            latest_min=[look.latest_min for look in self.looks],
            age_days=ages,
            lot=[labels.get(look.lot, NOT_RECORDED) for look in self.looks],
        )


def gather(picture: Picture, own: System) -> Gathered:
    """Strip checks in force that tell of a binder system as it is set up now."""
    looks: list[Look] = []
    other_definition: dict[str, int] = {}
    unusable: dict[str, int] = {}
    other_catalyst = 0
    definition = own.entry.reference.definition if own.entry.reference is not None else ""
    for seen in picture.records("strip_check", since=picture.at - _COUNTS_DAYS * _DAY):
        values = seen.values
        mix = None
        if "binder_system" not in values:
            mix = _mix_of(picture, seen)
        key = values.get("binder_system") or (mix.values["binder_system"] if mix is not None else "")
        if key != own.key:
            continue
        if values["definition"] != definition:
            other_definition[values["definition"]] = other_definition.get(values["definition"], 0) + 1
            continue
        entry: BinderSystem = picture.setups.on(seen.at).find("binder_systems", key)
        needs_mix = own.lever_field not in values or "lot" not in values
        if mix is None and needs_mix and ("mix" in values or "mould" in values):
            mix = _mix_of(picture, seen)
        if catalyst(entry) != catalyst(own.entry):
            other_catalyst += 1
            continue
        look, lacks = _look(picture, seen, own, entry, mix)
        if look is None:
            unusable[lacks] = unusable.get(lacks, 0) + 1
        else:
            looks.append(look)
    return Gathered(tuple(looks), other_definition, other_catalyst, unusable)


def _look(picture: Picture, seen: Seen, own: System, entry: BinderSystem, mix: Seen | None) -> tuple[Look | None, str]:
    values = seen.values
    temp = values["sand_temp_c"]
    if not LOWEST_C <= temp <= HIGHEST_C:
        return None, "a sand temperature that can be"
    earliest, latest = values.get("earliest_min", 0.0), values.get("latest_min", math.inf)
    if earliest <= 0.0 and math.isinf(latest):
        return None, "a time"
    lever = values.get(own.lever_field)
    if lever is None and mix is not None:
        lever = lever_of_mix(picture, system(entry), mix)
    if lever is None or not (lever > 0 or own.family.lever == "grade"):
        return None, own.lever_field
    return Look(seen, temp, lever, earliest, latest, values.get("lot") or lot_of_mix(picture, own, mix)), ""


def lever_of_mix(picture: Picture, own: System, mix: Seen) -> float | None:
    """What sets the speed, as a mix really drew it; None where its streams do not tell."""
    day = picture.setups.on(mix.at)
    return own.lever_used(
        (material, day.is_sand(material), day.mass_mg(stream["mass_kg"]) / KG)
        for stream in mix.values["streams"]
        if (material := stream.get("material") or day.material_at(stream["place"]))
    )


def lot_of_mix(picture: Picture, own: System, mix: Seen | None) -> str:
    """Lot of the resin that a mix recorded, or ""."""
    if mix is None:
        return ""
    day = picture.setups.on(mix.at)
    resin = own.liquids.get("resin") or own.liquids.get("part_1", "")
    for stream in mix.values["streams"]:
        if (stream.get("material") or day.material_at(stream["place"])) == resin and stream.get("lot"):
            lot: str = stream["lot"]
            return lot
    return ""


def catalyst(entry: BinderSystem) -> tuple[str, ...]:
    """Material that sets the speed, or the pair of grades."""
    return (entry.grades["slow"], entry.grades["fast"]) if entry.grades else (entry.drier or entry.catalyst,)


def _mix_of(picture: Picture, check: Seen) -> Seen | None:
    """The mix that a check was made on: by its id, else the last one into the mould before the check."""
    since = check.at - _MIX_BEFORE_DAYS * _DAY
    seqs = _by_id(picture, check, since) if "mix" in check.values else _by_mould(picture, check, since)
    wanted = check.values.get("binder_system")
    for mix in picture.numbered(seqs):
        if mix.kind == "mix" and wanted in (None, mix.values["binder_system"]):
            return mix
    return None


def _by_id(picture: Picture, check: Seen, since: int) -> Iterator[int]:
    rows = picture.reader.connection.execute(
        "SELECT seq FROM record r WHERE kind = 'mix' AND at >= ? AND at <= ? AND id = ? AND seq <= ? "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = seq AND v.record <= ?) ORDER BY at DESC LIMIT 1",
        (since, check.at, check.values["mix"], picture.reader.last, picture.reader.last),
    )
    return (row[0] for row in rows.fetchall())


def _by_mould(picture: Picture, check: Seen, since: int) -> Iterator[int]:
    rows = picture.reader.connection.execute(
        "SELECT event FROM movement m WHERE mould = ? AND at >= ? AND at <= ? AND target = ? AND record <= ? "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = m.event AND v.record <= ?) ORDER BY at DESC LIMIT 1",
        (check.values.get("mould", ""), since, check.at, MOULDS, picture.reader.last, picture.reader.last),
    )
    return (row[0] for row in rows.fetchall())
