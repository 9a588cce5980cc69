"""What a mixer's calibrations say: rates, settings, ranges, drift, what drift does to the mix, when it is due."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop import dangers, handled
from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.dosing import systems
from sandtrack.shop.mixers import changes
from sandtrack.shop.mixers.pumps import (
    CATCH,
    CHANCE,
    LINE,
    PROPORTION,
    Rate,
    Session,
    Use,
    due_on,
    is_sand,
    sessions,
    tolerance_field,
    uses,
)
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import day
from sandtrack.trade.catches import CatchSpread, ratio_error_pct


def calibration(picture: Picture, mixer: str) -> Answer:
    """What the latest calibrations of a mixer say, stream by stream.

    Values: `streams` {stream: calibrated_at, setting, settings, catches, rate_kg_min, how, line {intercept_kg_min,
    slope_kg_min}, largest_pct, tolerance_pct, steady, before {at, setting, rate_kg_min}, drift_pct, beyond_tolerance,
    wanted {system: kg_min, setting, inside}}, `ratio_error_pct` {system: {resin_on_sand, part_2_on_part_1,
    catalyst_on_resin}} where all their streams were caught on the latest day of calibration and once before,
    `calibrate_every_days`, `due_on`, `overdue`, `recalibrate` [reasons].
    Ranges: `rate_kg_min.STREAM`, `drift_pct.STREAM`, `setting.STREAM.SYSTEM`, `ratio_error_pct.SYSTEM.NAME`.
    """
    entry: Mixer = picture.plant.named("mixers", mixer)
    name = picture.name("mixers", mixer)
    found = sessions(picture, mixer)
    if not found:
        return Answer(
            question="calibration",
            as_of=picture.as_of,
            known_on=picture.known_on,
            values={"mixer": mixer, "streams": {}},
            cautions=dangers.cautions("calibration", handled.of_mixer(picture.day, mixer)),
            possible=False,
            because=f"no calibration of {name} is recorded up to {picture.as_of[:10]}",
            instead=(CATCH,),
            head=picture.head,
        )
    streams = {stream: _Stream(picture, entry, known, tuple(found)) for stream, known in sorted(found.items())}
    ranges: dict[str, Range] = {}
    for one in streams.values():
        ranges |= one.ranges()
    ratios = _ratios(entry, streams, ranges)
    due_on, overdue = _due(picture, entry, found)
    reasons = changes.reasons(picture, entry, {stream: one.last.at for stream, one in streams.items()})
    flags = [flag for one in streams.values() for flag in one.flags()]
    if overdue and due_on is not None:
        flags.append(Flag("calibration_overdue", f"{name} was due for calibration on {due_on}: {CATCH}", mixer))
    if reasons:
        flags.append(Flag("recalibrate", f"calibrate {name} again: {'; '.join(reasons)}", mixer))
    return Answer(
        question="calibration",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={
            "mixer": mixer,
            "streams": {stream: one.told() for stream, one in streams.items()},
            "ratio_error_pct": ratios,
            "calibrate_every_days": entry.calibrate_every_days,
            "due_on": None if due_on is None else due_on.isoformat(),
            "overdue": overdue,
            "recalibrate": reasons,
        },
        ranges=ranges,
        basis=_basis(picture, streams),
        flags=tuple(flags),
        cautions=dangers.cautions("calibration", handled.of_mixer(picture.day, mixer), [flag.code for flag in flags]),
        head=picture.head,
    )


def _basis(picture: Picture, streams: Mapping[str, _Stream]) -> tuple[Basis, ...]:
    return (
        Basis("catches", "of the latest day of calibration of each stream", "record", picture.head),
        *(
            [Basis("setting for a rate", f"{LINE}, range by Fieller's theorem", "derived", "Fieller 1954")]
            if any(one.last.line is not None for one in streams.values())
            else []
        ),
        *(
            [Basis("setting for a rate", f"{PROPORTION}, range by Fieller's theorem for it", "default", "one setting")]
            if any(one.last.line is None for one in streams.values())
            else []
        ),
        Basis("range", "Student's t on the catches; it leaves out what pumps do between calibrations", "derived", "t"),
        Basis(
            "ratios",
            "(1 + error of the one) ÷ (1 + error of the other) − 1, errors against the calibration before: what the "
            "mix is off by where settings stay as they were; only of streams caught on the same day",
            "derived",
            "ratio of two flows",
        ),
        Basis("catch again when", changes.REASONS, "practice", "flow follows grain, grade and temperature"),
    )


class _Stream:
    """One stream: its latest calibration, the one before, and what it is to deliver."""

    def __init__(self, picture: Picture, mixer: Mixer, known: list[Session], streams: tuple[str, ...]) -> None:
        self.picture, self.mixer = picture, mixer
        self.last, self.before = known[-1], known[-2] if len(known) > 1 else None
        self.stream, self.setting = self.last.stream, self.last.last_setting
        self.tolerance: float | None = getattr(mixer, tolerance_field(self.picture.day, self.mixer, self.stream))
        self.uses = uses(mixer, self.stream, streams)
        self.rate = self.last.rate(self.setting)
        self.day = times.day_of(self.last.at, picture.zone)
        self.wanted = {
            use.system: (kg_min, self.last.setting_for(kg_min))
            for use in self.uses
            if (kg_min := wanted_kg_min(picture, mixer, use)) is not None
        }

    @property
    def drift(self) -> tuple[float, float | None] | None:
        """Rate at the last setting against the calibration before, and half of its range. [%]"""
        if self.before is None:
            return None
        old = self._rate_before(self.before)
        if not old.value > 0:
            return None
        drift = 100 * (self.rate.value / old.value - 1)
        if self.rate.reach is None or old.reach is None or not self.rate.value:
            return drift, None
        parts = self.rate.reach / self.rate.value, old.reach / old.value
        return drift, (100 + drift) * math.hypot(*parts)

    @property
    def spreads(self) -> dict[float, CatchSpread]:
        """Spread of the latest catches at each setting with more than one."""
        found = {setting: self.last.spread(setting, self.tolerance) for setting in self.last.settings}
        return {setting: spread for setting, spread in found.items() if spread is not None}

    def _rate_before(self, before: Session) -> Rate:
        return before.rate(self.setting)

    def told(self) -> dict[str, Any]:
        """The stream as an answer's values."""
        zone, line, drift = self.picture.zone, self.last.line, self.drift
        spreads, before = self.spreads, self.before
        return {
            "calibrated_at": times.show(self.last.at, zone),
            "setting": self.setting,
            "settings": self.last.settings,
            "catches": len(self.last.catches),
            "rate_kg_min": self.rate.value,
            "how": self.last.how,
            "line": None
            if line is None
            else {"intercept_kg_min": line.intercept_kg_min, "slope_kg_min": line.slope_kg_min},
            "largest_pct": max((one.largest_pct for one in spreads.values()), default=None),
            "tolerance_pct": self.tolerance,
            "steady": None if not spreads or self.tolerance is None else all(one.steady for one in spreads.values()),
            "before": None
            if before is None
            else {
                "at": times.show(before.at, zone),
                "setting": before.last_setting,
                "rate_kg_min": old if math.isfinite(old := self._rate_before(before).value) else None,
            },
            "drift_pct": None if drift is None else drift[0],
            "beyond_tolerance": None
            if drift is None or self.tolerance is None
            else abs(drift[0]) > self.tolerance * (1 + 1e-9),
            "wanted": {
                system: {
                    "kg_min": kg_min,
                    "setting": None if found is None else found.value,
                    "inside": None if found is None else found.inside,
                }
                for system, (kg_min, found) in self.wanted.items()
            },
        }

    def ranges(self) -> dict[str, Range]:
        """Ranges of rate, drift and settings."""
        found = {f"rate_kg_min.{self.stream}": self.rate.told("of the true rate at the last setting")}
        value, reach = self.drift or (0.0, None)
        if reach is not None:
            meaning = "of the true change since the calibration before, to first order"
            found[f"drift_pct.{self.stream}"] = Range(value - reach, value, value + reach, CHANCE, meaning)
        for system, (_, setting) in self.wanted.items():
            if setting is not None:
                meaning = "settings at which the stream cannot be told from the wanted rate (Fieller)"
                found[f"setting.{self.stream}.{system}"] = setting.told(meaning)
        return {name: span for name, span in found.items() if span is not None}

    def flags(self) -> Iterator[Flag]:
        """Catches that lie too far apart, a rate that moved, a range without end."""
        words = f"{self.stream.replace('_', ' ')} of {self.picture.name('mixers', self.mixer.key)}"
        on = day(self.last.at, self.picture.zone)
        if self.tolerance is None:
            field = f"{tolerance_field(self.picture.day, self.mixer, self.stream)} to [mixers.{self.mixer.key}]"
            text = f"the set-up has no tolerance of {words}, so nothing is judged: add {field}"
            yield Flag("tolerance_missing", text, self.stream)
        else:
            yield from self._beyond(self.tolerance, words, on)
        line = self.last.line
        if line is not None and (not line.slope_kg_min or not line.setting_for(self.rate.value).finite):
            text = (
                f"the catches of {words} on {on} do not show that its setting moves the rate, so no range can be "
                "given: catch again, at settings further apart"
            )
            yield Flag("no_range", text, self.stream)

    def _beyond(self, tolerance: float, words: str, on: str) -> Iterator[Flag]:
        """What lies further off than the tolerance."""
        for setting, spread in self.spreads.items():
            if not spread.steady:
                yield Flag(
                    "catches_apart",
                    f"a catch of {words} at setting {setting:g} on {on} lies {spread.largest_pct:.1f} % from their "
                    f"mean (tolerance {tolerance:g} %): air, a blocked screen, or the weighing? Catch again",
                    self.stream,
                )
        yield from self._bent(tolerance, words, on)
        if self.before is not None and self.drift is not None:
            off = self.drift[0]
            if abs(off) > tolerance * (1 + 1e-9):
                yield Flag(
                    "calibration_drift",
                    f"{words} at setting {self.setting:g} gave {self.rate.value:.3g} kg/min on {on}, {abs(off):.1f} % "
                    f"{'more' if off > 0 else 'less'} than on {day(self.before.at, self.picture.zone)} (tolerance "
                    f"{tolerance:g} %): look at the pump or gate, then set it by the new figure",
                    self.stream,
                )

    def _bent(self, tolerance: float, words: str, on: str) -> Iterator[Flag]:
        """The setting whose mean lies furthest off the line, if beyond the tolerance: the pump is not straight."""
        line = self.last.line
        if line is None or len(self.last.settings) < 3:
            return
        off = {
            setting: 100 * (self.last.mean_kg_min(setting) / float(line.rate_at(setting).value) - 1)
            for setting in self.last.settings
            if float(line.rate_at(setting).value) > 0
        }
        worst = max(off, key=lambda setting: abs(off[setting]), default=None)
        if worst is not None and abs(off[worst]) > tolerance * (1 + 1e-9):
            yield Flag(
                "not_straight",
                f"the catches of {words} at setting {worst:g} on {on} lie {abs(off[worst]):.1f} % "
                f"{'above' if off[worst] > 0 else 'below'} the line through all settings (tolerance "
                f"{tolerance:g} %): catch at the settings you use, or use no other",
                self.stream,
            )


def wanted_kg_min(picture: Picture, mixer: Mixer, use: Use) -> float | None:
    """Rate that a system's usual recipe asks of a draw at the mixer's sand rate; None where it cannot be told."""
    system = systems.named(picture.plant, use.system)
    share, sand = system.entry.reclaimed_share, mixer.sand_kg_min
    if use.draw in ("new_sand", "reclaimed_sand"):
        if share is None:
            return None
        return sand * share if use.draw == "reclaimed_sand" else sand * (1 - share)
    if use.draw == "sand":
        return sand
    material = picture.day.material_at(use.place)
    liquid = next((name for name, own in system.liquids.items() if own == material), None)
    if liquid is None or system.usual is None:
        return None
    flow = float(system.dose(system.usual, sand).liquids[liquid])
    return flow if flow > 0 else None


_KINDS = {"resin": "resin", "part_1": "resin", "part_2": "second", "co_reactant": "second"}


def _ratios(
    mixer: Mixer, streams: Mapping[str, _Stream], ranges: dict[str, Range]
) -> dict[str, dict[str, float | None]]:
    """What drift since the calibration before does to resin on sand and catalyst on resin, by system."""
    latest = max(one.day for one in streams.values())
    found: dict[str, dict[str, float | None]] = {}
    for system in mixer.binder_systems:
        groups: dict[str, list[tuple[float, tuple[float, float | None] | None]]] = {}
        for one in streams.values():
            use = next((use for use in one.uses if use.system == system), None)
            if use is not None:
                kind = "sand" if is_sand(one.picture.day, mixer, use.draw) else _KINDS.get(use.draw, "catalyst")
                weight = one.wanted[system][0] if system in one.wanted else one.rate.value
                groups.setdefault(kind, []).append((weight, one.drift if one.day == latest else None))
        resin, second = groups.get("resin", []), groups.get("second", [])
        asked = {"resin_on_sand": (resin + second, groups.get("sand", []))}
        asked |= {"part_2_on_part_1": (second, resin)} if second else {}
        asked |= {"catalyst_on_resin": (groups.get("catalyst", []), resin)}
        found[system] = {}
        for name, (top, base) in asked.items():
            span = _ratio(_together(top), _together(base))
            found[system][name] = None if span is None else span.mid
            if span is not None and span.low < span.high:
                ranges[f"ratio_error_pct.{system}.{name}"] = span
    return found


def _ratio(above: tuple[float, float | None] | None, below: tuple[float, float | None] | None) -> Range | None:
    """Error of a ratio of two flows with its range; without width where that is not known, None without errors."""
    if above is None or below is None:
        return None
    value = float(ratio_error_pct(resin_error_pct=above[0], sand_error_pct=below[0]))
    reach = 0.0
    if above[1] is not None and below[1] is not None:
        reach = (100 + value) * math.hypot(above[1] / (100 + above[0]), below[1] / (100 + below[0]))
    return Range(value - reach, value, value + reach, CHANCE, "errors of all catches together, to first order")


def _together(parts: list[tuple[float, tuple[float, float | None] | None]]) -> tuple[float, float | None] | None:
    """Error of several streams that flow together, each by its share, and half of its range; None if one is unknown."""
    whole = sum(weight for weight, _ in parts)
    known = [(weight / whole, *drift) for weight, drift in parts if drift is not None] if whole > 0 else []
    if not parts or len(known) < len(parts):
        return None
    reaches = [share * reach for share, _, reach in known if reach is not None]
    error = sum(share * drift for share, drift, _ in known)
    return error, math.hypot(*reaches) if len(reaches) == len(known) else None


def _due(picture: Picture, mixer: Mixer, found: Mapping[str, list[Session]]) -> tuple[date | None, bool]:
    """The working day by which the stream calibrated longest ago is due, and whether that day has passed."""
    due = due_on(picture, mixer, min(known[-1].at for known in found.values()))
    return due, due is not None and picture.today > due
