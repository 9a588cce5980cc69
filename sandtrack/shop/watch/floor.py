"""What the moulds say that deserves a look: numbers used again, endings of nothing, moulds that stand too long."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sandtrack.ledger.around import ended_before
from sandtrack.plant import MOULDS
from sandtrack.shop.answer import Flag
from sandtrack.shop.watch.items import Occurred, occurred
from sandtrack.shop.watch.recent import Recent
from sandtrack.shop.wording import clock

_HOUR = 3_600_000_000


def ended_empty(recent: Recent) -> Iterator[Flag | Occurred]:
    """Moulds knocked out or scrapped with nothing booked into them."""
    picture, reader = recent.picture, recent.picture.reader
    rows = reader.connection.execute(
        "SELECT event, mould FROM movement WHERE at >= ? AND at <= ? AND record <= ? AND mould IS NOT NULL "
        "AND source = ? GROUP BY event, mould HAVING SUM(mass_mg) <> 0",
        (recent.since, picture.at, reader.last, MOULDS),
    )
    emptied = set(rows.fetchall())
    for seen in recent.endings:
        for mould in seen.values["moulds"]:
            if (seen.seq, mould) not in emptied:
                yield occurred(
                    "ended_empty",
                    f"mould {mould} was ended on {clock(seen.at, picture.zone)} ({seen.kind.replace('_', ' ')} "
                    f"{seen.id}) with nothing booked into it: a mix is missing, or the number is wrong",
                    mould,
                    at=seen.at,
                )


def number_used_again(recent: Recent) -> Iterator[Flag | Occurred]:
    """Moulds filled so soon after they were ended that the number may be wrong, or a clock."""
    picture = recent.picture
    within = picture.plant.limits.number_reuse_h * _HOUR
    told: set[tuple[str, int]] = set()
    for seen in recent.new_mixes:
        for mould in seen.values.get("moulds", ()):
            ended = ended_before(picture.reader, mould, seen.at)
            if ended is None or seen.at - ended > within or (mould, ended) in told:
                continue
            told.add((mould, ended))
            yield occurred(
                "number_used_again",
                f"mould {mould} was filled on {clock(seen.at, picture.zone)}, {(seen.at - ended) / _HOUR:.1f} h after "
                f"it was ended at {clock(ended, picture.zone)}: is the number used again, or a clock wrong?",
                mould,
                at=seen.at,
            )


def standing(recent: Recent) -> Iterator[Flag | Occurred]:
    """Moulds that stand longer than the shop's limit, and moulds that hold sand of two binder families."""
    picture, reader = recent.picture, recent.picture.reader
    limit = picture.plant.limits.mould_standing_h
    began: dict[str, int] = {}
    for mould in reader.mould_contents_mg(picture.at):
        ended = ended_before(reader, mould, picture.at)
        (first,) = reader.connection.execute(
            "SELECT min(at) FROM movement WHERE mould = ? AND at > ? AND at <= ? AND target = ? AND record <= ?",
            (mould, -(2**62) if ended is None else ended, picture.at, MOULDS, reader.last),
        ).fetchone()
        if first is not None:
            began[mould] = first
    for mould, first in sorted(began.items(), key=lambda entry: entry[1]):
        if picture.at - first > limit * _HOUR:
            yield occurred(
                "standing_too_long",
                f"mould {mould} stands since {clock(first, picture.zone)}, {(picture.at - first) / _HOUR:,.0f} h "
                f"(limit {limit:g} h): was its knock-out recorded?",
                mould,
                at=first,
            )
    families: dict[str, set[str]] = {}
    for dose in recent.doses:
        for mould in dose.seen.values.get("moulds", ()):
            if mould in began and dose.seen.at >= began[mould]:
                families.setdefault(mould, set()).add(dose.day.find("binder_systems", dose.system).family)
    for mould, found in families.items():
        if len(found) > 1:
            names = " and ".join(sorted(family.replace("_", " ") for family in found))
            yield Flag("two_families", f"mould {mould} holds sand of {names}: one upsets the cure of the other", mould)


CHECKS: tuple[Callable[[Recent], Iterator[Flag | Occurred]], ...] = (ended_empty, number_used_again, standing)
