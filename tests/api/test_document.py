"""The OpenAPI document: valid, complete, made of the declarations, and true of what is sent and answered."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import validate
from sandtrack_api.access import ASKS, RECORDS, ROLES

from sandtrack.records import KINDS, flat
from sandtrack.shop import Answer, Receipt

from .clients import Running
from .samples import ASKED, ORDER, record


@pytest.fixture
def document(standing: Running) -> dict[str, Any]:
    """The document as it is served."""
    return dict(standing.nobody.get("/v1/openapi.json").json)


def checked(document: dict[str, Any], name: str) -> Draft202012Validator:
    """A validator of one of the document's schemas; OpenAPI 3.1 uses JSON Schema 2020-12."""
    return Draft202012Validator({"$ref": f"#/components/schemas/{name}", "components": document["components"]})


def body_name(document: dict[str, Any], kind: str) -> str:
    """The schema of a kind's body."""
    content = document["paths"][f"/v1/records/{kind}"]["post"]["requestBody"]["content"]
    return str(content["application/json"]["schema"]["$ref"]).rpartition("/")[2]


def test_it_is_valid(document: dict[str, Any]):
    """The document is OpenAPI 3.1, and each of its schemas is JSON Schema."""
    assert document["openapi"].startswith("3.1")
    validate(document)
    for schema in document["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)


def test_it_has_every_resource(standing: Running, document: dict[str, Any]):
    """Every route of the application is in the document, but the one that tells of unknown kinds."""
    routes = {
        (rule.rule, method.lower())
        for rule in standing.app.url_map.iter_rules()
        for method in rule.methods or ()
        if method not in ("HEAD", "OPTIONS") and "<" not in rule.rule
    }
    listed = {(path, method) for path, methods in document["paths"].items() for method in methods}
    assert listed == routes
    assert {path for path, _ in listed} == {
        *(f"/v1/{name}" for name in ASKS), *(f"/v1/records/{kind}" for kind in RECORDS),
        "/v1/records", "/v1/health", "/v1/openapi.json",
    }  # fmt: skip


def test_every_operation_says_how_it_fails_and_who_may(document: dict[str, Any]):
    """Each operation has an id of its own, the one shape of failure for any status, and the roles that it needs."""
    ids = []
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            ids.append(operation["operationId"])
            assert operation["summary"], path
            for status, answer in operation["responses"].items():
                if status == "default" or status >= "400":
                    name = answer["$ref"].rpartition("/")[2]
                    shown = document["components"]["responses"][name]["content"]
                    assert shown == {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
            assert "default" in operation["responses"]
            is_open = path in ("/v1/health", "/v1/openapi.json")
            assert operation.get("security") == ([] if is_open else None), (path, method)
            if not is_open:
                assert {"401", "403"} & set(operation["responses"])
                assert any(role in operation["description"] for role in ROLES)
    assert len(set(ids)) == len(ids)
    assert document["security"] == [{"token": []}]
    assert document["components"]["securitySchemes"]["token"] == {"type": "http", "scheme": "bearer"}


@pytest.mark.parametrize("kind", KINDS)
def test_bodies_have_the_columns_of_files(document: dict[str, Any], kind: str):
    """Every field of a kind is in its body under every name that a file's column may have, required ones too."""
    schema = document["components"]["schemas"][body_name(document, kind)]
    for column in flat.columns(kind):
        inner = schema
        if len(column.path) > 1:
            inner = schema["properties"][column.path[0]]
            inner = inner.get("items", inner)
        for name in (column.name, *column.also):
            last = str(column.path[-1])
            if len(column.path) > 1 and last != "NAME":
                prefix = column.name.removesuffix(last)
                assert name.removeprefix(prefix) in inner["properties"], name
            elif len(column.path) == 1:
                assert name in inner["properties"], name
    form = KINDS[kind]()
    ways = json.dumps([schema.get("required", []), schema.get("allOf", [])])
    assert all(f'"{name}"' in ways for name in form.required_names)
    assert schema["additionalProperties"] is False


@pytest.mark.parametrize("kind", RECORDS)
def test_good_records_fit_their_schema(document: dict[str, Any], kind: str):
    """A record that is accepted fits the schema of its kind, and as a line the schema of a line."""
    sent = record(kind, "r-1", sender="m1")
    checked(document, body_name(document, kind)).validate(sent)
    checked(document, "RecordLine").validate({"kind": kind, **sent})


@pytest.mark.parametrize(
    ("kind", "changed"),
    [
        ("delivery", {"place": 5}),
        ("delivery", {"place": "Silo"}),
        ("delivery", {"gross_kg": 0}),
        ("delivery", {"tickt": "1"}),
        ("delivery", {"mass_amount": 3}),
        ("disposal", {"mass_t": None}),
        ("count", {"at": "yesterday"}),
        ("count", {"error_pct": 101}),
        ("mix", {"streams": []}),
        ("mix", {"streams": [{"place": "silo_new"}]}),
        ("mix", {"purpose": "decoration"}),
        ("knock_out", {"moulds": ["1", "1"]}),
        ("temperature", {"value_c": 2000}),
    ],
)
def test_bad_records_do_not(standing: Running, document: dict[str, Any], kind: str, changed: dict[str, Any]):
    """What does not fit the schema is refused by the service too."""
    sent = {name: value for name, value in (record(kind, "r-1") | changed).items() if value is not None}
    assert not checked(document, body_name(document, kind)).is_valid(sent)
    assert standing.manager.send(kind, sent).status_code == 422


def test_answers_fit_their_schema(service: Running, document: dict[str, Any]):
    """Every answer, receipt, line's answer and problem fits what the document says of it."""
    for name in ASKS:
        checked(document, "Answer").validate(service.manager.get(f"/v1/{name}?{ASKED[name]}").json)
    issued = [service.manager.issue({**ORDER, "id": "t-1"}) for _ in range(2)]
    issued.append(service.manager.issue({**ORDER, "strip_time_min": 1}))
    assert [answer.status_code for answer in issued] == [201, 200, 200]
    for answer in issued:
        checked(document, "Issued").validate(answer.json)
    checked(document, "Receipt").validate(service.manager.send("delivery", record("delivery", "d-1")).json)
    checked(document, "Health").validate(service.nobody.get("/v1/health").json)
    checked(document, "Problem").validate(service.nobody.get("/v1/stock").json)
    checked(document, "Problem").validate(service.manager.send("delivery", {"place": -1}).json)
    answer = service.manager.send_lines(b'{"kind":"level","at":"2025-03-03 08:00","place":"silo_new","level_m":1}\n{')
    for line in answer.text.splitlines():
        checked(document, "LineAnswer").validate(json.loads(line))


def test_answers_are_described_as_declared(document: dict[str, Any]):
    """The schemas of answers and receipts have the fields of their dataclasses, and to whom they give way."""
    for kind in (Answer, Receipt):
        schema = document["components"]["schemas"][kind.__name__]
        more = ["defer", "flags_more"] if kind is Answer else ["defer"]
        assert list(schema["properties"]) == [*(field.name for field in dataclasses.fields(kind)), *more]


def test_it_comes_from_nowhere_else(standing: Running):
    """The document names no address of another computer, and holds until the program changes."""
    answer = standing.nobody.get("/v1/openapi.json")
    assert "http" not in answer.text.replace('"type":"http"', "").replace("HTTP", "")
    again = standing.nobody.get("/v1/openapi.json", If_None_Match=answer.headers["ETag"])
    assert again.status_code == 304
