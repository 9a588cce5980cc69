"""How far the book can be trusted: when it was verified, whether its end was cut off, and whether it holds a head."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sandtrack.ledger import Head, Ledger, outside
from sandtrack.ledger.chain import printed_head
from sandtrack.shop.answer import Answer, Basis, Flag, Verified
from sandtrack.shop.picture import Picture

LOST, FAILED = "records_lost", "verify_failed"
CODES = frozenset({LOST, FAILED})


def heads(given: str | Head | Iterable[str | Head]) -> tuple[Head, ...]:
    """Heads as they were printed or kept; raises InputErrors."""
    listed = [given] if isinstance(given, str | Head) else given
    return tuple(printed_head(one) if isinstance(one, str) else one for one in listed)


def verified(ledger: Ledger) -> Verified | None:
    """Up to which record and head the file was verified last, and when; None where it never was."""
    last = outside.verified(ledger.store.path)
    if last is None or not last.head:
        return None
    return Verified(last.records, f"{last.records} records, {last.head[:16]}", last.at, last.whole_at)


def flags(ledger: Ledger) -> tuple[Flag, ...]:
    """What makes every answer doubtful: an end that was cut off, and a `verify` that found something."""
    raised = []
    lost, path = ledger.lost(), ledger.store.path
    if lost is not None:
        have = ledger.head().records
        text = (
            f"the file ends at record {have:,}, and there were {lost.records:,}: records are lost, and this answer is "
            "without them"
            if have < lost.records
            else f"record {lost.records:,} is another than the one that was there once: records are lost"
        )
        name = outside.head_name(path).name
        todo = f"Restore a backup that has them; or record them again, and then delete {name}"
        raised.append(Flag(LOST, f"{text}. {todo}", path.name))
    last = outside.verified(path)
    if last is not None and last.failed_at:
        text = f"`sandtrack verify` of {last.failed_at} found what is not as it was recorded: see what it lists"
        raised.append(Flag(FAILED, text, path.name))
    return tuple(raised)


def head(picture: Picture, printed: str | None) -> Answer:
    """The end of the chain now, and whether the chain holds a head that was printed."""
    now = picture.ledger.head()
    values: dict[str, Any] = {"records": now.records, "head": now.digest, "holds": None}
    because = ""
    if printed is not None:
        wanted = printed_head(printed)
        digest = picture.reader.hash_of(wanted.records)
        values["holds"] = digest is not None and digest.startswith(wanted.digest)
        if digest is None:
            because = f"the file ends at record {now.records:,}; there is no record {wanted.records:,}"
        elif not values["holds"]:
            because = f"record {wanted.records:,} has the hash {digest[:16]}…, not {wanted.digest[:16]}"
    return Answer(
        question="head",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values=values,
        basis=(Basis("head", "the hash of the last record, which holds all before it", "record", picture.head),),
        possible=not because,
        because=because,
        instead=("run `sandtrack verify`", "compare with a backup of that time") if because else (),
        head=picture.head,
    )
