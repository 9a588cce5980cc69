"""Strip checks of one binder system as the book has them: which can be learned from together, and which cannot."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from sandtrack.ledger.brought import AT_ARRIVAL
from sandtrack.plant import MOULDS, BinderSystem
from sandtrack.records import times
from sandtrack.shop.dosing import inheritance, lots, sands
from sandtrack.shop.dosing.judged import Judged
from sandtrack.shop.dosing.lots import Lots
from sandtrack.shop.dosing.sands import Sand
from sandtrack.shop.dosing.strength import Strengths, ratio
from sandtrack.shop.dosing.systems import System, system
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.trade.learning import Checks
from sandtrack.trade.learning.checks import NOT_RECORDED

# practice: no shop mixes sand colder or hotter than this; a gauge that says so is broken or not in the sand.
LOWEST_C, HIGHEST_C = -20.0, 60.0

_DAY = 86_400_000_000
_HALF_LIVES = 12.5  # older checks have faded to nothing
_MIX_BEFORE_DAYS = 7  # a check is made on a mould of the same week

Found = tuple[int, int] | None
"""Place in the chain, and time, of the mix that a check was made on; None where it is not known."""


@dataclass(frozen=True)
class Look:
    """One strip check with all that the law asks of it."""

    seen: Seen
    temp_c: float
    lever: float
    earliest_min: float
    latest_min: float
    lots: Lots
    """Lots of the resin and of what makes it cure, as far as they were recorded."""
    sand: Sand | None = None
    """The sand of its mix; None where that is not known."""
    strength_pct: float | None = None
    """Strength of its catalyst; None where that is not known."""
    lever_now: float = 0.0
    """What was set, as so much of the catalyst that is drawn now."""
    inherited_sd: float | None = None
    """How far its materials may differ from those of now, sd of ln(time); None where they are the same."""


@dataclass(frozen=True)
class Gathered:
    """The checks of one binder system, definition of strip and catalyst, oldest first, and what was left out."""

    judged: Judged
    looks: tuple[Look, ...]
    other_definition: Mapping[Judged, int]
    """Checks by another definition of strip, or by another reading or scale of its gauge."""
    other_material: Mapping[str, int]
    """Checks made with another resin or catalyst, by what was another."""
    unusable: Mapping[str, int]
    """Checks that lack something, by what they lack."""

    @cached_property
    def lots(self) -> tuple[str, ...]:
        """Lots of the resin in order of their first check."""
        return tuple(dict.fromkeys(look.lots.resin for look in self.looks if look.lots.resin))

    @cached_property
    def curing_lots(self) -> frozenset[tuple[str, str]]:
        """Lots of catalysts and hardeners that were checked, each with its liquid."""
        return frozenset(lot for look in self.looks for lot in look.lots.curing)

    def unchecked(self, lots: Lots) -> list[tuple[str, str]]:
        """Catalyst and hardener lots that no check was made with, though checks tell those of their liquid."""
        liquids = {liquid for liquid, _ in self.curing_lots}
        return [lot for lot in lots.curing if lot[0] in liquids and lot not in self.curing_lots]

    @cached_property
    def sands(self) -> tuple[Sand, ...]:
        """Sands that count as different, in order of their first check."""
        return sands.told_apart(look.sand for look in self.looks if look.sand is not None)

    @cached_property
    def made_on(self) -> Counter[int]:
        """How many checks were made on each of the sands, by its place among them."""
        return Counter(self._place(look.sand) for look in self.looks if look.sand is not None)

    @cached_property
    def _usual(self) -> int:
        """The sand that most checks were made on: what does not tell its sand counts as of it."""
        return self.made_on.most_common(1)[0][0] if self.made_on else 0

    def _place(self, sand: Sand) -> int:
        """Place of a sand among those checked, or of a new one behind them."""
        at = sands.nearest(sand, self.sands)
        return len(self.sands) if at is None else at

    def _place_or_usual(self, sand: Sand | None) -> int:
        return self._usual if sand is None or not self.sands else self._place(sand)

    @cached_property
    def _checked(self) -> dict[tuple[Lots, int], None]:
        """Lots on each sand in order of their first check."""
        return dict.fromkeys((look.lots, self._place_or_usual(look.sand)) for look in self.looks)

    @cached_property
    def _labels(self) -> dict[tuple[Lots, int], int]:
        """Label of lots on each sand, in order of their first check."""
        made = dict(self._checked)
        made.pop((Lots(), self._usual), None)  # such checks stand in blocks of days
        return {what: label for label, what in enumerate(made)}

    def label(self, lots: Lots, sand: Sand | None = None) -> int | None:
        """Label of lots on a sand: of what no check was made gets one of its own; None where neither is told apart."""
        what = self._nearest(lots, sand)
        if what == (Lots(), self._usual):
            return None
        return len(self._labels) if what is None else self._labels[what]

    def knows(self, lots: Lots, sand: Sand | None) -> bool:
        """Whether checks were made of lots on a sand, as far as they tell."""
        return self._nearest(lots, sand) in self._labels

    def _nearest(self, lots: Lots, sand: Sand | None) -> tuple[Lots, int] | None:
        """The lots on a sand themselves, else the last ones that differ in nothing that is known of both."""
        what = (lots, self._place_or_usual(sand))
        if what in self._labels or what == (Lots(), self._usual):
            return what
        if self.unchecked(lots):
            return None
        alike = [key for key in self._checked if key[1] == what[1] and lots.agrees(key[0])]
        return alike[-1] if alike else None

    def knows_sand(self, sand: Sand | None) -> bool:
        """Whether checks were made on a sand, as far as they tell."""
        return sand is None or not self.sands or self._place(sand) < len(self.sands)

    def checks(self, picture: Picture) -> Checks:
        """The checks as the law learns from them, their ages in whole days of the shop."""
        labels = [self.label(look.lots, look.sand) for look in self.looks]
        days: dict[str, float] = {}
        ages = []
        for look in self.looks:
            day = times.day_of(look.seen.at, picture.zone)
            if day not in days:
                days[day] = float((picture.today - times.day(day)).days)
            ages.append(max(days[day], 0.0))
        return Checks(
            temp_c=[look.temp_c for look in self.looks],
            lever=[look.lever_now for look in self.looks],
            earliest_min=[look.earliest_min for look in self.looks],
            latest_min=[look.latest_min for look in self.looks],
            age_days=ages,
            lot=[NOT_RECORDED if label is None else label for label in labels],
        )


def state(picture: Picture, half_life_days: float) -> tuple[Any, ...]:
    """What stays the same while nothing is recorded that tells of the checks or of the mixes they were made on.

    A mix after the last check tells of none; the digest of a record stands for all that was recorded before it.
    """
    execute, last = picture.reader.connection.execute, picture.reader.last
    first_at, last_at, newest = execute(
        "SELECT min(at), max(at), max(seq) FROM record WHERE kind = 'strip_check' AND at >= ? AND at <= ? AND seq <= ?",
        (since(picture, half_life_days), picture.at, last),
    ).fetchone()
    if newest is None:
        return (picture.head,)
    (later,) = execute(
        "SELECT max(seq) FROM record WHERE seq > ? AND seq <= ? "
        "AND (kind IN ('reversal', 'plant') OR kind IN ('mix', 'delivery') AND at <= ?)",
        (newest, last, last_at),
    ).fetchone()
    (digest,) = execute("SELECT hash FROM record WHERE seq = ?", (later or newest,)).fetchone()
    return first_at, last_at, digest


def since(picture: Picture, half_life_days: float) -> int:
    """From when on checks have not faded to nothing: the same all day, as their ages are."""
    return times.day_start(picture.today, picture.zone) - round(_HALF_LIVES * half_life_days * _DAY)


def gather(picture: Picture, own: System, half_life_days: float, wanted: Judged, strengths: Strengths) -> Gathered:
    """Strip checks in force that tell of a binder system as it is set up now, and have not faded to nothing."""
    looks: list[Look] = []
    other_definition: Counter[Judged] = Counter()
    other_material: Counter[str] = Counter()
    unusable: Counter[str] = Counter()
    of_system = list(_of_system(picture, own, since(picture, half_life_days)))
    wanted = wanted.with_what_is_usual(Judged.of(seen) for seen, _, _ in of_system)
    now = strengths.at(picture.at)
    for seen, found, mix in of_system:
        judged = Judged.of(seen)
        if not judged.agrees(wanted):
            other_definition[judged] += 1
            continue
        entry: BinderSystem = picture.setups.on(seen.at).find("binder_systems", own.key)
        other, inherited_sd = inheritance.between(picture, own.entry, entry)
        if other:
            other_material[other] += 1
            continue
        sand = None if found is None else sands.of_mix(picture, *found)
        look, lacks = _look(picture, seen, own, entry, mix, sand)
        if look is None:
            unusable[lacks] += 1
            continue
        then = strengths.at(seen.at if found is None else found[1])
        lever_now = look.lever * ratio(then.pct, now.pct)
        looks.append(replace(look, strength_pct=then.pct, lever_now=lever_now, inherited_sd=inherited_sd))
    return Gathered(wanted, tuple(looks), other_definition, other_material, unusable)


def _of_system(picture: Picture, own: System, since: int) -> Iterator[tuple[Seen, Found, Seen | None]]:
    """Checks of a binder system, oldest first, with the place of their mix, which is read where the check needs it."""
    for seen in picture.records("strip_check", since=since, timed=True):
        if seen.values.get("binder_system", own.key) != own.key:
            continue
        found = _find_mix(picture, seen)
        untold = {"binder_system", own.lever_field, "lot", "catalyst_lot"} - set(seen.values)
        mix = _read(picture, found) if untold and found is not None else None
        if "binder_system" in seen.values or (mix is not None and mix.values["binder_system"] == own.key):
            yield seen, found, mix


def _look(
    picture: Picture, seen: Seen, own: System, entry: BinderSystem, mix: Seen | None, sand: Sand | None
) -> tuple[Look | None, str]:
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
    return Look(seen, temp, lever, earliest, latest, _lots(picture, seen, own, mix), sand), ""


def _lots(picture: Picture, seen: Seen, own: System, mix: Seen | None) -> Lots:
    """Lots as the check names them, else as its mix drew them."""
    drawn, values = lots.of_mix(picture, own, mix), seen.values
    curing = drawn.curing
    if "catalyst_lot" in values and "catalyst" in own.liquids:
        curing = tuple(sorted({**dict(curing), "catalyst": values["catalyst_lot"]}.items()))
    return Lots(values.get("lot") or drawn.resin, curing)


def lever_of_mix(picture: Picture, own: System, mix: Seen) -> float | None:
    """What sets the speed, as a mix really drew it; None where its streams do not tell."""
    day = picture.setups.on(mix.at)
    return own.lever_used(
        (material, day.is_sand(material), day.mass_mg(stream["mass_kg"]) / KG)
        for stream in mix.values["streams"]
        if (material := stream.get("material") or day.material_at(stream["place"]))
    )


def _find_mix(picture: Picture, check: Seen) -> Found:
    """The mix that a check was made on: the last one by its id, else by its mould, of the mixer that it names."""
    if "mix" in check.values:
        which, name = "r.kind = 'mix' AND r.id = ? AND r.at >= ? AND r.at <= ?", check.values["mix"]
        source = "record r"
    elif "mould" in check.values:
        which, name = f"m.mould = ? AND m.at >= ? AND m.at <= ? AND m.target = '{MOULDS}'", check.values["mould"]
        source = "movement m JOIN record r ON r.seq = m.event AND r.kind = 'mix'"
    else:
        return None
    system, mixer, last = check.values.get("binder_system"), check.values.get("mixer"), picture.reader.last
    found: Found = picture.reader.connection.execute(
        f"SELECT r.seq, r.at FROM {source} WHERE {which} AND r.seq <= ? "
        "AND (? IS NULL OR json_extract(r.content, '$.binder_system') = ?) "
        "AND (? IS NULL OR json_extract(r.content, '$.mixer') = ?) "
        f"AND (r.marks IS NULL OR NOT instr(r.marks, '{AT_ARRIVAL}')) "
        "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = r.seq AND v.record <= ?) "
        "ORDER BY r.at DESC, r.sender DESC, r.id DESC LIMIT 1",
        (name, check.at - _MIX_BEFORE_DAYS * _DAY, check.at, last, system, system, mixer, mixer, last),
    ).fetchone()
    return found


def _read(picture: Picture, found: tuple[int, int]) -> Seen:
    (mix,) = picture.numbered(found[:1])
    return mix
