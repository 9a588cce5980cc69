"""The streams of a mixer by their timed catches: rate at a setting, setting for a rate, each with its range."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop.answer import Range
from sandtrack.shop.picture import KG, Picture
from sandtrack.trade.calibration import CalibrationLine, Estimate, calibration_line
from sandtrack.trade.catches import CatchSpread, catch_spread, rates_kg_min

DAY_US = 86_400_000_000
BACK_DAYS = 400
CHANCE = 0.95
LINE = "line through the catches at several settings"
PROPORTION = "one setting caught: rate taken as proportional to the setting"


class Catch(NamedTuple):
    """One timed, weighed catch."""

    setting: float
    seconds: float
    mass_kg: float


@dataclass(frozen=True)
class Session:
    """The catches of one stream on one day of the shop."""

    mixer: str
    stream: str
    at: int
    catches: tuple[Catch, ...]

    @property
    def last_setting(self) -> float:
        """The setting caught last."""
        return self.catches[-1].setting

    @property
    def settings(self) -> list[float]:
        """Every setting caught, lowest first."""
        return sorted({catch.setting for catch in self.catches})

    @cached_property
    def line(self) -> CalibrationLine | None:
        """The line through all catches; None with one setting or fewer than three catches."""
        if len(self.settings) < 2 or len(self.catches) < 3:
            return None
        return calibration_line(
            settings=[catch.setting for catch in self.catches],
            seconds=[catch.seconds for catch in self.catches],
            masses_kg=[catch.mass_kg for catch in self.catches],
        )

    @property
    def how(self) -> str:
        """How rates and settings are told from the catches."""
        return LINE if self.line is not None else PROPORTION

    def at_setting(self, setting: float) -> list[Catch]:
        """The catches at one setting."""
        return [catch for catch in self.catches if catch.setting == setting]

    def mean_kg_min(self, setting: float) -> float:
        """Mean rate of the catches at one setting."""
        own = self.at_setting(setting)
        rates = rates_kg_min(seconds=[one.seconds for one in own], masses_kg=[one.mass_kg for one in own])
        return float(rates.mean())

    def spread(self, setting: float, tolerance_pct: float | None) -> CatchSpread | None:
        """How far the catches at one setting lie apart; None with one catch or nothing caught."""
        own = self.at_setting(setting)
        if len(own) < 2 or not any(one.mass_kg for one in own):
            return None
        return catch_spread(
            seconds=[one.seconds for one in own],
            masses_kg=[one.mass_kg for one in own],
            tolerance_pct=tolerance_pct or 100.0,
            chance=CHANCE,
        )

    def rate(self, setting: float) -> Rate:
        """Rate at a setting; without a line, in proportion to the last setting caught."""
        if self.line is not None:
            return _as_rate(self.line.rate_at(setting, chance=CHANCE))
        own = self.last_setting
        factor = setting / own if own else (1.0 if setting == own else math.nan)
        spread, mean = self.spread(own, None), self.mean_kg_min(own)
        if spread is None:
            return Rate(mean * factor, None, None, inside=setting == own)
        low, high = sorted((spread.low_kg_min * factor, spread.high_kg_min * factor))
        return Rate(mean * factor, low, high, inside=setting == own)

    def setting_for(self, rate_kg_min: float) -> Rate | None:
        """Setting that gives a rate, with its range by Fieller; None where no setting can be told."""
        if self.line is not None:
            return _as_rate(self.line.setting_for(rate_kg_min, chance=CHANCE)) if self.line.slope_kg_min else None
        own, mean = self.last_setting, self.mean_kg_min(self.last_setting)
        if mean <= 0 or not own:
            return None
        spread = self.spread(own, None)
        value = own * rate_kg_min / mean
        if spread is None or spread.low_kg_min <= 0:
            return Rate(value, None, None, inside=math.isclose(value, own))
        low, high = sorted((own * rate_kg_min / spread.high_kg_min, own * rate_kg_min / spread.low_kg_min))
        return Rate(value, low, high, inside=math.isclose(value, own))


@dataclass(frozen=True)
class Rate:
    """A rate [kg/min] or a setting [mixer's scale] read off catches; no range where the catches give none."""

    value: float
    low: float | None
    high: float | None
    inside: bool
    """Whether it lies between the settings caught."""

    @property
    def reach(self) -> float | None:
        """Half of the range."""
        return None if self.low is None or self.high is None else (self.high - self.low) / 2

    def told(self, meaning: str) -> Range | None:
        """The range as an answer's."""
        if self.low is None or self.high is None:
            return None
        return Range(self.low, self.value, self.high, CHANCE, meaning)


@dataclass(frozen=True)
class PumpSetting:
    """The setting of one stream for a wanted rate."""

    mixer: str
    stream: str
    kg_min: float
    setting: float
    low: float | None
    high: float | None
    inside: bool
    """Whether the setting lies between those caught; beyond them it is a guess."""
    how: str
    calibrated_at: int


def sessions(picture: Picture, mixer: str) -> dict[str, list[Session]]:
    """Calibrations of a mixer up to the picture's instant by stream, a day of the shop each, in order of time."""
    found: dict[str, dict[str, list[tuple[int, Catch]]]] = {}
    since = picture.at - BACK_DAYS * DAY_US
    for seen in picture.records("calibration", since=since, naming=[mixer]):
        if seen.values["mixer"] != mixer:
            continue
        on, day = picture.setups.on(seen.at), times.day_of(seen.at, picture.zone)
        caught = found.setdefault(seen.values["stream"], {}).setdefault(day, [])
        setting = float(seen.values["setting"])
        caught += [
            (seen.at, Catch(setting, float(one["seconds"]), on.mass_mg(one["mass_kg"]) / KG))
            for one in seen.values["catches"]
        ]
    return {
        stream: [Session(mixer, stream, caught[-1][0], tuple(catch for _, catch in caught)) for caught in days.values()]
        for stream, days in found.items()
    }


def pump_setting(picture: Picture, mixer: str, stream: str, kg_min: float) -> PumpSetting | None:
    """Setting of a stream for a rate by its latest calibration, with its range; None where none was recorded."""
    known = sessions(picture, mixer).get(stream)
    found = known[-1].setting_for(kg_min) if known else None
    if not known or found is None:
        return None
    last = known[-1]
    return PumpSetting(mixer, stream, kg_min, found.value, found.low, found.high, found.inside, last.how, last.at)


class Use(NamedTuple):
    """A binder system that draws a stream, the name of the draw, and the place."""

    system: str
    draw: str
    place: str


def uses(mixer: Mixer, stream: str, streams: Iterable[str]) -> list[Use]:
    """Which systems draw a stream: by its name, or by SYSTEM_NAME where each has a pump or gate of its own."""
    known = set(streams)
    found = []
    for system, draws in mixer.draws.items():
        for draw, place in draws.items():
            own = f"{system}_{draw}"
            if stream == own or (stream == draw and own not in known):
                found.append(Use(system, draw, place))
    return found


def tolerance_pct(mixer: Mixer, stream: str) -> float | None:
    """The mixer's tolerance of a stream, by what its name says it is; catalysts come under many names."""
    if "sand" in stream:
        return mixer.sand_tolerance_pct
    return mixer.resin_tolerance_pct if "resin" in stream or "part_" in stream else mixer.catalyst_tolerance_pct


def _as_rate(found: Estimate) -> Rate:
    value, low, high = float(found.value), float(found.low), float(found.high)
    known = found.finite and math.isfinite(low) and math.isfinite(high)
    return Rate(value, low if known else None, high if known else None, inside=bool(found.inside))
