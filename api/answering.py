"""Answers over HTTP: kept until a record comes that they may depend on, or the minute turns."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import threading
from collections.abc import Hashable
from typing import NamedTuple

from flask import Response, g, request
from werkzeug.http import parse_etags
from werkzeug.wrappers import Response as BaseResponse

from sandtrack import __version__
from sandtrack.ledger import outside
from sandtrack.shop import Shop

from . import paging, strict_json
from .flights import Flights
from .problems import Refusal
from .questions import Question, read

MINUTE_US = 60_000_000
MOST_KEPT = 1_000
LONGEST_KEPT = 65_536

CARRIED = frozenset({"setting", "stopped"})
UNREAD = frozenset({"pour", "castings", "level", "exposure", "table_issued"})
"""Kinds of record of which nothing is read for the questions that are carried over. A mix is not among them: it holds
the temperature of its sand. `tests/api/test_kept.py` holds kept answers against fresh ones."""

Key = tuple[str, bytes, str]


class State(NamedTuple):
    """What an answer is of: the end of the chain, what is known of the file, the minute."""

    head: str
    trust: str
    minute: int


class _Written(NamedTuple):
    """An answer as it goes out."""

    tag: str
    body: bytes
    fixed: bool
    """Whether the question names its instant."""


class _Kept(NamedTuple):
    """Answers of one state of the ledger, in one minute."""

    state: State
    answers: dict[Key, _Written]


class _Seen(threading.local):
    """What one thread saw of the shop file, and the head that it then had."""

    mark: tuple[int, ...] = ()
    head: str = ""


class Answering:
    """Asks the shop, or gives what it has answered before."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self._path = str(shop.ledger.store.path)
        self._kept = _Kept(State("", "", 0), {})
        self._seen = _Seen()
        self._trusted = (-1, "")
        self._flights = Flights()

    def respond(self, question: Question) -> BaseResponse:
        """Answer the request; 304 where its If-None-Match holds."""
        ledger = self.shop.ledger
        minute = ledger.clock() // MINUTE_US
        state = State(self._head(), self._trust(minute), minute)
        kept = self._kept
        if kept.state != state:
            kept = self._kept = _Kept(state, self._carried(kept, state))
        key = (question.name, request.query_string, g.bearer.scope)
        asked = request.headers.get("If-None-Match")
        written = kept.answers.get(key)
        if written is None:
            fixed = question.fixed_by in request.args
            tag = _tag(state, key, fixed)
            if asked and "If-Match" not in request.headers and _holds(asked, tag):
                return _response(tag, b"", 304)
            written = _Written(tag, self._ask(question, (state, key)), fixed)
            if len(written.body) <= LONGEST_KEPT and len(kept.answers) < MOST_KEPT:
                kept.answers[key] = written
        if asked or "If-Match" in request.headers:
            return conditional(_response(written.tag, written.body))
        return _response(written.tag, written.body)

    def _carried(self, kept: _Kept, state: State) -> dict[Key, _Written]:
        """Of the answers of another state, those that no record since then can change, under the new head."""
        old, head = kept.state.head, state.head
        if not kept.answers or (old == head) or kept.state[1:] != state[1:]:
            return {}
        arrived = self.shop.ledger.arrived_since(old)
        if arrived is None or arrived.head.digest != head or not arrived.kinds <= UNREAD:
            return {}
        before, now = (f"{one.records} records, {one.digest[:16]}".encode() for one in arrived[:2])
        return {
            key: _Written(_tag(state, key, written.fixed), written.body.replace(before, now), written.fixed)
            for key, written in list(kept.answers.items())
            if key[0] in CARRIED and b'"head":"%b"' % before in written.body
        }

    def _trust(self, minute: int) -> str:
        """What answers say of the file behind them, looked up once a minute: it changes without a record."""
        if self._trusted[0] != minute:
            path = self.shop.ledger.store.path
            self._trusted = (minute, f"{outside.verified(path)} {outside.kept(path).lost}")
        return self._trusted[1]

    def _head(self) -> str:
        """The end of the chain of records, read again when this thread sees that the file changed.

        `data_version` tells what others wrote, `total_changes` what this connection did; each call that lets other
        threads run costs more here than what it does, so there are two of them, not a transaction of three queries.
        """
        ledger, seen = self.shop.ledger, self._seen
        try:
            found = os.stat(self._path)  # noqa: PTH116 - at each request
            connection = ledger.store.connection
            (version,) = connection.execute("PRAGMA data_version").fetchone()
        except (OSError, sqlite3.Error):
            return ledger.head().digest
        mark = (
            found.st_dev, found.st_ino, found.st_mtime_ns, found.st_size, id(connection), connection.total_changes,
            version,
        )  # fmt: skip
        if seen.mark != mark:
            seen.head, seen.mark = ledger.head().digest, mark
        return seen.head

    def _ask(self, question: Question, of: Hashable) -> bytes:
        arguments = read(question, dict(request.args.lists()))
        arguments = g.bearer.narrowed(question.name, arguments)

        first = arguments.pop("flags_from", 0)

        def work() -> bytes:
            return strict_json.write(paging.page(question.ask(self.shop, arguments), first))

        return self._flights.once(of, work, self.shop.ledger.store.connection, costly=not question.quick)


def conditional(answer: BaseResponse) -> BaseResponse:
    """The answer, or what there is instead where the request's conditions do not hold: 304, or a refusal with 412."""
    environment, tag = dict(request.environ), answer.get_etag()[0]
    wanted = environment.pop("HTTP_IF_MATCH", None)  # werkzeug refuses `*` too, which matches whatever there is
    if wanted is not None:
        tags = parse_etags(wanted)
        if not (tags.star_tag or tags.is_strong(tag or "")):
            said = "If-Match names another version than there is now; ask again without it"
            raise Refusal(412, "precondition_failed", said)
    return answer.make_conditional(environment)


def _tag(state: State, key: Key, fixed: bool) -> str:
    """The same as long as the answer is: without an instant asked about it is of its minute."""
    head, minute = f"{state.head} {state.trust}", state.minute
    name, query, whose = key
    said = f"{__version__}\n{head}\n{0 if fixed else minute}\n{name}\n{whose}\n".encode() + query
    return hashlib.sha256(said).hexdigest()[:32]


def _holds(asked: str, tag: str) -> bool:
    """Whether an If-None-Match names this very tag; `*` has to wait for the answer, which may be a refusal."""
    tags = parse_etags(asked)
    return not tags.star_tag and tags.contains_weak(tag)


def _response(tag: str, body: bytes, status: int = 200) -> Response:
    headers = {"ETag": f'"{tag}"', "Cache-Control": "private, no-cache"}
    return Response(body, status, headers, content_type="application/json" if status == 200 else None)
