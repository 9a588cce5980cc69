"""Records found again: by kind, sender, time, place, mould or text."""

from __future__ import annotations

import heapq
import json
import re
from typing import Any

from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger import bringing, stored
from sandtrack.records import KINDS, kind_named, times
from sandtrack.shop.answer import Answer, Basis
from sandtrack.shop.picture import Picture


def records(
    picture: Picture,
    *,
    kind: str | None = None,
    sender: str | None = None,
    record_id: str | None = None,
    since: int | None = None,
    until: int | None = None,
    place: str | None = None,
    mould: str | None = None,
    text: str | None = None,
    since_id: str | None = None,
    limit: int = 100,
    after: str | None = None,
) -> Answer:
    """Records that fit everything asked for, the latest first, at most `limit`, withdrawn ones marked.

    With `since_id`, what was recorded after that record of the same sender; a "no" where there is none of that id.

    Values: `records` (a list; each with the `token` that brought it and `marks`, codes of how it came), `more` (whether
    there are older ones), `next` (pass as `after` to go on).
    """
    if kind is not None and kind != "plant":
        try:
            kind_named(kind)
        except FieldError as problem:
            raise InputErrors([problem], what="the question") from None
    if place is not None:
        picture.setups.require("places", place)
    after_seq = None if since_id is None else _recorded_as(picture, sender, since_id)
    if since_id is not None and after_seq is None:
        return _not_there(picture, f"there is no record {since_id!r} of {sender}")
    wanted: list[tuple[str, Any]] = [
        ("seq > ?", after_seq),
        ("sender = ?", sender),
        ("id = ?", record_id),
        ("at >= ?", since),
        ("at <= ?", until),
        ("(at, seq) < (?, ?)", _position(after)),
        ("content LIKE ? ESCAPE '\\'", _holding(place)),
        ("content LIKE ? ESCAPE '\\'", _holding(mould)),
        ("(content LIKE ? ESCAPE '\\' OR id LIKE ? ESCAPE '\\' OR sender LIKE ? ESCAPE '\\')", _like(text)),
    ]
    clauses = "".join(f" AND {clause}" for clause, argument in wanted if argument is not None)
    arguments = [
        part
        for clause, argument in wanted
        if argument is not None
        for part in (argument if isinstance(argument, tuple) else (argument,) * clause.count("?"))
    ]
    # One ordered walk down the index for each kind, merged: no sorting however long the book.
    walks = [
        picture.reader.connection.execute(
            "SELECT at, seq, kind, sender, id, own_at, recorded, content, token, marks, own_id, "
            "(SELECT v.record FROM reversal v WHERE v.of = seq AND v.record <= ?) FROM record "
            f"WHERE kind = ? AND seq <= ?{clauses} ORDER BY at DESC, seq DESC",
            (picture.reader.last, one, picture.reader.last, *arguments),
        )
        for one in ([kind] if kind is not None else ALL_KINDS)
    ]
    found: list[dict[str, Any]] = []
    more = False
    for (
        at,
        seq,
        row_kind,
        row_sender,
        row_id,
        own_at,
        recorded,
        content,
        token,
        marks,
        own_id,
        withdrawn,
    ) in heapq.merge(*walks, key=lambda row: (row[0], row[1]), reverse=True):
        read = stored.content(content, seq)
        if (place is not None and not _mentions(read, place)) or (mould is not None and not _is_about(read, mould)):
            continue
        if len(found) == limit:
            more = True
            break
        found.append(
            {
                "seq": seq,
                "kind": row_kind,
                "sender": row_sender,
                "id": row_id,
                "at": times.show(at, picture.zone),
                "recorded_at": times.show(recorded, picture.zone),
                "withdrawn": withdrawn is not None,
                **({"own_at": times.show(own_at, picture.zone)} if own_at is not None else {}),
                **({"token": token} if token is not None else {}),
                **({"marks": marks.split()} if marks is not None else {}),
                **({"own_id": own_id} if own_id is not None else {}),
                "content": read,
            }
        )
        last = f"{at}-{seq}"
    return Answer(
        question="records",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"records": found, "more": more, "next": last if more else None},
        basis=(Basis("records", f"{len(found)} shown, content as sent", "record", picture.head),),
        head=picture.head,
    )


def _recorded_as(picture: Picture, sender: str | None, record_id: str) -> int | None:
    """Place in the chain of a sender's record, by the id it was sent with."""
    if sender is None:
        problem = FieldError(field="sender", reason="is missing beside since_id", accepted="the sender of that record")
        raise InputErrors([problem], what="the question")
    return bringing.place_of(picture.reader, sender, record_id)


def _not_there(picture: Picture, because: str) -> Answer:
    return Answer(
        question="records",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"records": [], "more": False, "next": None},
        possible=False,
        because=because,
        instead=("ask without since_id, and send what is not there",),
        head=picture.head,
    )


def _position(after: str | None) -> tuple[int, int] | None:
    """Where the page before ended."""
    if after is None:
        return None
    match = re.fullmatch(r"(-?[0-9]{1,18})-([0-9]{1,18})", after)
    if match is None:
        raise InputErrors(
            [
                FieldError(
                    field="after",
                    value=after,
                    reason="is no place to go on from",
                    accepted="`next` of the answer before",
                )
            ],
            what="the question",
        )
    return int(match[1]), int(match[2])


def _holding(word: str | None) -> str | None:
    return None if word is None else f"%{_escaped(json.dumps(word, ensure_ascii=False)[1:-1])}%"


def _like(text: str | None) -> str | None:
    return None if text is None else f"%{_escaped(text)}%"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")


def _mentions(content: Any, word: str) -> bool:
    if isinstance(content, dict):
        return any(_mentions(value, word) for value in content.values())
    if isinstance(content, list):
        return any(_mentions(value, word) for value in content)
    return bool(content == word)


def _is_about(content: dict[str, Any], mould: str) -> bool:
    named = [content.get("mould"), *(content.get("moulds") or [])]
    return mould in [str(number) for number in named if number is not None]


ALL_KINDS = (*KINDS, "plant")
