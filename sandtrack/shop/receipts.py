"""What the sender of a record is told: new or known, and what deserves a look at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from sandtrack.ledger import Accepted, Entry, Ledger
from sandtrack.ledger.around import in_force_of
from sandtrack.ledger.brought import AT_ARRIVAL
from sandtrack.records import ENDINGS, times
from sandtrack.shop import dangers, handled, levels
from sandtrack.shop.answer import Caution, Flag, Receipt
from sandtrack.shop.booked import booked
from sandtrack.shop.dosing import moisture
from sandtrack.shop.picture import KG, Picture, Seen, picture
from sandtrack.shop.watch import attention, brought
from sandtrack.shop.watch.dangerous.judging import arrived


def receipt(ledger: Ledger, entry: Entry, accepted: Accepted) -> Receipt:
    """The receipt of one record."""
    with picture(ledger) as seen:
        flags = (
            tuple(_flags(seen, entry, accepted))
            if accepted.new
            else (Flag("known", "this record was there already; nothing was added", entry.id),)
        )
        cautions = _cautions(seen, entry, accepted, flags)
        repeated = booked(seen, entry, accepted)
    recorded_at = times.show(accepted.recorded, ledger.zone)
    return Receipt(entry.kind, entry.sender, accepted.id, accepted.new, recorded_at, flags, cautions, repeated)


def flags_of(ledger: Ledger, accepted: Iterable[Accepted]) -> dict[int, list[Flag]]:
    """Dangers that records accepted together make or complete, by the number of the record in the chain."""
    new = [one.seq for one in accepted if one.new]
    by_record: dict[int, list[Flag]] = {}
    if new:
        with picture(ledger) as seen:
            sent = in_force_of(seen.reader, new)
            for seq, danger in arrived(seen, sent, min(new) - 1):
                by_record.setdefault(seq, []).append(danger.flag)
    return by_record


def _cautions(seen: Picture, entry: Entry, accepted: Accepted, flags: tuple[Flag, ...]) -> tuple[Caution, ...]:
    """What can hurt where this was done."""
    event = handled.event(entry.kind, entry.values, seen.setups.on(accepted.at))
    families = handled.families(seen, entry.kind, entry.values, accepted.at)
    return dangers.cautions(event, families, [flag.code for flag in flags])


def _flags(seen: Picture, entry: Entry, accepted: Accepted) -> Iterator[Flag]:
    if entry.kind != "plant":
        at, recorded = accepted.at, accepted.recorded
        sent = Seen(accepted.seq, entry.kind, entry.sender, accepted.id, at, recorded, dict(entry.values))
        yield from (danger.flag for _, danger in arrived(seen, [sent.seq], sent.seq - 1, [sent]))
        if entry.kind == "sand_test":
            yield from moisture.of_test(seen, sent)
    yield from brought.flags(seen.zone, entry, accepted)
    if entry.offset_us is not None and not entry.marked(AT_ARRIVAL):
        yield Flag(
            "clock_off",
            f"the sender's clock was {-entry.offset_us / 60e6:+.0f} min off; booked "
            f"{'as told, ' * (entry.own_at is None)}at {times.minute(accepted.at, seen.zone)}",
            entry.sender,
        )
    if entry.own_at is None and accepted.at > accepted.recorded + 60_000_000:
        yield Flag(
            "in_the_future", f"it is dated {times.minute(accepted.at, seen.zone)}, which is still to come", entry.id
        )
    if accepted.recorded > seen.at + 60_000_000:
        back = (accepted.recorded - seen.at) / 60e6
        yield Flag(
            "clock_back",
            f"this computer's clock went back by {back:,.0f} min: recorded at "
            f"{times.minute(accepted.recorded, seen.zone)}, the time of the record before; set the clock",
            "clock",
        )
    yield from _late(seen, accepted)
    if entry.kind == "level":
        read = [levels.against_book(seen, one) for one in seen.numbered([accepted.seq])]
        yield from levels.level_flags(seen, read)
    if entry.kind in ENDINGS:
        yield from _ended(seen, entry.values, accepted)
    if entry.kind == "plant":
        yield from _revised(seen, accepted)
    if entry.kind == "dealt_with":
        yield from attention.dealing_flags(seen, entry.values["code"], entry.values["subject"], accepted.at)


def _late(seen: Picture, accepted: Accepted) -> Iterator[Flag]:
    """A record older than a count leaves today's stock as it is."""
    touched = seen.reader.connection.execute(
        "SELECT source, material FROM movement WHERE at = ?1 AND event = ?2 "
        "UNION SELECT target, material FROM movement WHERE at = ?1 AND event = ?2",
        (accepted.at, accepted.seq),
    ).fetchall()
    for place, material in touched:
        anchor = seen.reader.anchor(place, material, seen.at)
        if anchor is not None and anchor.at >= accepted.at:
            yield Flag(
                "late",
                f"stock of {seen.name('places', place)} today is unchanged: counted on "
                f"{times.minute(anchor.at, seen.zone)}",
                place,
            )


def _ended(seen: Picture, values: Any, accepted: Accepted) -> Iterator[Flag]:
    taken = {
        row[0]
        for row in seen.reader.connection.execute(
            "SELECT DISTINCT mould FROM movement WHERE at = ? AND event = ?", (accepted.at, accepted.seq)
        )
    }
    for mould in values["moulds"]:
        if mould not in taken:
            yield Flag(
                "ended_empty",
                f"nothing was booked into mould {mould}: a mix is missing or late, or the number is wrong",
                mould,
            )


def _revised(seen: Picture, accepted: Accepted) -> Iterator[Flag]:
    """Files that would be read otherwise, and how many records booked already would differ under this set-up."""
    yield from _written_otherwise(seen, accepted)
    revisions = sorted(
        (revision.valid_from, revision.record) for revision in seen.setups.revisions if not revision.withdrawn
    )
    until = next((start for start, record in revisions if start > accepted.at), seen.at) - 1
    for start, record in revisions:
        if start > accepted.at and record < accepted.seq:
            yield Flag(
                "later_set_up",
                f"a set-up from {times.minute(start, seen.zone)} on is recorded already and stays as it is: what was "
                "changed now holds until then only; change that one too",
                "plant",
            )
    day = seen.setups.booked_with(accepted.seq)
    for flow in seen.reader.flows(accepted.at - 1, max(until, accepted.at)):
        if flow.revision == accepted.seq or flow.measure not in day.plant.measures:
            continue
        before = seen.setups.booked_with(flow.revision).find("measures", flow.measure).mass_kg
        after = day.plant.measures[flow.measure].mass_kg
        if before != after:
            change = flow.mass_mg / KG * (after / before - 1)
            yield Flag(
                "would_differ",
                f"{flow.records} records already booked in {flow.measure} ({flow.kind}) keep "
                f"their mass; under this set-up it would be {change:+,.0f} kg",
                flow.measure,
            )


def _written_otherwise(seen: Picture, accepted: Accepted) -> Iterator[Flag]:
    """Settings of how numbers and dates are written that differ from the revision recorded before this one."""
    before = [revision for revision in seen.setups.revisions if revision.record < accepted.seq]
    if not before:
        return
    old, new = before[-1].plant.shop, seen.setups.booked_with(accepted.seq).plant.shop
    changed = [name for name in ("units", "decimal", "date_order") if getattr(old, name) != getattr(new, name)]
    if changed:
        changes = ", ".join(f"{name} from {getattr(old, name)} to {getattr(new, name)}" for name in changed)
        yield Flag(
            "notation_changed",
            f"changed: {changes}. Records in the book stay as they are. A file of before may now be read otherwise: "
            "do not load it again unless its dates are written as 2025-04-03",
            "shop",
        )
