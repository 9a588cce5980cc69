"""Temperature of the mixed sand: as asked, or as last read; one that cannot be is not acted on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop.answer import Basis, Flag
from sandtrack.shop.dosing import sands, temperatures
from sandtrack.shop.dosing.checks import HIGHEST_C, LOWEST_C
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.dosing.temperatures import Reading
from sandtrack.shop.picture import Picture
from sandtrack.trade.heat import blend_temp_c

# practice: some tonnes of sand do not change by more than this within this time; two readings that agree are believed.
MOST_CHANGE_C, WITHIN_H = 10.0, 2.0
# practice: a reading of another day says nothing of today's sand.
OLDEST_H = 24.0

_HOUR = 3_600_000_000
AGAIN = "measure again: gauge in the stream of mixed sand at the mixer, and read it when it stands still"


@dataclass(frozen=True)
class SandTemperature:
    """The temperature to go by, or why there is none."""

    value_c: float | None
    basis: tuple[Basis, ...] = ()
    flags: tuple[Flag, ...] = ()
    because: str = ""


def readings(picture: Picture, mixer: str, until: int, hours: float) -> Iterator[Reading]:
    """Temperatures of one mixer's sand in the hours up to an instant, newest first: readings, and those of its mixes.

    A reading that names no mixer counts for each. For many instants at once there is `temperatures.OfSand`.
    """
    since = until - round(hours * _HOUR)
    for name, reading in temperatures.of_sand(picture, since, until, newest_first=True):
        if name in (mixer, ""):
            yield reading


def judged(picture: Picture, machine: Mixer, system: System, given_c: float | None) -> SandTemperature:
    """The temperature to go by: the one given, else the last one read, else that of the silos' sands put together.

    One that cannot be is not acted on.
    """
    mixer = machine.key
    if given_c is not None:
        why = _implausible(picture, mixer, given_c, picture.at, None)
        basis = Basis("sand temperature", f"{given_c:.1f} °C", "record", "as given with the question")
        return _found(given_c, basis, (), why, mixer)
    last = next(readings(picture, mixer, picture.at, OLDEST_H), None)
    if last is None:
        return _estimated(picture, machine, system) or SandTemperature(
            None,
            because=f"the temperature of the mixed sand is not given, and none of {picture.name('mixers', mixer)} was "
            f"recorded in the last {OLDEST_H:g} h",
        )
    read_at = times.minute(last.at, picture.zone)
    flag = Flag(
        "sand_temp_recorded",
        f"no sand temperature was given: the last one read is used, {last.value_c:.1f} °C at {read_at}, "
        f"{_age(picture.at - last.at)} ago ({last.source})",
        mixer,
    )
    why = _implausible(picture, mixer, last.value_c, last.at, last)
    basis = Basis("sand temperature", f"{last.value_c:.1f} °C, read at {read_at}", "record", last.source)
    return _found(last.value_c, basis, (flag,), why, mixer)


def supposed(value_c: float) -> SandTemperature:
    """A temperature that the sand may come to have, as a row of a table: today's readings say nothing against it."""
    return SandTemperature(value_c, (Basis("sand temperature", f"{value_c:.1f} °C", "record", "as supposed"),))


def _estimated(picture: Picture, machine: Mixer, system: System) -> SandTemperature | None:
    """From the last temperature of each silo of the last day, by the usual shares; None where one is missing."""
    parts = sands.by_place(picture, machine, system)
    seen: dict[str, Reading] = {}
    since = picture.at - round(OLDEST_H * _HOUR)
    for record in picture.records("temperature", since=since, newest_first=True, naming=set(parts), timed=True):
        place, value = record.values.get("place", ""), record.values["value_c"]
        if record.values["what"] == "place" and place in parts and LOWEST_C <= value <= HIGHEST_C:
            seen.setdefault(place, Reading(record.at, value, f"{record.kind} {record.id}"))
    if not parts or set(seen) != set(parts):
        return None
    value_c = float(blend_temp_c(list(parts.values()), [seen[place].value_c for place in parts]))
    told = ", ".join(
        f"{100 * part:.0f} % from {picture.name('places', place)} at {seen[place].value_c:.1f} °C "
        f"({seen[place].source}, {_age(picture.at - seen[place].at)} ago)"
        for place, part in parts.items()
    )
    text = (
        f"no temperature of mixed sand was given or read: {value_c:.1f} °C is estimated, {told}; "
        "the mixer's own warmth is left out, so measure it at the mixer"
    )
    source = "heat balance of the silos' sands (quartz enthalpy, NIST-JANAF)"
    basis = Basis("sand temperature", f"{value_c:.1f} °C, estimated: {told}", "derived", source)
    return SandTemperature(value_c, (basis,), (Flag("sand_temp_estimated", text, machine.key),))


def _found(value_c: float, basis: Basis, flags: tuple[Flag, ...], why: str, mixer: str) -> SandTemperature:
    if not why:
        return SandTemperature(value_c, (basis,), flags)
    return SandTemperature(None, (basis,), (*flags, Flag("sand_temp_implausible", why, mixer)), why)


def _implausible(picture: Picture, mixer: str, value_c: float, at: int, itself: Reading | None) -> str:
    """Why a temperature cannot be, or nothing."""
    said = f"a sand temperature of {value_c:.1f} °C is not acted on: "
    if not LOWEST_C <= value_c <= HIGHEST_C:
        return f"{said}mixed sand lies between {LOWEST_C:g} and {HIGHEST_C:g} °C"
    near: Reading | None = None
    for other in readings(picture, mixer, at, WITHIN_H):
        if other == itself or not LOWEST_C <= other.value_c <= HIGHEST_C:
            continue
        if abs(other.value_c - value_c) <= MOST_CHANGE_C:
            return ""
        near = near or other
    if near is None:
        return ""
    return (
        f"{said}it was {near.value_c:.1f} °C at {times.minute(near.at, picture.zone)} ({near.source}), and sand does "
        f"not change by more than {MOST_CHANGE_C:g} °C within {WITHIN_H:g} h"
    )


def _age(span_us: int) -> str:
    minutes = round(span_us / 60e6)
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60:.0f} h"
