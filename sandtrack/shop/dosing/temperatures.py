"""Temperatures as they were read, for many instants at once: each stretch of time is read once, then looked up."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

import numpy as np

from sandtrack.shop.picture import Picture, Seen

Stretch = tuple[int, int]
"""First and last instant. [µs]"""

_MIXED = ("sand_temp_c", "mixed_sand")  # a record of mixed sand's temperature has one of these in its text


class Reading(NamedTuple):
    """A temperature of mixed sand as recorded."""

    at: int
    value_c: float
    source: str


def of_sand(picture: Picture, since: int, until: int, *, newest_first: bool = False) -> Iterator[tuple[str, Reading]]:
    """Temperatures of mixed sand with their mixer, "" where none is named: readings, and those of mixes."""
    for seen in picture.records(
        "temperature", "mix", since=since, until=until, newest_first=newest_first, naming=_MIXED, timed=True
    ):
        values, name = seen.values, f"{seen.kind} {seen.id}"
        if seen.kind == "mix" and "sand_temp_c" in values:
            yield values["mixer"], Reading(seen.at, values["sand_temp_c"], name)
        elif seen.kind == "temperature" and values["what"] == "mixed_sand":
            yield values.get("mixer", ""), Reading(seen.at, values["value_c"], name)


class OfSand:
    """Temperatures of each mixer's sand in the hours before many instants."""

    def __init__(self, picture: Picture, instants: Iterable[int], hours: float) -> None:
        self._before = round(hours * 3_600_000_000)
        self._by_mixer: dict[str, list[tuple[int, Reading]]] = {}
        order = 0
        for since, until in merged((at - self._before, at) for at in instants):
            for mixer, reading in of_sand(picture, since, until):
                self._by_mixer.setdefault(mixer, []).append((order, reading))
                order += 1

    def last(self, mixer: str, at: int) -> Reading | None:
        """The last one of a mixer at an instant or in the hours before; what names no mixer counts for each."""
        readings: list[tuple[int, Reading]] = []
        for name in {mixer, ""}:
            own = self._by_mixer.get(name, [])
            place = bisect_right(own, at, key=lambda entry: entry[1].at)
            if place and own[place - 1][1].at >= at - self._before:
                readings.append(own[place - 1])
        return max(readings)[1] if readings else None


class OfAir:
    """Temperatures of the air in some stretches of time."""

    def __init__(self, picture: Picture, stretches: Iterable[Stretch]) -> None:
        read = [
            (seen.at, seen.values["value_c"])
            for since, until in merged(stretches)
            for seen in picture.records("temperature", since=since, until=until, naming=("air",), timed=True)
            if _of_air(seen)
        ]
        self._at = np.array([at for at, _ in read], dtype=np.int64)
        self._value_c = np.array([value for _, value in read], dtype=float)

    def between(self, since: int, until: int) -> tuple[Any, Any]:
        """Instants and values read from one instant to another, both included. [µs, °C]"""
        first, end = np.searchsorted(self._at, since, "left"), np.searchsorted(self._at, until, "right")
        return self._at[first:end], self._value_c[first:end]


def _of_air(seen: Seen) -> bool:
    return bool(seen.values["what"] == "air")


def merged(stretches: Iterable[Stretch]) -> list[Stretch]:
    """The same instants in stretches that do not meet, in order; those that end before they begin are none."""
    apart: list[Stretch] = []
    for first, last in sorted(stretches):
        if last < first:
            continue
        if apart and first <= apart[-1][1]:
            apart[-1] = apart[-1][0], max(apart[-1][1], last)
        else:
            apart.append((first, last))
    return apart
