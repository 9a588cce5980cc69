"""Tables of settings that were given out: numbered, kept as they were, and known to be valid or not."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from itertools import zip_longest
from typing import Any

from sandtrack.errors import Conflict
from sandtrack.ledger import Ledger, stored
from sandtrack.ledger.brought import Brought
from sandtrack.records import times
from sandtrack.shop import dangers, receipts
from sandtrack.shop.answer import Answer, Basis, Flag, Receipt
from sandtrack.shop.cautions import CAUTIONS, Caution
from sandtrack.shop.dosing.table import ANSWER_OLD_S, content_of
from sandtrack.shop.picture import Picture, Seen, picture

KIND, SENDER = "table_issued", "tables"
_SAME = ("mixer", "binder_system", "pattern", "purpose", "wanted_strip_min", "box_sand_kg")


@dataclass(frozen=True)
class Issued:
    """A table given out; number and receipt are None where it was a "no" and none was given out."""

    number: int | None
    receipt: Receipt | None
    table: Answer

    def as_dict(self) -> dict[str, Any]:
        """All of it as plain mappings and lists, ready for JSON."""
        receipt = None if self.receipt is None else self.receipt.as_dict()
        return {"number": self.number, "receipt": receipt, "table": self.table.as_dict()}


def issue(
    ledger: Ledger,
    ask: Callable[[Picture], Answer],
    by: str,
    *,
    asked: Mapping[str, Any],
    sender: str = SENDER,
    record_id: str | None = None,
    brought: Brought | None = None,
) -> Issued:
    """Ask for a table of now and keep it under the next number, with what was `asked`.

    The same id of the same sender with the same question is known: answered with the table that was kept. Another
    question under that id raises Conflict.
    """
    try:
        return _issue(ledger, ask, by, asked, sender, record_id, brought)
    except Conflict:
        # Sent twice at once: by now the other one is kept. A true conflict is one again.
        return _issue(ledger, ask, by, asked, sender, record_id, brought)


def _issue(
    ledger: Ledger,
    ask: Callable[[Picture], Answer],
    by: str,
    asked: Mapping[str, Any],
    sender: str,
    record_id: str | None,
    brought: Brought | None,
) -> Issued:
    before = None if record_id is None else _given_before(ledger, asked, sender, record_id)
    if before is not None:
        return before
    with picture(ledger) as seen:
        made = ask(seen)
    if not made.possible:
        return Issued(None, None, made)
    with ledger.writer() as writer:
        (highest,) = writer.connection.execute(
            "SELECT coalesce(max(json_extract(content, '$.number')), 0) FROM record WHERE kind = ?", (KIND,)
        ).fetchone()
        number = int(highest) + 1
        while record_id is None and writer.known(sender, f"table-{number}"):
            number += 1
        content = content_of(made, number, by, asked)
        # Checked under the lock, unlike what is sent in: the number is known only here.
        entry = ledger.entry(KIND, content, sender=sender, record_id=record_id or f"table-{number}", brought=brought)
        accepted = writer.append(entry)
    return Issued(number, receipts.receipt(ledger, entry, accepted), made)


def _given_before(ledger: Ledger, asked: Mapping[str, Any], sender: str, record_id: str) -> Issued | None:
    """The table that was given out under an id, if there is one."""
    with picture(ledger) as seen:
        found = seen.reader.connection.execute(
            "SELECT kind, content, seq FROM record WHERE sender = ? AND id = ?", (sender, record_id)
        ).fetchone()
        if found is None:
            return None
        content = stored.content(found[1], found[2])
    told, before = {"kind": KIND, **asked}, {"kind": found[0], **content.get("asked", {})}
    differing = [name for name in sorted({*told, *before}) if told.get(name) != before.get(name)]
    if differing:
        raise Conflict(sender=sender, record_id=record_id, fields=differing)
    entry = ledger.entry(KIND, content, sender=sender, record_id=record_id)
    receipt = receipts.receipt(ledger, entry, ledger.append(entry))
    with picture(ledger) as seen:
        kept = tables(seen, int(content["number"]))
    values = kept.values["tables"][0] if kept.possible else {}
    return Issued(int(content["number"]), receipt, replace(kept, question="table", values=values))


def tables(picture: Picture, number: int | None = None, *, mixer: str | None = None) -> Answer:
    """Tables given out up to an instant and not withdrawn, the latest first; with a number that one, or a "no".

    With a mixer, its own alone. Raises UnknownName.

    Values: `tables`, each with `number`, `id`, `sender`, `by`, `made_at`, `expires_at`, `expires_in_s` (whole seconds
    that it holds for at least, also where the answer is a minute old; 0 if it does not), `state` (valid, expired,
    superseded), `superseded_by` (number of the later table for the same, or None), `set_up_changed`, `asked`, what it
    aims at, `rows` as in a table, the lines `basis` and `look_at` as they were printed, and `cautions` as then worded
    (each `code`, `signal`, `text`, `short`).
    """
    if mixer is not None:
        picture.setups.require("mixers", mixer)
    later: dict[tuple[Any, ...], int] = {}
    told, flags = [], []
    # Several may be of one minute: their numbers tell which came later.
    for seen in sorted(picture.records(KIND), key=lambda one: (one.at, one.values["number"]), reverse=True):
        same = tuple(seen.values.get(name) for name in _SAME)
        one = _told(picture, seen, later.get(same))
        later[same] = one["number"]
        if number not in (None, one["number"]) or mixer not in (None, one["mixer"]):
            continue
        told.append(one)
        if one["state"] == "valid" and one["set_up_changed"]:
            text = f"table {one['number']} was made from an earlier set-up: make a new one, and take it off the wall"
            flags.append(Flag("table_set_up_changed", text, str(one["number"])))
    told.sort(key=lambda one: one["number"], reverse=True)
    missing = number is not None and not told
    return Answer(
        question="tables",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"tables": told},
        basis=(Basis("tables", f"{len(told)} given out", "record", f"records of kind {KIND}"),),
        flags=tuple(flags),
        cautions=dangers.cautions("tables", _families(picture, told)),
        possible=not missing,
        because=f"there is no table {number}, or it was withdrawn" if missing else "",
        instead=("ask for all tables, without a number",) if missing else (),
        head=picture.head,
    )


def _cautions(values: Mapping[str, Any]) -> Iterator[Caution]:
    """Cautions of a table as they were worded when it was given out; none is ever dropped.

    Tables from before codes were kept have sentences alone, which were headed CAUTION; these are shown in full.
    """
    lines, codes = str(values.get("cautions", "")).splitlines(), values.get("caution_codes", ())
    for code, line in zip_longest(codes, lines, fillvalue=""):
        known = CAUTIONS.get(code, Caution(code, "CAUTION", code))
        yield replace(known, text=line or known.text)


def _families(picture: Picture, given_out: list[dict[str, Any]]) -> set[str]:
    """Binder families of some tables."""
    return {picture.day.find("binder_systems", one["binder_system"]).family for one in given_out}


def _told(picture: Picture, seen: Seen, superseded_by: int | None) -> dict[str, Any]:
    values = dict(seen.values)
    expired = values["expires_at"] <= picture.at
    seconds_left = (values["expires_at"] - picture.at) // 1_000_000
    state = "superseded" if superseded_by is not None else "expired" if expired else "valid"
    plain = {name: value for name, value in values.items() if name not in ("at", "rows", "note", "caution_codes")}
    return {
        **plain,
        "number": int(values["number"]),
        "id": seen.id,
        "sender": seen.sender,
        "made_at": times.show(seen.at, picture.zone),
        "expires_at": times.show(values["expires_at"], picture.zone),
        "expires_in_s": max(0, seconds_left - ANSWER_OLD_S) if state == "valid" else 0,
        "state": state,
        "superseded_by": superseded_by,
        "set_up_changed": picture.setups.on(seen.at).revision != picture.day.revision,
        "rows": [dict(row) for row in values["rows"]],
        **{name: str(values.get(name, "")).splitlines() for name in ("basis", "look_at")},
        "cautions": [asdict(caution) for caution in _cautions(values)],
    }
