"""Records found again: by kind, sender, time, place, mould or text."""

from __future__ import annotations

import heapq
import json
import re
from typing import Any

from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger import stored
from sandtrack.ledger.around import number_of
from sandtrack.ledger.searching import searching_edge
from sandtrack.records import KINDS, kind_named, times
from sandtrack.shop.answer import Answer, Basis, Flag
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
    there are older ones), `next` (pass as `after` to go on), `searched_back_to` (None where all of it was searched).

    What no index answers (a sender, place, mould or text) is searched for in about the latest `SEARCHED_AT_ONCE`
    records only; the answer says how far back that is, and `next` goes on from there.
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
    kinds = [kind] if kind is not None else list(ALL_KINDS)
    position = _position(after)
    searching = record_id is None and not (sender is place is mould is text is None)
    edge = None
    if searching and after_seq is None:
        edge = searching_edge(picture.reader.connection, kinds, position, until, SEARCHED_AT_ONCE)
    wanted: list[tuple[str, Any]] = [
        ("seq > ?", after_seq),
        ("at >= ?", edge),
        ("sender = ?", sender),
        ("id = ?", record_id),
        ("at >= ?", since),
        ("at <= ?", until),
        ("(at, seq) < (?, ?)", position),
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
            f"{_FEW if after_seq is not None else ''}WHERE kind = ? AND seq <= ?{clauses} ORDER BY at DESC, seq DESC",
            (picture.reader.last, one, picture.reader.last, *arguments),
        )
        for one in kinds
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
    searched = None
    if not more and edge is not None and (since is None or since < edge):
        more, last, searched = True, f"{edge}-0", times.show(edge, picture.zone)
    flags = () if searched is None else (Flag("search_not_finished", _go_on(edge, picture)),)
    return Answer(
        question="records",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"records": found, "more": more, "next": last if more else None, "searched_back_to": searched},
        basis=(Basis("records", f"{len(found)} shown, content as sent", "record", picture.head),),
        flags=flags,
        head=picture.head,
    )


def _go_on(edge: int | None, picture: Picture) -> str:
    return (
        f"searched back to {times.minute(edge or 0, picture.zone)} only: older records may fit too; "
        "go on with `next` as `after`, or name a kind and a time"
    )


def _recorded_as(picture: Picture, sender: str | None, record_id: str) -> int | None:
    """Place in the chain of a sender's record, by the id it was sent with."""
    if sender is None:
        problem = FieldError(field="sender", reason="is missing beside since_id", accepted="the sender of that record")
        raise InputErrors([problem], what="the question")
    return number_of(picture.reader, sender, record_id)


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
SEARCHED_AT_ONCE = 10_000
"""Records of each kind that one question looks through, so that a search costs the same however long the book is."""
_FEW = "NOT INDEXED "
"""By place in the chain: what came after one record is few, and the index of kinds would walk through all of them."""
