"""What may not be used: held by a person, failed by its certificate, or of the wrong material."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sandtrack.ledger.blocking import FAILED_CERTIFICATE, HELD, RELEASED, failures, material_and_own
from sandtrack.ledger.setups import Day
from sandtrack.shop.answer import Flag
from sandtrack.shop.picture import Picture, Seen
from sandtrack.shop.wording import clock


@dataclass(frozen=True)
class Block:
    """One cause that blocks a place, lot or mould until a later release."""

    what: str
    """place, lot or mould"""
    key: str
    seq: int
    flag: Flag


def blocked(picture: Picture) -> list[Block]:
    """Everything blocked at the instant asked about. A release lifts only what was recorded before it."""
    causes = picture.reader.causes(picture.at)
    released: dict[tuple[str, str], int] = {}
    for record, what, key, code, _ in causes:
        if code == RELEASED:
            released[what, key] = max(released.get((what, key), 0), record)
    found = {
        (what, key, code): (record, revision)
        for record, what, key, code, revision in causes
        if code != RELEASED and record > released.get((what, key), 0)
    }
    seen = {record.seq: record for record in picture.numbered({record for record, _ in found.values()})}
    return [
        _block(picture, seen[record], what, key, code, picture.setups.booked_with(revision))
        for (what, key, code), (record, revision) in found.items()
    ]


def _block(picture: Picture, seen: Seen, what: str, key: str, code: str, day: Day) -> Block:
    name = picture.name("places", key) if what == "place" else f"{what} {key}"
    reason = "; ".join(_reasons(picture, seen, code, day))
    text = f"{name} is blocked since {clock(seen.at, picture.zone)}: {reason} ({seen.kind} {seen.id})"
    return Block(what, key, seen.seq, Flag(code, text, key))


def _reasons(picture: Picture, seen: Seen, code: str, day: Day) -> Iterator[str]:
    if code == HELD:
        yield f"held: {seen.values['reason']}"
        return
    material, own = material_and_own(seen.values, seen.values.get("place") or seen.values["target"], day)
    if code == FAILED_CERTIFICATE:
        yield from failures(seen.values, material, day)
    else:
        put, meant = picture.name("materials", material), picture.name("materials", own)
        yield f"{put} was put into it, which is set up for {meant}"
