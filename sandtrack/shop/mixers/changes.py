"""Why a calibration no longer holds: another material or lot in a stream, sand of another season, cold resin."""

from __future__ import annotations

from collections.abc import Mapping
from statistics import fmean

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop.mixers.pumps import uses
from sandtrack.shop.picture import Picture, Seen
from sandtrack.shop.wording import day

# practice: sand, resin and pumps of one season; sand flow and viscosity follow the temperature.
SEASON_C = 10.0
SEASON = f"sand temperature moved by more than {SEASON_C:g} °C since the calibration"
# practice: below this a resin is thick and pumps deliver less of it than when they were caught warm.
COLD_RESIN_C = 15.0
BACK_DAYS = 14
_DAY_US = 86_400_000_000


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
        for use in uses(mixer, stream, calibrated_at):
            held = [seen for seen in mixes if seen.values["binder_system"] == use.system]
            found += _changed(picture, stream, use.place, at, held)
    season = _season(picture, max(calibrated_at.values()), mixes)
    resin = _cold_resin(picture, max(calibrated_at.values()))
    return [*dict.fromkeys(found), *season, *resin]


def _changed(picture: Picture, stream: str, place: str, at: int, mixes: list[Seen]) -> list[str]:
    """What a stream drew last before its calibration against what it drew last."""
    before = [drawn for seen in mixes if seen.at <= at if (drawn := _drawn(picture, seen, place)) is not None]
    after = [(drawn, seen.at) for seen in mixes if seen.at > at if (drawn := _drawn(picture, seen, place)) is not None]
    if not before or not after:
        return []
    (material, lot), words = before[-1], stream.replace("_", " ")
    for (now, now_lot), when in after:
        on = day(when, picture.zone)
        if now != material:
            return [f"{words} draws {picture.name('materials', now)} since {on}"]
        if lot and now_lot and now_lot != lot:
            return [f"{words} draws lot {now_lot} since {on}, {lot} when it was caught"]
    return []


def _drawn(picture: Picture, seen: Seen, place: str) -> tuple[str, str] | None:
    for stream in seen.values["streams"]:
        if stream["place"] == place:
            material = stream.get("material") or picture.setups.on(seen.at).material_at(place)
            return str(material), str(stream.get("lot") or "")
    return None


def _season(picture: Picture, at: int, mixes: list[Seen]) -> list[str]:
    """Mean sand temperature of the latest day of mixing against that of the calibration's."""
    days: dict[str, list[float]] = {}
    for seen in mixes:
        if "sand_temp_c" in seen.values:
            days.setdefault(times.day_of(seen.at, picture.zone), []).append(seen.values["sand_temp_c"])
    caught = times.day_of(at, picture.zone)
    then = next((days[one] for one in sorted(days, reverse=True) if one <= caught), None)
    then = days.get(caught, then)
    if not days or then is None:
        return []
    latest = max(days)
    moved = fmean(days[latest]) - fmean(then)
    if abs(moved) <= SEASON_C:
        return []
    return [
        f"the sand of {latest} is {abs(moved):.0f} °C {'warmer' if moved > 0 else 'colder'} than when it was caught"
    ]


def _cold_resin(picture: Picture, at: int) -> list[str]:
    """Resin that has become cold since, by the latest temperature of resin recorded."""
    cold = ""
    for seen in picture.records("temperature", since=at, naming=["resin"]):
        if seen.values["what"] == "resin":
            value = seen.values["value_c"]
            cold = f"the resin was {value:g} °C on {day(seen.at, picture.zone)}: thick, so that pumps deliver less"
            cold = cold if value < COLD_RESIN_C else ""
    return [cold] if cold else []
