"""The resources and their OpenAPI document, both from the same declarations."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any

from apispec.ext.marshmallow import MarshmallowPlugin
from apispec.ext.marshmallow.openapi import OpenAPIConverter
from flask import Flask
from flask_smorest import Api, Blueprint

from sandtrack import __version__
from sandtrack.records import KINDS
from sandtrack.shop import Answer, Flag, Receipt
from sandtrack.shop.dosing.issued import Issued

from . import describing
from .paging import MORE, MOST_FLAGS
from .portions import LINES_AT_ONCE, LONGEST_LINE
from .problems import MEDIA_TYPE
from .questions import Question
from .recording import LINES_TYPE, ONE_TYPE, Envelope, TableOrder
from .roles import ISSUE, ROLES

ABOUT = f"""The sand side of a foundry: records in, answers out. It advises people and opens no valve.

Everything but `/v1/health` and this document needs a token, as `Authorization: Bearer TOKEN`. A token has one role;
what a role may do stands with each resource. Every failure is a problem of one shape (RFC 9457) with a stable `code`.

Names say their unit; times are RFC 3339, or local times of the shop. An answer of `possible` false is an answer: it
says why, and what would do instead. Answers have an ETag that holds until the ledger grows or, where no time is
asked about, the minute turns. Of more than {MOST_FLAGS} flags the most urgent are shown; `flags_more` says how many
are left out and how to go on.

Each record has an id made by its sender: sent again with the same content, it is known and nothing is added; with other
content it is a conflict. So it is with an order for a table to be given out. One record or order without an id may be
kept twice if it is sent twice; a machine's must have one. The sender is the name that the token was made for; a gateway
alone may name another, but nobody who has a token of their own. A machine's token speaks only of its own mixer or
place. The id of the token is kept with the record.

A machine without a clock sends `age_s`, the seconds since it happened, and may leave `at` out. A time that a machine
cannot have seen is booked as it came, with its own time kept (flag `at_arrival`). Where another record has the id of a
machine's record, that is kept under the id in its receipt (flag `id_taken`): go on with the next.

Who may withdraw: one's own record; another's, who may record that kind; what blocks something, who may release; a
machine its own alone.

Many records are sent as lines ({LINES_TYPE}), each with its `kind`. They are written in portions of up to
{LINES_AT_ONCE} and each line is answered once its portion is committed, in order. A line that was not answered may have
been taken or not: send it again with its id, what is known adds nothing. Lines without ids are known by their content
and how often it stands in the upload: of those send the whole upload again, not a part of it.
"""
_SECURITY = {"token": {"type": "http", "scheme": "bearer"}}
_TAGS = [
    {"name": "asking", "description": "Questions, each with the same shape of answer."},
    {"name": "recording", "description": "What happened."},
    {"name": "service", "description": "The service itself."},
]
_LINE_ANSWER = {
    "type": "object",
    "description": "What became of one line of an upload.",
    "properties": {
        "line": {"type": "integer", "minimum": 1},
        "outcome": {"type": "string", "enum": ["new", "known", "conflict", "refused", "failed"]},
        "kind": {"type": "string"},
        "sender": {"type": "string"},
        "id": {"type": "string"},
        "recorded_at": {
            "type": "string",
            "format": "date-time",
            "description": "when the ledger took it; of new and known ones",
        },
        "flags": {
            "type": "array",
            "items": describing.dataclass(Flag),
            "description": "dangers that it makes or completes; of new ones",
        },
        "problem": {"$ref": "#/components/schemas/Problem"},
    },
    "required": ["line", "outcome"],
    "additionalProperties": False,
}
_PROBLEM = {
    "type": "object",
    "description": "A failure, after RFC 9457; `code` and `problems` are members of our own.",
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer", "minimum": 400, "maximum": 599},
        "detail": {"type": "string"},
        "code": {"type": "string", "description": "stable, for programs"},
        "problems": {
            "type": "array",
            "description": "everything that is wrong with the input, field by field",
            "items": {
                "type": "object",
                "properties": {
                    "field": {"type": "string"},
                    "value": {"type": ["string", "null"]},
                    "reason": {"type": "string"},
                    "accepted": {"type": "string"},
                },
                "required": ["field", "value", "reason", "accepted"],
                "additionalProperties": False,
            },
        },
    },
    "required": ["type", "title", "status", "detail", "code", "problems"],
    "additionalProperties": False,
}
_HEALTH = {
    "type": "object",
    "properties": {
        "status": {
            "type": "string",
            "enum": ["ok", "clock_ahead"],
            "description": "clock_ahead: nothing is recorded until the clock of the server is set, or confirmed",
        },
        "detail": {"type": "string"},
        "version": {"type": "string"},
        "records": {"type": "integer", "minimum": 1},
    },
    "required": ["status", "version", "records", "detail"],
    "additionalProperties": False,
}
_IF_NONE_MATCH = {
    "in": "header",
    "name": "If-None-Match",
    "description": "ETag of an answer already held: 304 if it still holds",
    "schema": {"type": "string"},
}


class _Converter(OpenAPIConverter):
    """Describes our declarations with all names that their fields go by."""

    def schema2parameters(self, schema: Any, *, location: str, **_: Any) -> list[dict[str, Any]]:
        described = describing.form(schema)
        return [
            {
                "in": location,
                "name": name,
                "description": one.pop("description", ""),
                "required": name in described.get("required", ()),
                "schema": one,
            }
            for name, one in described["properties"].items()
        ]


class _Plugin(MarshmallowPlugin):
    Converter = _Converter


class _Api(Api):  # type: ignore[misc]
    """The document's parts that all resources share; failures are problems, made elsewhere."""

    DEFAULT_ERROR_RESPONSE_NAME = "Problem"

    def _register_error_handlers(self) -> None:
        pass

    def _register_pagination_header(self) -> None:
        pass

    def _register_responses(self) -> None:
        shown = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
        for name, text in [("Problem", "Any failure"), *((status.name, status.phrase) for status in HTTPStatus)]:
            self.spec.components.response(name, {"description": text, "content": shown}, lazy=True)


class Resources:
    """What there is under /v1; each method adds resources and returns the name of their endpoint."""

    def __init__(self) -> None:
        self.blueprint = Blueprint("v1", __name__, url_prefix="/v1")
        self._schemas: dict[str, dict[str, Any]] = {
            "Problem": _PROBLEM,
            "Answer": _with(describing.dataclass(Answer), flags_more=MORE),
            "Receipt": describing.dataclass(Receipt),
            "Issued": describing.dataclass(Issued),
            "LineAnswer": _LINE_ANSWER,
            "Health": _HEALTH,
        }
        self._api: Any = None

    def question(self, question: Question, view: Callable[..., Any]) -> str:
        """GET of an answer."""
        return self._add(
            f"/{question.name}", question.name, view, "asking", question.summary,
            permission=f"ask:{question.name}",
            parameters=[{"in": "query", "schema": question.arguments}, _IF_NONE_MATCH],
            responses={"200": _content("Answer", headers={"ETag": {"schema": {"type": "string"}}}),
                       "304": {"description": HTTPStatus.NOT_MODIFIED.phrase}},
            refusals=(400, 401, 403, 412, 422, 429, 503),
        )  # fmt: skip

    def record(self, kind: str, view: Callable[..., Any]) -> str:
        """POST of one record."""
        name, schema = self._kind(kind)
        self._schemas[name] = schema
        return self._add(
            f"/records/{kind}", f"record_{kind}", view, "recording", schema["description"].split("\n")[0],
            method="POST",
            permission=f"record:{kind}",
            requestBody=_body(ONE_TYPE, {"$ref": f"#/components/schemas/{name}"}),
            responses={"200": _content("Receipt", "It was known already; nothing was added"),
                       "201": _content("Receipt", "It is new")},
            refusals=(400, 401, 403, 409, 412, 413, 415, 422, 429, 503),
        )  # fmt: skip

    def table(self, view: Callable[..., Any]) -> str:
        """POST of an order for a table."""
        self._schemas["TableOrder"] = schema = describing.form(TableOrder())
        return self._add(
            "/tables", "issue_table", view, "recording", schema["description"],
            method="POST",
            permission=ISSUE,
            requestBody=_body(ONE_TYPE, {"$ref": "#/components/schemas/TableOrder"}),
            responses={"200": _content("Issued", "Known, and told as it was kept; or a no, without number and receipt"),
                       "201": _content("Issued", "It is new: given out, with its number")},
            refusals=(400, 401, 403, 409, 412, 413, 415, 422, 429, 503),
        )  # fmt: skip

    def lines(self, view: Callable[..., Any]) -> str:
        """POST of many records."""
        kinds = {kind: f"#/components/schemas/{self._kind(kind)[0]}" for kind in (*KINDS, "plant")}
        self._schemas["RecordLine"] = {
            "description": f"One line of an upload, up to {LONGEST_LINE} bytes: a record with its kind.",
            "oneOf": [{"$ref": ref} for ref in kinds.values()],
            "discriminator": {"propertyName": "kind", "mapping": kinds},
            "required": ["kind"],
        }
        said = "One JSON object a line: {}. Blank lines are passed over."
        told = {"type": "string", "description": said.format("a LineAnswer for each line, in order")}
        return self._add(
            "/records", "record_lines", view, "recording", "Many records as lines, each answered; the good ones kept.",
            method="POST",
            permission="record:KIND for each line",
            requestBody=_body(LINES_TYPE, {"type": "string", "description": said.format("RecordLine")}),
            responses={"200": {"description": "An answer for each line", "content": {LINES_TYPE: {"schema": told}}}},
            refusals=(400, 401, 412, 413, 415, 429, 503),
        )  # fmt: skip

    def health(self, view: Callable[..., Any]) -> str:
        """GET of whether the service works."""
        return self._add(
            "/health", "health", view, "service", "Whether the service and its shop file work.",
            security=[], responses={"200": _content("Health")}, refusals=(503,),
        )  # fmt: skip

    def document(self, view: Callable[..., Any]) -> str:
        """GET of this document."""
        shown = {"description": "The document", "content": {"application/json": {"schema": {"type": "object"}}}}
        return self._add(
            "/openapi.json", "openapi", view, "service", "This document.",
            security=[], responses={"200": shown, "304": {"description": HTTPStatus.NOT_MODIFIED.phrase}}, refusals=(),
            parameters=[_IF_NONE_MATCH],
        )  # fmt: skip

    def no_such_kind(self, view: Callable[..., Any]) -> str:
        """POST to a kind that there is not: told which there are, and in no document."""
        self._unlisted = view
        return "no_such_kind"

    def register(self, app: Flask) -> None:
        """Put all of it into the application."""
        api = _Api(
            app,
            spec_kwargs={
                "marshmallow_plugin": _Plugin(), "title": "sandtrack", "version": __version__,
                "openapi_version": "3.1.0", "info": {"description": ABOUT, "license": {"name": "MIT"}},
                "security": [{"token": []}], "servers": [{"url": "/"}], "tags": _TAGS,
            },
        )  # fmt: skip
        api.spec.components.security_scheme("token", _SECURITY["token"])
        for name, schema in self._schemas.items():
            api.spec.components.schema(name, schema)
        api.register_blueprint(self.blueprint)
        app.add_url_rule("/v1/records/<kind>", "no_such_kind", self._unlisted, methods=["POST"])
        self._api = api

    def written(self) -> dict[str, Any]:
        """The document."""
        found: dict[str, Any] = self._api.spec.to_dict()
        return found

    def _kind(self, kind: str) -> tuple[str, dict[str, Any]]:
        declared = KINDS[kind]() if kind != "plant" else None
        schema = describing.joined(
            describing.form(Envelope()), describing.form(declared) if declared else describing.set_up()
        )
        schema["properties"] = {"kind": {"const": kind}, **schema["properties"]}
        return type(declared).__name__ if declared else "SetUp", schema

    def _add(
        self, path: str, name: str, view: Callable[..., Any], tag: str, summary: str, *,
        refusals: tuple[int, ...], method: str = "GET", permission: str = "", **doc: Any,
    ) -> str:  # fmt: skip
        for status in refusals:
            doc["responses"][str(status)] = HTTPStatus(status).name
        if permission:
            may = [role for role, has in ROLES.items() if permission in has.permissions]
            may = may or [role for role, has in ROLES.items() if has.records]
            doc["description"] = f"Needs the permission `{permission}`, which these roles have: {', '.join(may)}."

        # A partial has no name of its own, and the decorator would copy its docstring.
        def resource(**arguments: Any) -> Any:
            return view(**arguments)

        documented = self.blueprint.doc(operationId=name, summary=summary, **doc)(resource)
        self.blueprint.add_url_rule(path, name, documented, methods=[method], tags=[tag])
        return f"v1.{name}"


def _with(schema: dict[str, Any], **more: dict[str, Any]) -> dict[str, Any]:
    """A schema with members that may be there too."""
    return {**schema, "properties": {**schema["properties"], **more}}


def _content(name: str, text: str = "The answer", **more: Any) -> dict[str, Any]:
    shown = {"application/json": {"schema": {"$ref": f"#/components/schemas/{name}"}}}
    return {"description": text, "content": shown, **more}


def _body(media_type: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"required": True, "content": {media_type: {"schema": schema}}}
