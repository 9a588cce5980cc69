"""How records came that deserves a look: holds and counts withdrawn, ids taken, machines with an impossible time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import tzinfo

from sandtrack.ledger import Accepted, Entry, bringing, stored
from sandtrack.ledger.brought import AT_ARRIVAL
from sandtrack.records import times
from sandtrack.shop.answer import Flag
from sandtrack.shop.watch.items import Occurred, occurred
from sandtrack.shop.watch.recent import Recent
from sandtrack.shop.wording import clock, several


def flags(zone: tzinfo, entry: Entry, accepted: Accepted) -> Iterator[Flag]:
    """What the receipt of a new record says about how it came."""
    if accepted.id != entry.id:
        yield Flag(
            "id_taken",
            f"another record of {entry.sender} has the id {entry.id!r}: this one is kept as {accepted.id!r}. "
            "Go on with the next id",
            accepted.id,
        )
    if entry.marked(AT_ARRIVAL) and entry.own_at is not None:
        yield Flag(
            AT_ARRIVAL,
            f"its time {times.minute(entry.own_at, zone)} cannot be: booked as it came, at "
            f"{times.minute(accepted.at, zone)}. Set the clock, or send age_s",
            entry.sender,
        )


def withdrawn(recent: Recent) -> Iterator[Flag | Occurred]:
    """Holds, other blocks and counts that somebody withdrew."""
    picture = recent.picture
    for gone in bringing.taken_back(picture.reader, recent.first_recorded, picture.at):
        content, reversal = stored.content(gone.content, gone.seq), stored.content(gone.reversal, gone.reversal_seq)
        key = next((str(content[name]) for name in ("place", "lot", "mould", "target") if name in content), gone.id)
        what = f"the {gone.kind.replace('_', ' ')} of {key} by {gone.sender} on {clock(gone.at, picture.zone)}"
        code = "hold_withdrawn" if gone.blocks else "count_withdrawn"
        todo = f"look at {key} before it is used" if gone.blocks else "count again"
        yield occurred(
            code,
            f"{what} was withdrawn by {gone.by} on {clock(gone.withdrawn, picture.zone)} "
            f"({reversal.get('reason', '')}): {todo}",
            gone.id,
            at=gone.withdrawn,
        )


def taken_ids(recent: Recent) -> Iterator[Flag | Occurred]:
    """Records of machines whose id another record had: one of the two may be false."""
    picture = recent.picture
    for taken in bringing.taken_ids(picture.reader, recent.first_recorded, picture.at):
        yield occurred(
            "id_taken",
            f"{taken.kind.replace('_', ' ')} {taken.own_id!r} of {taken.sender} on {clock(taken.at, picture.zone)} met "
            f"another record of that id and is kept as {taken.id!r}: see who sent the other, withdraw what is false",
            taken.id,
            at=taken.at,
        )


def misdated(recent: Recent) -> Iterator[Flag | Occurred]:
    """Machines whose clock shows a time that cannot be."""
    picture = recent.picture
    for wrong in bringing.misdated(picture.reader, recent.first_recorded, picture.at):
        yield occurred(
            AT_ARRIVAL,
            f"{several(wrong.records, 'record')} of {wrong.sender} came with a time that cannot be, the last with "
            f"{clock(wrong.own_at, picture.zone)}: booked as they came, not used for strip times. Set its clock",
            wrong.sender,
            at=wrong.at,
        )


CHECKS: tuple[Callable[[Recent], Iterator[Flag | Occurred]], ...] = (withdrawn, taken_ids, misdated)
