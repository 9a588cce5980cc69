"""The streams of a mixer by their timed catches: rate at a setting, setting for a rate, each with its range."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary

import numpy as np

from sandtrack.ledger import Day, Setups
from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop.answer import Range
from sandtrack.shop.picture import KG, Picture, Seen
from sandtrack.trade.calibration import CalibrationLine, Estimate, calibration_line
from sandtrack.trade.catches import CatchSpread, catch_spread, rates_kg_min

DAY_US = 86_400_000_000
BACK_DAYS = 400
CHANCE = 0.95
LINE = "line through the catches at several settings"
PROPORTION = "one setting caught: rate taken as proportional to the setting"
CATCH = "weigh three timed catches of each stream, two settings or more"
_HAIR = 1e-9


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

    @cached_property
    def straight(self) -> tuple[float, float] | None:
        """Rate at setting 0 and its rise per unit; None where the catches do not show that it rises."""
        if self.line is not None:
            rises = self.line.slope_kg_min > 0 and self.line.setting_for(0.0, chance=CHANCE).finite
            return (self.line.intercept_kg_min, self.line.slope_kg_min) if rises else None
        mean, _ = self.alone
        return (0.0, mean / self.last_setting) if self.last_setting > 0 and mean > 0 else None

    @cached_property
    def alone(self) -> tuple[float, CatchSpread | None]:
        """Mean rate of the catches at the setting caught last, and how far they lie apart."""
        return self.mean_kg_min(self.last_setting), self.spread(self.last_setting, None)

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
        mean, spread = self.alone
        if spread is None:
            return Rate(mean * factor, None, None, inside=setting == own)
        low, high = sorted((spread.low_kg_min * factor, spread.high_kg_min * factor))
        return Rate(mean * factor, low, high, inside=setting == own)

    def setting_for(self, rate_kg_min: float) -> Rate | None:
        """Setting that gives a rate, with its range by Fieller; None where no setting can be told."""
        if self.line is not None:
            return _as_rate(self.line.setting_for(rate_kg_min, chance=CHANCE)) if self.line.slope_kg_min else None
        own, (mean, spread) = self.last_setting, self.alone
        if mean <= 0 or not own:
            return None
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
class Pump:
    """One stream's pump by its latest calibration, with the step that its setting is set by, where that is known."""

    session: Session
    step: float | None

    @property
    def straight(self) -> tuple[float, float] | None:
        """Rate at setting 0 and its rise per unit; None where no setting can be told."""
        return self.session.straight

    def nearest_kg_min(self, kg_min: Any) -> Any:
        """Rate at the step nearest to a rate, above none at all; nothing stays nothing."""
        if self.step is None or self.straight is None:
            return kg_min
        steps = np.maximum(np.round(self._steps(kg_min)), self._fewest)
        return np.where(np.asarray(kg_min) > 0, self._rate(steps), 0.0)

    def either_kg_min(self, kg_min: float) -> tuple[float, ...]:
        """Rates at the two steps around a rate, the nearer one first."""
        if self.step is None or self.straight is None:
            return (kg_min,)
        exact = self._steps(kg_min)
        near = max(round(exact), self._fewest)
        other = max(near + (1 if exact > near else -1), self._fewest)
        return self._rate(near), self._rate(other)

    def setting_for(self, kg_min: float) -> Rate | None:
        """Setting for a rate with its range, on a step where there are steps; None where it cannot be told."""
        found = None if self.straight is None or not kg_min > 0 else self.session.setting_for(kg_min)
        if found is None or not found.value > 0:
            return None
        value = found.value if self.step is None else round(round(found.value / self.step) * self.step, 9)
        first, last = self.session.settings[0], self.session.settings[-1]
        if first == last and found.low is not None and found.high is not None:  # not to be told from the one caught
            inside = found.low <= first <= found.high
        else:
            inside = first * (1 - _HAIR) <= value <= last * (1 + _HAIR)
        return Rate(value, found.low, found.high, inside)

    def _steps(self, kg_min: Any) -> Any:
        first, rise = self.straight or (0.0, 1.0)
        return (kg_min - first) / rise / (self.step or 1.0)

    def _rate(self, steps: Any) -> Any:
        first, rise = self.straight or (0.0, 1.0)
        return first + rise * steps * (self.step or 1.0)

    @property
    def _fewest(self) -> int:
        """Fewest steps at which anything flows."""
        return max(math.floor(float(self._steps(0.0)) + _HAIR) + 1, 1)


def sessions(picture: Picture, mixer: str) -> dict[str, list[Session]]:
    """Calibrations of a mixer up to the picture's instant by stream, a day of the shop each, in order of time."""
    found: dict[str, dict[str, list[Seen]]] = {}
    since = picture.at - BACK_DAYS * DAY_US
    for seen in picture.records("calibration", since=since, naming=[mixer]):
        if seen.values["mixer"] == mixer:
            days = found.setdefault(seen.values["stream"], {})
            days.setdefault(times.day_of(seen.at, picture.zone), []).append(seen)
    return {stream: [_session(picture, caught) for caught in days.values()] for stream, days in found.items()}


def latest(picture: Picture, mixer: Mixer, system: str, draws: Iterable[str]) -> dict[str, Session]:
    """Latest calibration of each draw of a system, under SYSTEM_NAME or under the draw's name alone.

    Read from the newest back, no further than needed: the shared name does where it can mean no other pump.
    """
    own = {draw: f"{system}_{draw}" for draw in draws}
    shared = {draw for draw in own if not _means_another(mixer, system, draw)}
    caught: dict[str, list[Seen]] = {}
    oldest = ""
    since = picture.at - BACK_DAYS * DAY_US
    for seen in picture.records("calibration", since=since, newest_first=True, naming=[mixer.key]):
        stream, day = seen.values["stream"], times.day_of(seen.at, picture.zone)
        if day != oldest and all(own[draw] in caught or (draw in shared and draw in caught) for draw in own):
            break
        if seen.values["mixer"] != mixer.key or not (stream in own or stream in own.values()):
            continue
        if stream not in caught:
            caught[stream], oldest = [seen], day
        elif times.day_of(caught[stream][0].at, picture.zone) == day:
            caught[stream].append(seen)
    found = {}
    for draw, name in own.items():
        known = [caught[one] for one in (name, draw) if one in caught]
        if known:
            found[draw] = _session(picture, (max(known, key=_last_at) if draw in shared else known[0])[::-1])
    return found


def _last_at(caught: list[Seen]) -> int:
    return caught[0].at


def _means_another(mixer: Mixer, system: str, draw: str) -> bool:
    """Whether another system draws by the same name from another place."""
    place = mixer.draws.get(system, {}).get(draw)
    return any(draws.get(draw, place) != place for key, draws in mixer.draws.items() if key != system)


_KEPT: WeakKeyDictionary[Setups, dict[tuple[int, ...], Session]] = WeakKeyDictionary()
_MOST_KEPT = 10_000


def _session(picture: Picture, caught: list[Seen]) -> Session:
    """The catches of one stream on one day, in order of time; records do not change, so it is made once."""
    kept, key = _KEPT.setdefault(picture.setups, {}), tuple(seen.seq for seen in caught)
    if key not in kept:
        if len(kept) >= _MOST_KEPT:
            kept.clear()
        kept[key] = _made(picture, caught)
    return kept[key]


def _made(picture: Picture, caught: list[Seen]) -> Session:
    catches = [
        Catch(float(seen.values["setting"]), float(one["seconds"]), on.mass_mg(one["mass_kg"]) / KG)
        for seen in caught
        for on in (picture.setups.on(seen.at),)
        for one in seen.values["catches"]
    ]
    last = caught[-1]
    return Session(last.values["mixer"], last.values["stream"], last.at, tuple(catches))


def due_on(picture: Picture, mixer: Mixer, at: int) -> date | None:
    """The working day by which a stream caught at an instant is due again; None where the mixer has no rule for it."""
    every = mixer.calibrate_every_days
    if every is None:
        return None
    due = date.fromisoformat(times.day_of(at, picture.zone)) + timedelta(days=math.floor(every))
    ahead = (due + timedelta(days=days) for days in range(60))
    return next((day for day in ahead if picture.working_days(day, day)), due)


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


def is_sand(day: Day, mixer: Mixer, stream: str) -> bool:
    """Whether a stream is a sand: by its name, or by what the place holds that it is drawn from, as chromite is."""
    places = [
        place
        for system, draws in mixer.draws.items()
        for draw, place in draws.items()
        if stream in (draw, f"{system}_{draw}")
    ]
    held = {day.material_at(place) for place in places} - {""}
    return "sand" in stream or any(day.is_sand(material) for material in held)


def tolerance_field(day: Day, mixer: Mixer, stream: str) -> str:
    """The mixer's field with the tolerance of a stream, by what it is; catalysts come under many names."""
    if is_sand(day, mixer, stream):
        return "sand_tolerance_pct"
    return "resin_tolerance_pct" if "resin" in stream or "part_" in stream else "catalyst_tolerance_pct"


def _as_rate(found: Estimate) -> Rate:
    value, low, high = float(found.value), float(found.low), float(found.high)
    known = found.finite and math.isfinite(low) and math.isfinite(high)
    return Rate(value, low if known else None, high if known else None, inside=bool(found.inside))
