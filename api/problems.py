"""One shape for every failure: problem details after RFC 9457."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any

from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from sandtrack.errors import (
    AlreadyReversed,
    ClockAhead,
    Conflict,
    FieldError,
    InputErrors,
    NoSuchRecord,
    SandtrackError,
    ShopFileError,
    UnknownName,
)

from . import refusals, strict_json
from .access import Forbidden

MEDIA_TYPE = "application/problem+json"
LONGEST_VALUE = 80
CODES = {400: "bad_request", 413: "too_large", 429: "too_many_requests", 500: "internal_error"}


class Refusal(SandtrackError):
    """A request that the service refuses, with its status, code and headers."""

    def __init__(self, status: int, code: str, message: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(message)
        self.status = status
        self.code = code
        self.headers = dict(headers or {})


def body(status: int, code: str, detail: str, problems: Iterable[FieldError] = ()) -> dict[str, Any]:
    """The members of a problem: those of RFC 9457, and `code` and `problems` of our own."""
    return {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "code": code,
        "problems": [
            {"field": one.field, "value": _shown(one.value), "reason": one.reason, "accepted": one.accepted}
            for one in problems
        ],
    }


def of_error(error: SandtrackError, *, wrong: int = 422) -> dict[str, Any]:
    """The problem that one of the library's errors is; `wrong` is the status of wrong input."""
    if isinstance(error, Refusal):
        return body(error.status, error.code, error.message)
    if isinstance(error, strict_json.BadJSON):
        return body(400, error.code, error.message)
    if isinstance(error, Forbidden):
        return body(403, error.code, error.message)
    if isinstance(error, ShopFileError):
        # People need the reason, not where on the server's disk the file lies.
        path = error.details.get("path")
        name = getattr(path, "name", "")
        message = error.message.replace(str(path), name) if name else error.message
        return body(503, _of_file(error), message)
    if isinstance(error, ClockAhead):  # the sender is not at fault, and is to keep what it has until this is put right
        return body(
            503,
            error.code,
            f"{error.message} on the server: `sandtrack log` or `sandtrack serve` with --clock-is-right",
        )
    if isinstance(error, Conflict):
        return body(409, error.code, error.message, [_differs(error, name) for name in error.fields])
    if isinstance(error, AlreadyReversed | NoSuchRecord):
        return body(409, error.code, error.message)
    if isinstance(error, InputErrors):
        return body(wrong, error.code, error.message, error.problems)
    if isinstance(error, UnknownName):
        return body(422, error.code, error.message, _field_of(error))
    if isinstance(error, FieldError):
        return body(wrong, InputErrors.code, error.message, [error])
    return body(422, error.code, error.message)


def _of_file(error: ShopFileError) -> str:
    """A code for each thing that befalls a shop file: a program too can tell a full disk from a damaged file."""
    fault = error.details.get("fault")
    return f"{error.code}_{fault}" if fault and error.code != fault else error.code


def _field_of(error: UnknownName) -> list[FieldError]:
    """The field that names what is not there: it is called as one of its section of the set-up."""
    section, key = error.details.get("section"), error.details.get("key")
    if not section:
        return []
    field = str(section).removesuffix("s")
    return [FieldError(field=field, value=key, reason="is not in the set-up", accepted=_there(error.message))]


def _there(message: str) -> str:
    """What there is or may be meant, as the error says it."""
    return message.partition("; ")[2].removeprefix("there are: ")


def _differs(error: Conflict, name: str) -> FieldError:
    return FieldError(field=name, reason="differs from what is known under this id", accepted="a new id")


def _shown(value: Any) -> str | None:
    if value is None:
        return None
    text = str(value)
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 1] + "…"


def response(content: Mapping[str, Any], headers: Mapping[str, str] | None = None) -> Response:
    """A problem as a response; it is never kept by a cache."""
    made = Response(strict_json.write(content), content["status"], {"Cache-Control": "no-store"})
    made.headers["Content-Type"] = MEDIA_TYPE
    made.headers.update(headers or {})
    if content["status"] == 503:
        made.headers["Retry-After"] = "5"
    return made


def register(app: Flask) -> None:
    """Make every failure of the application a problem."""
    app.register_error_handler(SandtrackError, _refused)
    app.register_error_handler(HTTPException, _failed)


def challenge(error: str = "", scope: str = "") -> dict[str, str]:
    """What a refusal for want of a token says about the token wanted (RFC 6750, section 3)."""
    said = ['realm="sandtrack"', *([f'error="{error}"'] if error else []), *([f'scope="{scope}"'] if scope else [])]
    return {"WWW-Authenticate": f"Bearer {', '.join(said)}"}


def _refused(error: SandtrackError) -> Response:
    asks = request.method in ("GET", "HEAD")
    headers: Mapping[str, str] = {}
    if isinstance(error, Refusal):
        headers = error.headers
    elif isinstance(error, Forbidden):
        refusals.note(403, f"may not {error.permission}")
        headers = challenge("insufficient_scope", error.permission)
    return response(of_error(error, wrong=400 if asks else 422), headers)


_WHAT_NOW = {
    "v1.record_lines": "Send the whole upload again: lines that were taken are known, and nothing is added twice",
    None: "Send it again with the same id: if it was kept, nothing is added. Without an id it may have been kept: "
    "look for it first, at /v1/records or /v1/tables",
}
"""What is to be done when nobody knows what became of what was sent, by the resource it was sent to."""


def _what_now() -> str:
    if request.method in ("GET", "HEAD"):
        return "Ask again"
    return _WHAT_NOW.get(request.endpoint) or _WHAT_NOW[None]


def _failed(error: HTTPException) -> Response:
    """What Flask and Werkzeug refuse, and what nobody foresaw."""
    status = error.code or 500
    headers = {name: value for name, value in error.get_headers() if name.lower() != "content-type"}
    if status == 404:
        detail = f"there is nothing at {request.path}; /v1/openapi.json lists what there is"
    elif status == 405:
        detail = f"{request.method} does not go with {request.path}; allowed: {headers.get('Allow', 'nothing')}"
    elif status >= 500:
        detail = f"the service failed; its log says why. {_what_now()}"
    else:
        detail = error.description or HTTPStatus(status).phrase
    code = CODES.get(status) or HTTPStatus(status).phrase.lower().replace(" ", "_").replace("-", "_")
    return response(body(status, code, detail), headers)
