"""The shop's book over HTTP. For now it answers health and stock; it advises people and opens no valve."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Flask, Response, current_app, request
from flask.json.provider import DefaultJSONProvider
from werkzeug.exceptions import HTTPException

from sandtrack import Shop, __version__
from sandtrack.errors import InputErrors, SandtrackError, ShopFileError

__all__ = ["create_app"]


class _StrictJSON(DefaultJSONProvider):
    """JSON without NaN, keys in the order in which they were given."""

    sort_keys = False

    def dumps(self, obj: Any, **kwargs: Any) -> str:
        return super().dumps(obj, allow_nan=False, **kwargs)


def create_app(config: Mapping[str, Any]) -> Flask:
    """Return the WSGI application for one shop file.

    Parameters
    ----------
    config : mapping
        `SANDTRACK_SHOP`, the path of the shop file; and any of Flask's own settings.

    Raises
    ------
    ShopFileError
        When the shop file is not named or cannot be opened.
    """
    if not config.get("SANDTRACK_SHOP"):
        raise ShopFileError("no shop file is named; set SANDTRACK_SHOP in the configuration")
    app = Flask("sandtrack_api")
    app.json = _StrictJSON(app)
    app.config.update(config)
    Shop.open(app.config["SANDTRACK_SHOP"]).close()
    app.add_url_rule("/v1/health", view_func=_health)
    app.add_url_rule("/v1/stock", view_func=_stock)
    app.register_error_handler(SandtrackError, _refused)
    app.register_error_handler(HTTPException, _failed)
    return app


def _health() -> dict[str, Any]:
    with Shop.open(current_app.config["SANDTRACK_SHOP"]) as shop:
        return {"status": "ok", "version": __version__, "records": shop.ledger.head().records}


def _stock() -> dict[str, Any]:
    unknown = sorted(set(request.args) - {"at", "known_on"})
    if unknown:
        return _problem(400, "bad_input", f"{unknown[0]} is no parameter here; accepted: at, known_on")
    with Shop.open(current_app.config["SANDTRACK_SHOP"]) as shop:
        return shop.stock(request.args.get("at"), request.args.get("known_on")).as_dict()


def _refused(error: SandtrackError) -> Response:
    status = 400 if isinstance(error, InputErrors) else 503 if isinstance(error, ShopFileError) else 422
    problems = [
        {"field": one.field, "reason": one.reason, "accepted": one.accepted} for one in getattr(error, "problems", [])
    ]
    return _problem(status, error.code, str(error), problems)


def _failed(error: HTTPException) -> Response:
    return _problem(error.code or 500, (error.name or "error").lower().replace(" ", "_"), error.description or "")


def _problem(status: int, code: str, detail: str, problems: list[dict[str, str]] | None = None) -> Any:
    """One shape for every failure, after RFC 9457."""
    body = {"type": "about:blank", "title": code.replace("_", " "), "status": status, "code": code, "detail": detail}
    response = current_app.json.response(body | ({"problems": problems} if problems else {}))
    response.status_code = status
    response.content_type = "application/problem+json"
    return response
