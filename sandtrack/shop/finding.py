"""Records found again: by kind, sender, time, place, mould or text."""

from __future__ import annotations

import json
from typing import Any

from sandtrack.errors import InputErrors
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
    limit: int = 100,
    after: int = 0,
) -> Answer:
    """Records that fit everything asked for, newest first, at most `limit`, withdrawn ones marked.

    Values: `records` (a list), `more` (whether there are older ones), `next` (pass as `after` to go on).
    """
    if kind is not None and kind != "plant":
        try:
            kind_named(kind)
        except ValueError as problem:
            raise InputErrors([problem], what="the question") from None  # type: ignore[list-item]
    if place is not None:
        picture.setups.require("places", place)
    clauses, arguments = ["seq <= ?"], [picture.reader.last]
    wanted: list[tuple[str, Any]] = [
        ("kind = ?", kind),
        ("sender = ?", sender),
        ("id = ?", record_id),
        ("at >= ?", since),
        ("at <= ?", until),
        ("seq < ?", after or None),
        ("content LIKE ? ESCAPE '\\'", _holding(place)),
        ("content LIKE ? ESCAPE '\\'", _holding(mould)),
        ("(content LIKE ? ESCAPE '\\' OR id LIKE ? ESCAPE '\\' OR sender LIKE ? ESCAPE '\\')", _like(text)),
    ]
    for clause, argument in wanted:
        if argument is not None:
            clauses.append(clause)
            arguments += [argument] * clause.count("?")
    rows = picture.reader.connection.execute(
        "SELECT seq, kind, sender, id, at, own_at, recorded, content, "
        "(SELECT v.record FROM reversal v WHERE v.of = seq AND v.record <= ?) FROM record "
        f"WHERE {' AND '.join(clauses)} ORDER BY seq DESC",
        (picture.reader.last, *arguments),
    )
    found: list[dict[str, Any]] = []
    more = False
    for seq, row_kind, row_sender, row_id, at, own_at, recorded, content, withdrawn in rows:
        read = json.loads(content)
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
                "content": read,
            }
        )
    return Answer(
        question="records",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={"records": found, "more": more, "next": found[-1]["seq"] if more else None},
        basis=(Basis("records", f"{len(found)} shown, content as sent", "record", picture.head),),
        head=picture.head,
    )


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
