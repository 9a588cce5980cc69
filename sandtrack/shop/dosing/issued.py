"""Tables of settings that were given out: numbered, kept as they were, and known to be valid or not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sandtrack.errors import Conflict
from sandtrack.ledger import Ledger
from sandtrack.records import times
from sandtrack.shop import receipts
from sandtrack.shop.answer import Answer, Basis, Flag, Receipt
from sandtrack.shop.cautions import CHEMICALS, TEST_THEN_DRAW
from sandtrack.shop.dosing.table import content_of
from sandtrack.shop.picture import Picture, Seen, picture

KIND, SENDER = "table_issued", "tables"
# One sender and an id made of the number: two who issue at once cannot both get it.
_TRIES = 100
_SAME = ("mixer", "binder_system", "pattern", "purpose", "wanted_strip_min", "box_sand_kg")


@dataclass(frozen=True)
class Issued:
    """A table given out; number and receipt are None where it was a "no" and none was given out."""

    table: Answer
    number: int | None
    receipt: Receipt | None


def issue(ledger: Ledger, ask: Callable[[Picture], Answer], by: str) -> Issued:
    """Ask for a table of now and keep it under the next number."""
    number = 0
    for tries_left in reversed(range(_TRIES)):
        with picture(ledger) as seen:
            made = ask(seen)
            if not made.possible:
                return Issued(made, None, None)
            (highest,) = seen.reader.connection.execute(
                "SELECT coalesce(max(json_extract(content, '$.number')), 0) FROM record WHERE kind = ?", (KIND,)
            ).fetchone()
        number = max(int(highest), number) + 1
        entry = ledger.entry(KIND, content_of(made, number, by), sender=SENDER, record_id=f"table-{number}")
        try:
            accepted = ledger.append(entry)
        except Conflict:
            if not tries_left:
                raise
            continue
        return Issued(made, number, receipts.receipt(ledger, entry, accepted))
    raise AssertionError("the last try returns or raises")


def tables(picture: Picture) -> Answer:
    """Tables given out up to an instant and not withdrawn, the latest first.

    Values: `tables`, each with `number`, `id`, `sender`, `by`, `made_at`, `expires_at`, `state` (valid, expired,
    superseded), `superseded_by` (number of the later table for the same, or None), `set_up_changed`, what it was asked
    for, `rows` as in a table, and the lines `basis`, `look_at`, `cautions` as they were printed.
    """
    later: dict[tuple[Any, ...], int] = {}
    told, flags = [], []
    for seen in picture.records(KIND, newest_first=True):
        same = tuple(seen.values.get(name) for name in _SAME)
        one = _told(picture, seen, later.get(same))
        later[same] = one["number"]
        told.append(one)
        if one["state"] == "valid" and one["set_up_changed"]:
            text = f"table {one['number']} was made from an earlier set-up: make a new one, and take it off the wall"
            flags.append(Flag("table_set_up_changed", text, str(one["number"])))
    told.sort(key=lambda one: one["number"], reverse=True)
    return Answer(
        question="tables",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"tables": told},
        basis=(Basis("tables", f"{len(told)} given out", "record", f"records of kind {KIND}"),),
        flags=tuple(flags),
        cautions=(CHEMICALS, TEST_THEN_DRAW),
        head=picture.head,
    )


def _told(picture: Picture, seen: Seen, superseded_by: int | None) -> dict[str, Any]:
    values = dict(seen.values)
    expired = values["expires_at"] <= picture.at
    state = "superseded" if superseded_by is not None else "expired" if expired else "valid"
    plain = {name: value for name, value in values.items() if name not in ("at", "rows", "note")}
    return {
        **plain,
        "number": int(values["number"]),
        "id": seen.id,
        "sender": seen.sender,
        "made_at": times.show(seen.at, picture.zone),
        "expires_at": times.show(values["expires_at"], picture.zone),
        "state": state,
        "superseded_by": superseded_by,
        "set_up_changed": picture.setups.on(seen.at).revision != picture.day.revision,
        "rows": [dict(row) for row in values["rows"]],
        **{name: str(values.get(name, "")).splitlines() for name in ("basis", "look_at", "cautions")},
    }
