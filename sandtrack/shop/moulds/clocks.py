"""When each mix in a standing mould strips: each law is asked once for all of them, and looks count with it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

import numpy as np

from sandtrack.shop.dosing import course, lots, sand_temperature, sands, systems
from sandtrack.shop.dosing.checks import HIGHEST_C, LOWEST_C, lever_of_mix
from sandtrack.shop.dosing.learned import Law, learned_law
from sandtrack.shop.dosing.serving import COVERAGE
from sandtrack.shop.dosing.strength import Strength, Strengths
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.dosing.temperatures import OfAir, OfSand
from sandtrack.shop.dosing.warmth import cube_min
from sandtrack.shop.moulds.standing import Mould
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.shop.watch.dangerous.castings import unreleased
from sandtrack.shop.watch.dangerous.evidence import Evidence
from sandtrack.shop.watch.dangerous.places import blocked_place_drawn
from sandtrack.trade.learning.checks import NOT_RECORDED
from sandtrack.trade.learning.protocol import StripTimes
from sandtrack.trade.learning.within import chance_within_by, strip_range_within_min

_MINUTE = 60_000_000
# practice: no estimate is surer than this; shown as "over 99 %".
MOST_CHANCE = 0.999


@dataclass(frozen=True)
class Clock:
    """When one mix strips, as instants, and the chance that it has."""

    ENDS: ClassVar = ("low", "mid", "high", "latest")
    low: int
    mid: int
    high: int
    latest: int
    """The late end of the estimate, without what was seen of the mould."""
    chance: float


class _Key(NamedTuple):
    """A mix, and between which instants it stripped by what was seen of its mould; unseen moulds share a clock."""

    mix: int
    soft_at: int | None
    firm_at: int | None


class _Row(NamedTuple):
    """What a law is asked about one mix."""

    at: int
    temp_c: float
    lever: float
    lot: int
    kg: float
    after_min: float
    until_min: float


class Clocks:
    """What is to be asked of the strip times for every mix in a standing mould: each law is asked once for all."""

    def __init__(self, picture: Picture, mixes: Iterable[Seen]) -> None:
        self.picture = picture
        mixes = list(mixes)
        self._since = min((mix.at for mix in mixes), default=picture.at)
        self._strengths: dict[tuple[str, str], Strengths] = {}
        without = (mix.at for mix in mixes if "sand_temp_c" not in mix.values)
        self._read = OfSand(picture, without, sand_temperature.OLDEST_H)
        self._evidence = Evidence(picture)
        self.laws: dict[str, Law] = {}
        self._known: dict[tuple[int, str, str | None], tuple[System, Law | None]] = {}
        self._to_ask: dict[int, tuple[Law, StripTimes, dict[_Key, _Row]]] = {}
        self._keys: dict[tuple[str, int], _Key] = {}
        self._clocks: dict[_Key, Clock | None] = {}

    def ask(self, mould: Mould, mix: Seen) -> None:
        """Ask by a mix's own record, once for all moulds that it filled; flags where that does not say enough."""
        system, law = self._system_of(mix)
        wrong = list(unreleased(self._evidence, mould.number, [mix]))
        drawn = unreleased(self._evidence, mould.number, [mix], judge=blocked_place_drawn)
        for danger in (*wrong, *drawn):
            mould.doubt(danger.code, danger.text)
        if law is None:
            mould.flag("no_reference", f"no strip time of {system.name} is known: the set-up gives no reference")
            return
        temp = _sand_temp_c(self._read, mould, mix)
        lever = None if temp is None or wrong else _lever(self.picture, system, mould, mix)
        if temp is None or lever is None:
            return
        self.laws[system.key] = law
        sand = sands.of_mix(self.picture, mix.seq, mix.at)
        lot, strip_times = law.label(lots.of_mix(self.picture, system, mix), sand), law.times_on(sand)
        *_, rows = self._to_ask.setdefault(id(strip_times), (law, strip_times, {}))
        looks = mould.looks.judged_as(law.gathered.judged)
        key = self._keys[mould.number, mix.seq] = _Key(mix.seq, looks.soft_at, looks.firm_at)
        kg = sum(mould.held_mg.values()) / KG
        kg = min(kg, rows[key].kg) if key in rows else kg  # the smallest follows the air soonest
        after = 0.0 if looks.soft_at is None else max((looks.soft_at - mix.at) / _MINUTE, 0.0)
        until = math.inf if looks.firm_at is None else max((looks.firm_at - mix.at) / _MINUTE, after)
        label = NOT_RECORDED if lot is None else lot
        rows[key] = _Row(
            mix.at,
            temp,
            law.as_now(lever, self._strength_of(system, mix)),
            label,
            kg,
            after,
            until if until > 0 else math.inf,
        )

    def answer(self) -> None:
        """Ask each law."""
        for law, strip_times, rows in self._to_ask.values():
            self._clocks |= dict(zip(rows, self._of_law(law, strip_times, list(rows.values())), strict=True))

    def of(self, mould: Mould) -> list[Clock | None]:
        """Clocks of a mould's mixes; None where that is not known."""
        keys = (self._keys.get((mould.number, mix.seq)) for mix in mould.mixes)
        return [None if key is None else self._clocks.get(key) for key in keys]

    def _of_law(self, law: Law, strip_times: StripTimes, rows: list[_Row]) -> list[Clock | None]:
        at, temp, lever, lot, kg, after, until = (np.array(column) for column in zip(*rows, strict=True))
        spans = np.array(strip_times.strip_range_min(temp, lever, coverage=COVERAGE, lot=lot))
        passed = (self.picture.at - at) / _MINUTE
        energy = law.cure_law.activation_energy_kj_mol
        moved: dict[int, course.Course] = {}
        highest = np.maximum(spans[2], after)
        counts = [course.may_count(self.picture.at, *row) for row in zip(at.tolist(), highest.tolist(), strict=True)]
        air, drift = OfAir(self.picture, counts), cube_min(kg)
        for row, stretch in enumerate(counts):
            way = course.by_air(air, stretch, highest[row], temp[row], drift[row], energy)
            if way is not None:
                moved[row] = way
                looked = np.array([passed[row], after[row], until[row]])
                passed[row], after[row], until[row] = way.kept_min(looked)
        chance = strip_times.chance_by(np.where(passed > 0, passed, 1.0), temp, lever, lot=lot)
        chance, latest = np.where(passed > 0, chance, 0.0), spans[2].copy()
        (seen,) = np.nonzero((after > 0) | np.isfinite(until))
        if seen.size:
            bounds = {"after_min": after[seen], "until_min": until[seen], "lot": lot[seen]}
            conditions = temp[seen], lever[seen]
            spans[:, seen] = strip_range_within_min(strip_times, *conditions, coverage=COVERAGE, **bounds)
            by = np.where(passed[seen] > 0, passed[seen], 1.0)
            chance[seen] = chance_within_by(strip_times, by, *conditions, **bounds)
        for row, way in moved.items():
            *spans[:, row], latest[row] = way.later_min(np.append(spans[:, row], latest[row]))
        chance = np.minimum(chance, MOST_CHANCE)
        return [_clock(*row) for row in zip(at.tolist(), spans.T, chance.tolist(), latest.tolist(), strict=True)]

    def _strength_of(self, system: System, mix: Seen) -> Strength:
        key = system.key, system.liquids.get("catalyst", "")
        if key not in self._strengths:
            self._strengths[key] = Strengths(self.picture, system, self._since)
        return self._strengths[key].at(mix.at)

    def _system_of(self, mix: Seen) -> tuple[System, Law | None]:
        day = self.picture.setups.on(mix.at)
        key = (day.revision, mix.values["binder_system"], mix.values.get("purpose"))
        if key not in self._known:
            system = systems.system(day.find("binder_systems", key[1]), key[2])
            self._known[key] = system, learned_law(self.picture, system)
        return self._known[key]


def _clock(at: int, span: Any, chance: float, latest: float) -> Clock | None:
    """Instants from minutes; None where what was seen leaves nothing of the estimate."""
    if np.isnan(span).any():
        return None
    low, mid, high = (at + round(float(end) * _MINUTE) for end in span)
    return Clock(low, mid, high, at + round(latest * _MINUTE), chance)


def _sand_temp_c(read: OfSand, mould: Mould, mix: Seen) -> float | None:
    """Temperature of a mix's sand: its own, else the last read before it; None, with a flag, where there is none."""
    temp: float | None = mix.values.get("sand_temp_c")
    if temp is None:
        last = read.last(mix.values["mixer"], mix.at)
        if last is None:
            mould.flag("sand_temp_unknown", f"mix {mix.id} gives no sand temperature, and none was read before it")
            return None
        temp = last.value_c
        text = f"mix {mix.id} gives no sand temperature: {temp:.1f} °C of {last.source} is used"
        mould.flag("sand_temp_recorded", text)
    if not LOWEST_C <= temp <= HIGHEST_C:
        mould.flag("sand_temp_implausible", f"mix {mix.id} says {temp:.1f} °C, which mixed sand is not")
        return None
    return temp


def _lever(picture: Picture, system: System, mould: Mould, mix: Seen) -> float | None:
    """What sets the speed, as a mix drew it, else the usual; None, with a flag, where neither is known."""
    lever = lever_of_mix(picture, system, mix)
    if lever is not None:
        if not system.window.holds(lever):
            text = f"mix {mix.id} had {system.show(round(lever, 1))}, outside the window of {system.window}"
            mould.flag("outside_window", text)
        return lever
    if system.usual is None:
        mould.flag("setting_unknown", f"mix {mix.id} does not tell its {system.lever_word}, nor does the set-up")
        return None
    text = f"mix {mix.id} does not tell its {system.lever_word}: the usual {system.show(system.usual)} is taken"
    mould.flag("setting_unknown", text)
    return system.usual
