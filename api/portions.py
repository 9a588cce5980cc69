"""Many records in one upload: read line by line, written in portions, answered line by line once they are committed."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Any, NamedTuple, Protocol

from sandtrack.errors import Conflict, FieldError, InputErrors, SandtrackError
from sandtrack.ledger import Accepted, Entry
from sandtrack.ledger.brought import LONGEST_AWAY_DAYS
from sandtrack.records import fields, kind_named, times
from sandtrack.shop import Shop
from sandtrack.shop.loading.vetting import made_id
from sandtrack.shop.mould_numbers import require_clear_values
from sandtrack.shop.picture import moment
from sandtrack.shop.receipts import flags_of
from sandtrack.shop.watch import brought

from . import refusals, strict_json
from .access import Bearer, Forbidden, require
from .problems import body, of_error

LONGEST_LINE = 1_000_000
LINES_AT_ONCE = 1_000
BYTES_AT_ONCE = 4_000_000
_CHUNK = 65_536
ENVELOPE = ("sender", "id", "sent_at", "age_s")
"""What a record is sent in; everything else is its content."""
_SENDER, _AGE = fields.Name(), fields.Number(least=0, most=LONGEST_AWAY_DAYS * 86_400)
_SENDER.name, _AGE.name = "sender", "age_s"
_log = logging.getLogger("sandtrack_api")


class Stream(Protocol):
    """What an upload is read from."""

    def read(self, size: int, /) -> bytes: ...


class Sent(NamedTuple):
    """A record taken out of what it was sent in."""

    kind: str
    content: dict[str, Any]
    sender: str
    id: Any
    """None where the sender made none."""
    sent_at: Any
    age_s: float | None


class Line(NamedTuple):
    """One line of an upload: an entry for the ledger, or the problem that it has."""

    number: int
    told: dict[str, Any]
    entry: Entry | None
    problem: dict[str, Any] | None
    forbidden: str = ""
    """The permission that is wanting."""


def unpack(raw: Any, bearer: Bearer, kind: str = "") -> Sent:
    """Take a record out of its envelope, if its bearer may send it; raise InputErrors, Forbidden."""
    if not isinstance(raw, dict):
        problem = FieldError(field="content", value=type(raw).__name__, reason="is not an object with fields")
        raise InputErrors([problem], what="the record")
    refuse_null(raw, ("kind", *ENVELOPE), "the record")
    content = dict(raw)
    said = content.pop("kind", None)
    if kind and said not in (None, kind):
        problem = FieldError(field="kind", value=said, reason="is not the kind of this address", accepted=kind)
        raise InputErrors([problem], what="the record")
    kind = kind or _kind(said)
    sender, record_id, sent_at, age_s = (content.pop(name, None) for name in ENVELOPE)
    permission = f"record:{kind}"
    require(bearer.token.role, permission)
    sender = bearer.token.name if sender is None else parsed(_SENDER, sender)
    bearer.require_sender(permission, sender)
    bearer.require_own(permission, content)
    bearer.require_dealing(kind, content)
    bearer.require_id(record_id)
    return Sent(kind, content, sender, record_id, sent_at, _age_s(age_s, record_id))


def _age_s(raw: Any, record_id: Any) -> float | None:
    """The age of a record; one that may come again at another age must be known by its id."""
    if raw is None:
        return None
    age_s: float = parsed(_AGE, raw)
    if record_id is None:
        problem = FieldError(field="id", reason="is missing beside age_s", accepted="an id of the sender's own")
        raise InputErrors([problem], what="the record")
    return age_s


def parsed(field: fields.Field, raw: Any) -> Any:
    """A value of the envelope; raise InputErrors."""
    try:
        return field.parse(raw)
    except FieldError as problem:
        raise InputErrors([problem], what="the record") from None


def refuse_null(raw: Any, names: Iterable[str], what: str) -> None:
    """Raise InputErrors where what a record is sent in is there and holds nothing.

    Whoever writes `"id": null` has an id in mind: taken as none, the same sent again would be a second record.
    """
    problems = [
        FieldError(field=name, value="null", reason="holds nothing", accepted="its value, or no such name")
        for name in names
        if isinstance(raw, dict) and name in raw and raw[name] is None
    ]
    if problems:
        raise InputErrors(problems, what=what)


def _kind(said: Any) -> str:
    if said is None:
        raise InputErrors(
            [FieldError(field="kind", reason="is missing", accepted="the kind of the record")], what="the record"
        )
    if said != "plant":
        kind_named(said if isinstance(said, str) else str(said))
    return str(said)


def lines(stream: Stream) -> Iterator[tuple[int, bytes | None]]:
    """The lines of an upload that are not blank, numbered from 1; None for one that is too long to be read."""
    number, pending, long = 0, b"", False
    for chunk in iter(lambda: stream.read(_CHUNK), b""):
        *whole, rest = chunk.split(b"\n")
        for part in whole:
            number += 1
            long = long or len(pending) + len(part) > LONGEST_LINE
            text = None if long else pending + part
            if text is None or text.strip():
                yield number, text
            pending, long = b"", False
        long = long or len(pending) + len(rest) > LONGEST_LINE
        pending = b"" if long else pending + rest
    if long or pending.strip():
        yield number + 1, None if long else pending


def answers(shop: Shop, bearer: Bearer, numbered: Iterable[tuple[int, bytes | None]]) -> Iterator[bytes]:
    """Write an upload; the answers of each portion once it is committed. Lines without an answer were not taken."""
    alike: dict[str, int] = {}
    first = True
    for portion in _portions(numbered):
        checked = [_checked(shop, bearer, number, raw, alike) for number, raw in portion]
        _note_refused(checked)
        try:
            if not first:
                bearer.require_in_force()
            told = _written(shop, checked)
        except Exception as problem:
            if first:
                raise
            if not isinstance(problem, SandtrackError):
                _log.exception("a portion of an upload was not written")
            yield _failed(checked, problem)
            return
        yield told
        first = False


def _note_refused(checked: Iterable[Line]) -> None:
    """Log what an upload may not: one line for each permission."""
    for permission, lines in Counter(line.forbidden for line in checked if line.forbidden).items():
        refusals.note(403, f"may not {permission}", lines=lines)


def _portions(numbered: Iterable[tuple[int, bytes | None]]) -> Iterator[list[tuple[int, bytes | None]]]:
    portion: list[tuple[int, bytes | None]] = []
    size = 0
    for line in numbered:
        portion.append(line)
        size += len(line[1] or b"")
        if len(portion) >= LINES_AT_ONCE or size >= BYTES_AT_ONCE:
            yield portion
            portion, size = [], 0
    if portion:
        yield portion


def _checked(shop: Shop, bearer: Bearer, number: int, raw: bytes | None, alike: dict[str, int]) -> Line:
    """Check one line before the write lock is taken."""
    told: dict[str, Any] = {}
    if raw is None:
        return Line(number, told, None, body(413, "too_large", f"the line is longer than {LONGEST_LINE} bytes"))
    try:
        content = strict_json.read(raw)
        if isinstance(content, dict):
            told = {name: content[name] for name in ("kind", "sender", "id") if isinstance(content.get(name), str)}
        sent = unpack(content, bearer)
        return Line(number, told, _entry(shop, bearer, sent, alike), None)
    except SandtrackError as problem:
        wanting = problem.permission if isinstance(problem, Forbidden) else ""
        return Line(number, told, None, of_error(problem), wanting)


def _entry(shop: Shop, bearer: Bearer, sent: Sent, alike: dict[str, int]) -> Entry:
    ledger = shop.ledger
    sent_at = None if sent.sent_at is None else moment(sent.sent_at, ledger.zone, "sent_at", fields.Instant)
    entry = ledger.entry(
        sent.kind,
        sent.content,
        sender=sent.sender,
        record_id=sent.id,
        sent_at=sent_at,
        age_us=None if sent.age_s is None else round(sent.age_s * 1e6),
        brought=bearer.brought(sent.sender),
    )
    if bearer.role.answers_back:
        require_clear_values(ledger, sent.kind, entry.values, sender=sent.sender, record_id=sent.id)
    if sent.id is not None:
        return entry
    # As in files: the same for the same content and ordinal, so that an upload sent again adds nothing.
    first = made_id(entry.kind, entry.text, 1)
    alike[first] = ordinal = alike.get(first, 0) + 1
    return entry._replace(id=made_id(entry.kind, entry.text, ordinal))


def _written(shop: Shop, checked: list[Line]) -> bytes:
    """Write what is good in one transaction; return the answers of all lines, in order."""
    ledger = shop.ledger
    accepted, refused = ledger.append_all(line.entry for line in checked if line.entry is not None)
    errors = {one.position: one.error for one in refused}
    dangers = flags_of(ledger, (one for one in accepted if one is not None))
    outcomes = iter(enumerate(accepted))
    shown: dict[int, str] = {}
    said: list[bytes] = []
    for line in checked:
        if line.entry is None:
            said.append(_said(line.number, "refused", **line.told, problem=line.problem))
            continue
        kind, sender, record_id = line.entry[:3]
        named = {"kind": kind, "sender": sender, "id": record_id}
        position, outcome = next(outcomes)
        if outcome is not None:
            named["id"] = outcome.id
        if outcome is None:
            error = errors[position]
            word = "conflict" if isinstance(error, Conflict) else "refused"
            said.append(_said(line.number, word, **named, problem=of_error(error)))
        else:
            at = _recorded(shop, outcome, shown)
            own = brought.flags(ledger.zone, line.entry, outcome) if outcome.new else ()
            flags = [asdict(flag) for flag in (*dangers.get(outcome.seq, ()), *own)]
            more = {"flags": flags} if flags else {}
            said.append(_said(line.number, "new" if outcome.new else "known", **named, recorded_at=at, **more))
    return b"".join(said)


def _recorded(shop: Shop, accepted: Accepted, shown: dict[int, str]) -> str:
    found = shown.get(accepted.recorded)
    if found is None:
        found = shown[accepted.recorded] = times.show(accepted.recorded, shop.ledger.zone)
    return found


def _failed(checked: list[Line], problem: Exception) -> bytes:
    """The answers of a portion that could not be written: nothing of it was kept."""
    told = of_error(problem) if isinstance(problem, SandtrackError) else body(500, "internal_error", "not written")
    return b"".join(_said(line.number, "failed", **line.told, problem=told) for line in checked)


def _said(number: int, outcome: str, **members: Any) -> bytes:
    return strict_json.write({"line": number, "outcome": outcome, **members}) + b"\n"
