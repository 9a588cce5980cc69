"""Differences found at counts: how large against what moved, since when they accrued, and what may be behind them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from sandtrack.ledger import Difference
from sandtrack.records import times
from sandtrack.shop.answer import Flag
from sandtrack.shop.picture import KG, Picture
from sandtrack.shop.wording import day, kg

_MORE = "a delivery or a return not recorded, a draw booked twice or too high, or a count that is wrong?"
_LESS = "a draw or a loss not recorded, a delivery booked twice or too high, or a count that is wrong?"


@dataclass(frozen=True)
class Unexplained:
    """What no record explains between a count and the one before it."""

    place: str
    material: str
    at: int
    since: int | None
    mass_mg: int
    """Counted less booked."""
    moved_mg: int
    """The larger of what came in and what went out since the count before."""
    error_kg: float
    """Stated errors of both counts together."""

    @property
    def first_count(self) -> bool:
        return self.since is None

    @property
    def pct(self) -> float | None:
        """Part of what moved; None where nothing did."""
        return 100.0 * self.mass_mg / self.moved_mg if self.moved_mg else None

    @property
    def within_errors(self) -> bool:
        """Whether the counts' own stated errors explain it."""
        return abs(self.mass_mg) / KG <= self.error_kg

    def told(self, picture: Picture) -> dict[str, Any]:
        """The difference as an answer's values."""
        return {
            "place": self.place,
            "material": self.material,
            "difference_kg": self.mass_mg / KG,
            "counted_at": times.show(self.at, picture.zone),
            "accrued_since": None if self.since is None else times.show(self.since, picture.zone),
            "moved_kg": self.moved_mg / KG,
            "pct_of_moved": self.pct,
            "first_count": self.first_count,
            "within_count_errors": self.within_errors,
        }


def unexplained(picture: Picture, found: Iterable[Difference]) -> list[Unexplained]:
    """Differences beside what moved between the two counts, largest mass of what moved first, first counts last."""
    moved: dict[tuple[int, int], dict[tuple[str, str], list[int]]] = {}
    told: list[Unexplained] = []
    for one in found:
        mass = 0
        error = 0.0
        if one.since is not None:
            span = (one.since, one.at)
            if span not in moved:
                moved[span] = _moved(picture, *span)
            mass = max(moved[span].get((one.place, one.material), [0, 0]))
            error = one.error_mg / KG
        told.append(Unexplained(one.place, one.material, one.at, one.since, one.mass_mg, mass, error))
    return sorted(told, key=lambda one: (one.first_count, -abs(one.mass_mg), one.place, one.at))


def difference_flags(picture: Picture, found: Iterable[Unexplained]) -> Iterator[Flag]:
    """Differences that are more than the shop lets pass, and more than the counts' own errors."""
    limit = picture.plant.limits.loss_warn_pct
    for one in found:
        if one.since is None or one.within_errors or (one.pct is not None and abs(one.pct) <= limit):
            continue
        more = one.mass_mg > 0
        share = "" if one.pct is None else f", {abs(one.pct):.1f} % of what moved"
        yield Flag(
            "unexplained",
            f"between {day(one.since, picture.zone)} and {day(one.at, picture.zone)} {kg(abs(one.mass_mg) / KG)} "
            f"{'more' if more else 'less'} {picture.name('materials', one.material)} than booked were found in "
            f"{picture.name('places', one.place)}{share}: {_MORE if more else _LESS}",
            one.place,
        )


def _moved(picture: Picture, after: int, until: int) -> dict[tuple[str, str], list[int]]:
    """What came in and went out by place and material between two instants."""
    totals: dict[tuple[str, str], list[int]] = {}
    for flow in picture.reader.flows(after, until):
        for side, place in enumerate((flow.target, flow.source)):
            totals.setdefault((place, flow.material), [0, 0])[side] += flow.mass_mg
    return totals
