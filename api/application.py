"""The application: its resources, who may ask for them, and its errors."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from typing import Any

from flask import Flask, Response, g, request
from flask.typing import ResponseReturnValue
from werkzeug.wrappers import Response as BaseResponse

from sandtrack import Shop, __version__
from sandtrack.errors import ShopFileError
from sandtrack.ledger import system_clock

from . import access, document, problems, recording, refusals, strict_json
from .answering import Answering, conditional
from .questions import QUESTIONS
from .tokens import Tokens, bearer

OPEN = "open"
WAIT_S = 5.0
"""A thread that waits for another program to write answers nobody: its client is soon told to try again."""
View = Callable[..., ResponseReturnValue]


def make(config: Mapping[str, Any]) -> Flask:
    """Make the application for one shop file."""
    if not config.get("SANDTRACK_SHOP"):
        raise ShopFileError("no shop file is named; set SANDTRACK_SHOP in the configuration")
    app = Flask("sandtrack_api", static_folder=None)
    app.config.update(config)
    app.url_map.merge_slashes = False
    path, clock = app.config["SANDTRACK_SHOP"], app.config.get("SANDTRACK_CLOCK", system_clock)
    is_right = bool(app.config.get("SANDTRACK_CLOCK_IS_RIGHT"))
    shop = Shop.open(path, clock=clock, wait_s=WAIT_S, clock_is_right=is_right)
    # Each thread of the server opens the file for itself; a connection must not go through a fork.
    shop.close()
    tokens = Tokens(app.config.get("SANDTRACK_TOKENS") or f"{path}.tokens", clock)
    app.extensions["sandtrack"] = Service(app, shop, tokens)
    return app


class Service:
    """What stands behind the resources of one application."""

    def __init__(self, app: Flask, shop: Shop, tokens: Tokens) -> None:
        self.shop = shop
        self.tokens = tokens
        self.answering = Answering(shop)
        self._needs: dict[str, str] = {}
        problems.register(app)
        app.before_request(self._guard)
        self._resources(app)

    def close(self) -> None:
        """Close this thread's connection."""
        self.shop.close()

    def _resources(self, app: Flask) -> None:
        resources = document.Resources()
        view: View
        for question in QUESTIONS:
            view = functools.partial(self.answering.respond, question)
            self._needs[resources.question(question, view)] = f"ask:{question.name}"
        for kind in access.RECORDS:
            view = functools.partial(recording.one, self.shop, kind)
            self._needs[resources.record(kind, view)] = f"record:{kind}"
        self._needs[resources.table(functools.partial(recording.table, self.shop))] = access.ISSUE
        self._needs[resources.lines(functools.partial(recording.many, self.shop))] = access.LINES
        self._needs[resources.no_such_kind(recording.no_such_kind)] = access.ANYTHING
        self._needs[resources.health(self._health)] = OPEN
        self._needs[resources.document(self._document)] = OPEN
        self._written = functools.cache(lambda: strict_json.write(resources.written()))
        resources.register(app)

    # -- who may --------------------------------------------------------------------------------------------------

    def _guard(self) -> None:
        """Refuse what is not allowed, before anything else is looked at."""
        endpoint = request.endpoint
        needs = self._needs.get(endpoint) if endpoint else access.ANYTHING
        if needs == OPEN:
            return
        text = bearer(request.headers.get("Authorization", ""))
        if text is None:
            refusals.note(401, "no token")
            reason = "a token is needed, as Authorization: Bearer TOKEN; whoever runs the service makes one"
            raise problems.Refusal(401, "unauthorized", reason, problems.challenge())
        token = self.tokens.find(text)
        if token is None:
            refusals.note(401, *self.tokens.why_refused(text))
            reason = "the token is not known, was revoked or has expired"
            raise problems.Refusal(401, "unauthorized", reason, problems.challenge("invalid_token"))
        g.bearer = access.Bearer(token, self.tokens)
        # A resource that says nothing about who may use it is used by nobody.
        access.require(token.role, needs or f"use {endpoint}")

    # -- open to all ----------------------------------------------------------------------------------------------

    def _health(self) -> Response:
        ledger = self.shop.ledger
        ahead = ledger.clock_ahead()
        health = {
            "status": "ok" if ahead is None else ahead.code,
            "version": __version__,
            "records": ledger.head().records,
            "detail": "" if ahead is None else ahead.message,
        }
        return Response(
            strict_json.write(health), content_type="application/json", headers={"Cache-Control": "no-store"}
        )

    def _document(self) -> BaseResponse:
        response = Response(self._written(), content_type="application/json")
        response.add_etag()
        response.headers["Cache-Control"] = "no-cache"
        return conditional(response)
