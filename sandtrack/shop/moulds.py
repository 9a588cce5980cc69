"""Which moulds stand, what they hold, and when the last sand in each can be drawn."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sandtrack.plant import MOULDS
from sandtrack.records import times
from sandtrack.shop import blocks, dangers
from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.dosing import course, sand_temperature, sands, systems
from sandtrack.shop.dosing.checks import HIGHEST_C, LOWEST_C, lever_of_mix, lot_of_mix
from sandtrack.shop.dosing.learned import STARTING, Law, learned_law
from sandtrack.shop.dosing.serving import COVERAGE
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.trade.learning.checks import NOT_RECORDED
from sandtrack.trade.learning.protocol import StripTimes

_HOUR = 3_600_000_000
_MINUTE = 60_000_000


@dataclass
class _Mould:
    """One mould in its present life, since its last knock-out."""

    number: str
    held_mg: Mapping[str, int]
    ended_at: int | None
    filled: list[Seen]
    poured_at: int | None = None
    held: bool = False
    flags: list[Flag] = field(default_factory=list)

    @property
    def mixes(self) -> list[Seen]:
        return [seen for seen in self.filled if seen.kind == "mix"]

    @property
    def since(self) -> int:
        return self.filled[0].at

    def flag(self, code: str, text: str) -> None:
        """Say something of this mould, once: several of its mixes may say the same."""
        said = Flag(code, f"mould {self.number}: {text}", self.number)
        if said not in self.flags:
            self.flags.append(said)


def moulds(picture: Picture) -> Answer:
    """Every mould that holds something at the instant, the one that stands longest first.

    Values: `moulds` {number: {`standing_since`, `last_sand_at`, `contents_kg` {material: kg}, `mixers`,
    `binder_systems`, `purposes`, `patterns`, `mixes` (ids), `poured`, `poured_at`, `held`, `strip_from`, `strip_by`
    (clock times of the low and high end of the range), `chance_stripped`, `ready` (yes, likely, not yet; None where
    it is poured or not known), `ready_words`}}. Ranges: `strip_time_min.NUMBER`, from the mould's last sand.
    """
    standing = sorted(_standing(picture), key=lambda mould: (mould.since, mould.number))
    _look_for_pours(picture, standing)
    blocked = [block for block in blocks.blocked(picture) if block.what == "mould"]
    held = {block.key for block in blocked}
    ranges: dict[str, Range] = {}
    questions = _Questions(picture)
    for mould in standing:
        mould.held = mould.number in held
        _look_at(picture, mould)
        for mix in mould.mixes:
            questions.ask(mould, mix)
    clocks, laws = questions.answered(), questions.laws
    entries: dict[str, dict[str, Any]] = {}
    for mould in standing:
        own = [clocks.get(mix.seq) for mix in mould.mixes]
        entries[mould.number] = {**_contents(picture, mould), **_strip(picture, mould, own, ranges)}
    flags = [flag for mould in standing for flag in mould.flags]
    flags += [block.flag for block in blocked if block.key in entries]
    flags += [flag for law in laws.values() for flag in law.flags()]
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
                "several mixes the slowest counts; later where air colder than the sand was measured since",
                "derived",
                "; ".join(f"{law.system.name}: {law.basis(picture).value}" for law in laws.values()) or STARTING,
            ),
        ),
        flags=tuple(flags),
        cautions=dangers.cautions("moulds", _families(picture, standing), [flag.code for flag in flags]),
        head=picture.head,
    )


def _families(picture: Picture, standing: list[_Mould]) -> set[str]:
    """Binder families in the moulds that stand."""
    used = {(mix.at, mix.values["binder_system"]) for mould in standing for mix in mould.mixes}
    return {picture.setups.on(at).find("binder_systems", key).family for at, key in used}


def _standing(picture: Picture) -> Iterator[_Mould]:
    """Open moulds, each with the records that filled it since it was last emptied; by the index on moulds alone."""
    connection, last = picture.reader.connection, picture.reader.last
    for number, held in picture.reader.mould_contents_mg(picture.at).items():
        (ended,) = connection.execute(
            "SELECT max(at) FROM ending e WHERE mould = ? AND at <= ? AND record <= ? "
            "AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = e.record AND v.record <= ?)",
            (number, picture.at, last, last),
        ).fetchone()
        rows = connection.execute(
            "SELECT DISTINCT event FROM movement m WHERE mould = ? AND at > ? AND at <= ? AND target = ? "
            "AND record <= ? AND NOT EXISTS (SELECT 1 FROM reversal v WHERE v.of = m.event AND v.record <= ?)",
            (number, -(2**62) if ended is None else ended, picture.at, MOULDS, last, last),
        ).fetchall()
        filled = list(picture.numbered(row[0] for row in rows))
        if filled:
            yield _Mould(number, held, ended, filled)


def _look_for_pours(picture: Picture, standing: list[_Mould]) -> None:
    by_number = {mould.number: mould for mould in standing}
    if not standing:
        return
    for pour in picture.records("pour", since=standing[0].since, naming=by_number):
        for number in pour.values["moulds"]:
            mould = by_number.get(number)
            if mould is not None and pour.at >= mould.since and mould.poured_at is None:
                mould.poured_at = pour.at


def _look_at(picture: Picture, mould: _Mould) -> None:
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
        mould.flag("two_families", f"holds sand of {names}: one upsets the cure of the other")


def _contents(picture: Picture, mould: _Mould) -> dict[str, Any]:
    def told(name: str, default: str | None = None) -> list[str]:
        values = [mix.values.get(name, default) for mix in mould.mixes]
        return list(dict.fromkeys(value for value in values if value is not None))

    patterns = [
        dict(zip(mix.values["moulds"], mix.values.get("patterns", ()), strict=False)).get(mould.number)
        for mix in mould.mixes
    ]
    return {
        "standing_since": times.show(mould.since, picture.zone),
        "last_sand_at": times.show(mould.filled[-1].at, picture.zone),
        "contents_kg": {material: mass / KG for material, mass in sorted(mould.held_mg.items())},
        "mixers": told("mixer"),
        "binder_systems": told("binder_system"),
        "purposes": told("purpose", "whole"),
        "patterns": list(dict.fromkeys(pattern for pattern in patterns if pattern)),
        "mixes": [mix.id for mix in mould.mixes],
        "poured": mould.poured_at is not None,
        "poured_at": None if mould.poured_at is None else times.show(mould.poured_at, picture.zone),
        "held": mould.held,
    }


@dataclass(frozen=True)
class _Clock:
    """When one mix strips, as instants, and the chance that it has."""

    low: int
    mid: int
    high: int
    chance: float


def _strip(picture: Picture, mould: _Mould, clocks: list[_Clock | None], ranges: dict[str, Range]) -> dict[str, Any]:
    """Clock times of the slowest of a mould's mixes, and whether it is ready to be tried."""
    known = [clock for clock in clocks if clock is not None]
    if not known or len(known) < len(clocks):
        words = "its strip time is not known: test, then draw"
        return {"strip_from": None, "strip_by": None, "chance_stripped": None, "ready": None, "ready_words": words}
    low, mid, high = (max(getattr(clock, end) for clock in known) for end in ("low", "mid", "high"))
    start = mould.mixes[-1].at
    ranges[f"strip_time_min.{mould.number}"] = Range(
        (low - start) / _MINUTE,
        (mid - start) / _MINUTE,
        (high - start) / _MINUTE,
        COVERAGE,
        "minutes from the end of the mould's last mix until its pattern can be drawn",
    )
    ready, words = _ready(picture, mould, low, mid, high)
    return {
        "strip_from": times.show(low // _MINUTE * _MINUTE, picture.zone),
        "strip_by": times.show(high // _MINUTE * _MINUTE, picture.zone),
        "chance_stripped": min(clock.chance for clock in known),
        "ready": ready,
        "ready_words": words,
    }


def _ready(picture: Picture, mould: _Mould, low: int, mid: int, high: int) -> tuple[str | None, str]:
    if mould.poured_at is not None:
        return None, f"poured at {times.minute(mould.poured_at, picture.zone)}"
    late = times.show(high, picture.zone)[11:16]
    stop = "held: not to be used until it is released; " if mould.held else ""
    if picture.at >= high:
        return "yes", f"{stop}past the late end of its range ({late}): test, then draw"
    if picture.at >= mid:
        return "likely", f"{stop}more likely than not, but it could take until {late}: test, then draw"
    early = times.show(low, picture.zone)[11:16]
    when = "it could be by now" if picture.at >= low else f"it could be from {early}"
    return "not yet", f"{stop}not yet likely; {when}, and may take until {late}: test, then draw"


class _Questions:
    """What is to be asked of the strip times for every mix in a standing mould: each law is asked once for all."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture
        self.laws: dict[str, Law] = {}
        self._known: dict[tuple[int, str, str | None], tuple[System, Law | None]] = {}
        self._asked: dict[int, tuple[Law, StripTimes, dict[int, tuple[int, float, float, int, float]]]] = {}

    def ask(self, mould: _Mould, mix: Seen) -> None:
        """Ask by a mix's own record, once for all moulds that it filled; flags where that does not say enough."""
        system, law = self._system_of(mix)
        if law is None:
            mould.flag("no_reference", f"no strip time of {system.name} is known: the set-up gives no reference")
            return
        temp = _sand_temp_c(self.picture, mould, mix)
        lever = None if temp is None else _lever(self.picture, system, mould, mix)
        if temp is None or lever is None:
            return
        self.laws[system.key] = law
        sand = sands.of_mix(self.picture, mix.seq, mix.at)
        lot, strip_times = law.label(lot_of_mix(self.picture, system, mix), sand), law.times_on(sand)
        *_, rows = self._asked.setdefault(id(strip_times), (law, strip_times, {}))
        kg = sum(mould.held_mg.values()) / KG
        kg = min(kg, rows[mix.seq][4]) if mix.seq in rows else kg  # the smallest follows the air soonest
        rows[mix.seq] = (mix.at, temp, lever, NOT_RECORDED if lot is None else lot, kg)

    def answered(self) -> dict[int, _Clock]:
        """Clock of each mix by its place in the chain."""
        found: dict[int, _Clock] = {}
        for law, strip_times, rows in self._asked.values():
            at, temp, lever, lot, kg = (np.array(column) for column in zip(*rows.values(), strict=True))
            spans = np.array(strip_times.strip_range_min(temp, lever, coverage=COVERAGE, lot=lot))
            passed = (self.picture.at - at) / _MINUTE
            energy = law.cure_law.activation_energy_kj_mol
            for row, filled_at in enumerate(at.tolist()):
                mould = course.by_air(self.picture, filled_at, spans[2, row], temp[row], kg[row], energy)
                if mould is not None:
                    spans[:, row] = [mould.later_min(kept) for kept in spans[:, row].tolist()]
                    passed[row] = mould.kept_min(passed[row])
            chance = strip_times.chance_by(np.where(passed > 0, passed, 1.0), temp, lever, lot=lot)
            ends = [(at + np.round(span * _MINUTE)).astype(np.int64).tolist() for span in spans]
            chances = np.where(passed > 0, chance, 0.0).tolist()
            found |= {seq: _Clock(*one) for seq, *one in zip(rows, *ends, chances, strict=True)}
        return found

    def _system_of(self, mix: Seen) -> tuple[System, Law | None]:
        day = self.picture.setups.on(mix.at)
        key = (day.revision, mix.values["binder_system"], mix.values.get("purpose"))
        if key not in self._known:
            system = systems.system(day.find("binder_systems", key[1]), key[2])
            self._known[key] = system, learned_law(self.picture, system)
        return self._known[key]


def _sand_temp_c(picture: Picture, mould: _Mould, mix: Seen) -> float | None:
    """Temperature of a mix's sand: its own, else the last read before it; None, with a flag, where there is none."""
    temp: float | None = mix.values.get("sand_temp_c")
    if temp is None:
        last = next(sand_temperature.readings(picture, mix.values["mixer"], mix.at, sand_temperature.OLDEST_H), None)
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


def _lever(picture: Picture, system: System, mould: _Mould, mix: Seen) -> float | None:
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
