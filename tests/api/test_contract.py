"""The service against its own document: requests made up from it, good and bad, bounded and the same each time."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from sandtrack_api.access import ASKS, RECORDS
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from .clients import Running, is_problem_body

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
OPERATIONS = [
    *(("GET", f"/v1/{name}") for name in ASKS),
    *(("POST", f"/v1/records/{kind}") for kind in RECORDS),
    ("POST", "/v1/tables"),
]


@pytest.fixture(scope="module")
def running(_new_shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """One service for all of these tests."""
    path = tmp_path_factory.mktemp("contract") / "shop.sandtrack"
    path.write_bytes(_new_shop.read_bytes())
    made = Running(path, PROPAGATE_EXCEPTIONS=False)
    yield made
    made.close()


@pytest.fixture(scope="module")
def described(running: Running) -> Any:
    """The document as schemathesis reads it, in this process."""
    return schemathesis.openapi.from_wsgi("/v1/openapi.json", running.app)


def made_up(operation: Any, mode: GenerationMode, examples: int) -> list[Any]:
    """Requests made up from one operation of the document, the same each time."""
    cases: list[Any] = []

    @settings(
        max_examples=examples,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(generation_mode=mode))
    def keep(case: Any) -> None:
        cases.append(case)

    keep()
    return cases


def answer_all(running: Running, described: Any, method: str, path: str, examples: int) -> None:
    """No request is a failure of the server, and every answer is as the document says."""
    for mode in GenerationMode:
        for case in made_up(described[path][method], mode, examples):
            answer = case.call(headers=running.manager.headers)
            case.validate_response(answer, checks=CHECKS)
            if answer.status_code >= 400:
                body = answer.json()
                is_problem_body(body, answer.status_code, body["code"])


@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_made_up_requests(running: Running, described: Any, method: str, path: str):
    """Whatever is asked or sent, good and bad, is answered as the document says."""
    answer_all(running, described, method, path, 3)


@pytest.mark.soak
@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_many_made_up_requests(running: Running, described: Any, method: str, path: str):
    """The same with ten times as many."""
    answer_all(running, described, method, path, 30)


def test_made_up_lines(running: Running, described: Any):
    """Made-up records of all kinds, good and bad, sent as lines of one upload, are each answered, in order."""
    made = [
        {**case.body, "kind": kind} if isinstance(case.body, dict) else case.body
        for kind in RECORDS
        for mode in GenerationMode
        for case in made_up(described[f"/v1/records/{kind}"]["POST"], mode, 2)
    ]
    # What stands for no body at all is no JSON: it is sent as it prints.
    body = "\n".join(json.dumps(one, default=str) for one in made).encode()
    answer = running.manager.send_lines(body)
    assert answer.status_code == 200
    told = [json.loads(line) for line in answer.text.splitlines()]
    assert [one["line"] for one in told] == list(range(1, len(made) + 1))
    for one in told:
        assert one["outcome"] in ("new", "known", "conflict", "refused")
        if "problem" in one:
            is_problem_body(one["problem"], one["problem"]["status"], one["problem"]["code"])
