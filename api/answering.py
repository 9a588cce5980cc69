"""Answers over HTTP: kept until the ledger grows or the minute turns, and told unchanged where they are."""

from __future__ import annotations

import hashlib
from typing import NamedTuple

from flask import Response, g, request
from werkzeug.wrappers import Response as BaseResponse

from sandtrack import __version__
from sandtrack.shop import Shop

from . import strict_json
from .access import require_own
from .questions import Question, read

MINUTE_US = 60_000_000
MOST_KEPT = 1_000
LONGEST_KEPT = 65_536

Key = tuple[str, bytes, str]


class _Kept(NamedTuple):
    """Answers of one state of the ledger, in one minute."""

    state: tuple[str, int]
    answers: dict[Key, bytes]


class Answering:
    """Asks the shop, or gives what it has answered before."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self._kept = _Kept(("", 0), {})

    def respond(self, question: Question) -> BaseResponse:
        """Answer the request; 304 where its If-None-Match holds."""
        ledger = self.shop.ledger
        head, minute = ledger.head().digest, ledger.clock() // MINUTE_US
        key = (question.name, request.query_string, g.token.mixer)
        fixed = question.fixed_by in request.args
        tag = _tag(head, 0 if fixed else minute, key)
        if not request.if_none_match.star_tag and request.if_none_match.contains_weak(tag):
            return _told(Response(status=304), tag)
        kept = self._kept
        if kept.state != (head, minute):
            kept = self._kept = _Kept((head, minute), {})
        body = kept.answers.get(key)
        if body is None:
            body = self._ask(question)
            if len(body) <= LONGEST_KEPT and len(kept.answers) < MOST_KEPT:
                kept.answers[key] = body
        response = _told(Response(body, content_type="application/json"), tag)
        return response.make_conditional(request)

    def _ask(self, question: Question) -> bytes:
        arguments = read(question, dict(request.args.lists()))
        require_own(g.token, f"ask:{question.name}", arguments)
        return strict_json.write(question.ask(self.shop, arguments).as_dict())


def _tag(head: str, minute: int, key: Key) -> str:
    name, query, mixer = key
    said = f"{__version__}\n{head}\n{minute}\n{name}\n{mixer}\n".encode() + query
    return hashlib.sha256(said).hexdigest()[:32]


def _told(response: Response, tag: str) -> Response:
    response.set_etag(tag)
    response.headers["Cache-Control"] = "private, no-cache"
    return response
