"""Metal poured in a period, and the castings that came of it, which are known days later."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from sandtrack.shop.answer import Flag
from sandtrack.shop.picture import KG, Picture, Seen

REACH_DAYS = 60.0
"""How long before its castings are counted a mould may have been poured."""
_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Metal:
    """What was poured and cast; None where nothing tells it."""

    poured_kg: float | None
    good_kg: float | None
    rejected_kg: float
    pours: int
    pours_not_weighed: int
    moulds_poured: int
    moulds_without_castings: int

    def flags(self) -> Iterator[Flag]:
        """What makes the masses too small."""
        if self.pours_not_weighed and self.poured_kg is not None:
            yield Flag(
                "poured_not_weighed",
                f"{self.pours_not_weighed} of {self.pours} pours have no mass: metal poured is too small, and what is "
                "told per tonne of it too large",
            )
        if self.moulds_without_castings and self.good_kg is not None:
            yield Flag(
                "castings_not_known",
                f"{self.moulds_without_castings} of {self.moulds_poured} moulds poured in the period have no castings "
                "recorded yet: good castings are too small, and what is told per tonne of them too large",
            )


def metal(picture: Picture, since: int, until: int) -> Metal:
    """Metal of a period: pours in it, and castings of the moulds poured in it, whenever they were counted.

    Good castings of several moulds are shared evenly over them; castings told for a time are shared by its overlap
    with the period.
    """
    reach = round(REACH_DAYS * _DAY_US)
    poured_at: dict[str, list[int]] = {}
    poured, pours, not_weighed, moulds = 0.0, 0, 0, set()
    for seen in picture.records("pour", since=since - reach, until=until):
        for mould in seen.values["moulds"]:
            poured_at.setdefault(mould, []).append(seen.at)
        if seen.at < since:
            continue
        pours += 1
        moulds |= {(mould, seen.at) for mould in seen.values["moulds"]}
        mass = _kg(picture, seen, "poured_kg")
        poured += mass or 0.0
        not_weighed += mass is None
    good, rejected, told, by_time = 0.0, 0.0, False, False
    for seen in picture.records("castings", since=since, until=until + reach):
        share = _overlap(seen, since, until)
        if share is None:
            share, covered = _poured_within(seen, poured_at, since, until)
            moulds -= covered
        else:
            by_time = by_time or share > 0
        if share:
            told = True
            good += share * (_kg(picture, seen, "good_kg") or 0.0)
            rejected += share * (_kg(picture, seen, "rejected_kg") or 0.0)
    all_poured = sum(since <= at for times in poured_at.values() for at in times)
    return Metal(
        poured_kg=poured if pours > not_weighed else None,
        good_kg=good if told else None,
        rejected_kg=rejected,
        pours=pours,
        pours_not_weighed=not_weighed,
        moulds_poured=all_poured,
        moulds_without_castings=0 if by_time else len(moulds),
    )


def _kg(picture: Picture, seen: Seen, name: str) -> float | None:
    mass = seen.values.get(name)
    if mass is None:
        return None
    mass_kg: float = picture.setups.on(seen.at).mass_mg(mass) / KG
    return mass_kg


def _overlap(seen: Seen, since: int, until: int) -> float | None:
    """Share of the time that castings are told for that lies within the period; None where moulds are named."""
    if "since" not in seen.values:
        return None
    start: int = seen.values["since"]
    end: int = seen.values["until"]
    within = min(end, until) - max(start, since) + 1
    return max(0, within) / (end - start + 1)


def _poured_within(
    seen: Seen, poured_at: dict[str, list[int]], since: int, until: int
) -> tuple[float, set[tuple[str, int]]]:
    """Share of a record's moulds poured in the period, and which; one never poured counts by the record's time."""
    within, covered = 0, set()
    for mould in seen.values["moulds"]:
        pours = poured_at.get(mould, ())
        before = bisect_right(pours, seen.at)
        at = pours[before - 1] if before else seen.at
        if since <= at <= until:
            within += 1
            covered.add((mould, at))
    return within / len(seen.values["moulds"]), covered
