"""Why a calibration no longer holds: another place, material or lot in a stream, sand or resin warmer or colder."""

from __future__ import annotations

from collections.abc import Mapping
from statistics import fmean
from typing import NamedTuple

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop.mixers.pumps import Use, uses
from sandtrack.shop.picture import Picture, Seen
from sandtrack.shop.wording import day

# practice: sand, resin and pumps of one season; sand flow and viscosity follow the temperature.
SEASON_C = 10.0
# practice: below this a resin is thick and pumps deliver less of it than when they were caught warm.
COLD_RESIN_C = 15.0
REASONS = (
    "a stream draws from another place, another material or lot than in its last mix before it was caught; sand or "
    f"resin moved by more than {SEASON_C:g} °C since; resin below {COLD_RESIN_C:g} °C that was not when caught. "
    "A new pump or gate stands in no record: catch then too"
)
BACK_DAYS = 60
"""So far back the last mix before a calibration is looked for: further than a summer's rest."""
_DAY_US = 86_400_000_000


class _Drawn(NamedTuple):
    """What a mix drew in one stream."""

    place: str
    material: str
    lot: str


def reasons(picture: Picture, mixer: Mixer, calibrated_at: Mapping[str, int]) -> list[str]:
    """Every reason to calibrate again, in words."""
    first = min(calibrated_at.values())
    mixes = [
        seen
        for seen in picture.records("mix", since=first - BACK_DAYS * _DAY_US, naming=[mixer.key])
        if seen.values["mixer"] == mixer.key
    ]
    found = []
    for stream, at in calibrated_at.items():
        used = uses(mixer, stream, calibrated_at)
        for use in used:
            held = [seen for seen in mixes if seen.values["binder_system"] == use.system]
            found += _changed(picture, mixer, stream, use, at, held)
        if any(use.draw in ("resin", "part_1", "part_2") for use in used):
            found += _resin_moved(picture, stream, {use.place for use in used}, at)
    return list(dict.fromkeys([*found, *_season(picture, calibrated_at, mixes)]))


def _changed(picture: Picture, mixer: Mixer, stream: str, use: Use, at: int, mixes: list[Seen]) -> list[str]:
    """What a stream drew last before its calibration against what it has drawn since."""
    drawn = [(seen.at, one) for seen in mixes if (one := _drawn(picture, mixer, use, seen)) is not None]
    before, words = [one for when, one in drawn if when <= at], stream.replace("_", " ")
    for when, now in drawn:
        if when <= at or not before:
            continue
        on, last = day(when, picture.zone), before[-1]
        if now.material != last.material:
            return [f"{words} draws {picture.name('materials', now.material)} since {on}"]
        if now.place != last.place:
            return [f"{words} draws from {picture.name('places', now.place)} since {on}"]
        if last.lot and now.lot and now.lot != last.lot:
            return [f"{words} draws lot {now.lot} since {on}, {last.lot} before it was caught"]
    return []


def _drawn(picture: Picture, mixer: Mixer, use: Use, seen: Seen) -> _Drawn | None:
    """What a mix drew where the set-up of its day has the stream draw."""
    on = picture.setups.on(seen.at)
    place = on.find("mixers", mixer.key).draws.get(use.system, {}).get(use.draw)
    for stream in seen.values["streams"]:
        if stream["place"] == place:
            return _Drawn(place, str(stream.get("material") or on.material_at(place)), str(stream.get("lot") or ""))
    return None


def _season(picture: Picture, calibrated_at: Mapping[str, int], mixes: list[Seen]) -> list[str]:
    """Mean sand temperature of the latest day of mixing against that of each stream's day of calibration."""
    read: dict[str, list[float]] = {}
    latest = ""
    for seen in mixes:
        if "sand_temp_c" in seen.values:
            latest = day(seen.at, picture.zone)
            read.setdefault(times.day_of(seen.at, picture.zone), []).append(seen.values["sand_temp_c"])
    caught: dict[str, list[str]] = {}
    for stream, at in calibrated_at.items():
        then = max((one for one in read if one <= times.day_of(at, picture.zone)), default="")
        caught.setdefault(then, []).append(stream.replace("_", " "))
    found = []
    for then, streams in caught.items():
        if then and abs(fmean(read[max(read)]) - fmean(read[then])) > SEASON_C:
            which = "all streams" if len(streams) == len(calibrated_at) else ", ".join(streams)
            now = f"now {fmean(read[max(read)]):.0f} °C ({latest})"
            found.append(f"{which}: caught with sand of {fmean(read[then]):.0f} °C, {now}")
    return found


def _resin_moved(picture: Picture, stream: str, places: set[str], at: int) -> list[str]:
    """Resin that has become cold, or moved, by the last temperature read within a day before it was caught, and now."""
    then: float | None = None
    now: tuple[int, float] | None = None
    for seen in picture.records("temperature", since=at - _DAY_US, naming=["resin"]):
        if seen.values["what"] != "resin" or seen.values.get("place", next(iter(places))) not in places:
            continue
        if seen.at <= at:
            then = seen.values["value_c"]
        else:
            now = seen.at, seen.values["value_c"]
    if now is None:
        return []
    when, value = now
    caught = "" if then is None else f", {then:g} °C when it was caught"
    read = f"{stream.replace('_', ' ')} was at {value:g} °C on {day(when, picture.zone)}{caught}"
    if value < COLD_RESIN_C and (then is None or then >= COLD_RESIN_C):
        return [f"{read}: thick, so that pumps deliver less"]
    if then is not None and abs(value - then) > SEASON_C:
        return [f"{read}: pumps deliver otherwise"]
    return []
