"""Records over HTTP: one, with its receipt; many as lines, each line answered; a table that is given out."""

from __future__ import annotations

import difflib
import itertools
from urllib.parse import urlencode

from flask import Request, Response, g, request, stream_with_context

from sandtrack.ledger.brought import LONGEST_AWAY_DAYS
from sandtrack.records import fields as f
from sandtrack.records import times
from sandtrack.records.schema import Declared
from sandtrack.shop import Shop
from sandtrack.shop.mould_numbers import require_clear

from . import strict_json
from .access import ISSUE, RECORDS
from .portions import answers, lines, refuse_null, unpack
from .problems import Refusal
from .questions import TableAsked

LONGEST_BODY = 4_000_000
LONGEST_UPLOAD = 1_000_000_000
ONE_TYPE, LINES_TYPE = "application/json", "application/x-ndjson"


class Envelope(Declared):
    """What a record is sent in; everything else is its content."""

    id = f.Name("the sender's own id: the same id and content sent again adds nothing")
    sender = f.Name("the device or person it comes from; default: the name that the token was made for")
    sent_at = f.Instant("the sender's own clock as it sends, so that a clock that is off is seen")
    age_s = f.Number(
        "seconds since it happened, of a sender that has no clock: `at` may then be left out; the id may not",
        least=0,
        most=LONGEST_AWAY_DAYS * 86_400,
    )


class TableOrder(TableAsked):
    """A table to be given out: worked out as of now, numbered, and kept as it is."""

    id = f.Name("the sender's own id: the same order sent again adds nothing")
    sender = f.Name("the device or person it comes from; default: the name that the token was made for")
    by = f.Name("who gives it out; default: the sender")


def one(shop: Shop, kind: str) -> Response:
    """Record what the request holds; its receipt, 201 if it is new and 200 if it was known."""
    _expect(request, ONE_TYPE)
    sent = unpack(strict_json.read(_whole(request)), g.bearer, kind)
    if g.bearer.role.answers_back:
        dated = {"at": times.show(shop.ledger.clock(), shop.ledger.zone), **sent.content}  # by its age it may lack one
        require_clear(shop.ledger, kind, dated, sender=sent.sender, record_id=sent.id)
    receipt = shop.log(
        kind,
        sent.content,
        sender=sent.sender,
        id=sent.id,
        sent_at=sent.sent_at,
        age_s=sent.age_s,
        brought=g.bearer.brought(sent.sender),
    )
    response = Response(
        strict_json.write(receipt.as_dict()), 201 if receipt.new else 200, content_type="application/json"
    )
    response.headers["Location"] = "/v1/records?" + urlencode({"sender": receipt.sender, "id": receipt.id})
    response.headers["Cache-Control"] = "no-store"
    return response


def table(shop: Shop) -> Response:
    """Give out the table that the request orders: 201 if it is new; 200 if it was known, or is a "no"."""
    _expect(request, ONE_TYPE)
    raw = strict_json.read(_whole(request))
    refuse_null(raw, ("id", "sender"), "the order")
    order, bearer = TableOrder().require(raw, what="the order"), g.bearer
    bearer.require_sender(ISSUE, order.get("sender"))
    bearer.require_own(ISSUE, order)
    bearer.require_id(order.get("id"))
    sender = order.pop("sender", bearer.token.name)
    given = shop.issue_table(**{"by": sender, **order}, sender=sender, brought=bearer.brought(sender))
    response = Response(strict_json.write(given.as_dict()), content_type="application/json")
    response.headers["Cache-Control"] = "no-store"
    if given.receipt is not None:
        response.status_code = 201 if given.receipt.new else 200
        response.headers["Location"] = f"/v1/tables?number={given.number}"
    return response


def many(shop: Shop) -> Response:
    """Record every line of the request that is good; answers to all lines, in order."""
    _expect(request, LINES_TYPE)
    answered = answers(shop, g.bearer, lines(request.stream))
    # The first portion is written before the answer begins: if the shop file cannot be used, that is its status.
    first = next(answered, None)
    if first is None:
        raise Refusal(400, "bad_request", "the body holds no line; one record, as a JSON object, a line")
    # What comes after it is written while the answer goes out: it needs the request, to say in the log who was refused.
    response = Response(stream_with_context(itertools.chain([first], answered)), content_type=LINES_TYPE)
    response.headers["Cache-Control"] = "no-store"
    return response


def no_such_kind(kind: str) -> Response:
    """Say which kinds there are."""
    near = difflib.get_close_matches(kind, RECORDS, n=1)
    said = f"did you mean {near[0]}?" if near else ", ".join(RECORDS)
    raise Refusal(404, "not_found", f"{kind!r} is not a kind of record; accepted: {said}")


def _expect(sent: Request, media_type: str) -> None:
    if sent.args:
        raise Refusal(400, "bad_request", f"{next(iter(sent.args))} is no parameter here; there are none")
    if sent.mimetype != media_type:
        said = sent.mimetype or "nothing"
        raise Refusal(
            415, "unsupported_media_type", f"Content-Type is {said}; accepted: {media_type}", {"Accept": media_type}
        )
    if sent.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise Refusal(
            415, "unsupported_media_type", "the content is encoded; accepted: identity", {"Accept-Encoding": "identity"}
        )
    if "If-Match" in sent.headers:
        # RFC 9110, 13.1.1: what has no version matches none, and nothing may be done.
        said = "records are added, never changed: there is no version to match; an id makes it safe to send one again"
        raise Refusal(412, "precondition_failed", said)


def _whole(sent: Request) -> bytes:
    if (sent.content_length or 0) <= LONGEST_BODY:
        found = sent.stream.read(LONGEST_BODY + 1)
        if len(found) <= LONGEST_BODY:
            return found
    raise Refusal(413, "too_large", f"the record is longer than {LONGEST_BODY} bytes; many are sent as lines")
