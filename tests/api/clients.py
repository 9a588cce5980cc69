"""Clients of the service for its tests: tokens of every role, and the one shape of a failure."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from flask.testing import FlaskClient
from sandtrack_api import create_app
from sandtrack_api.access import ROLES
from sandtrack_api.tokens import Tokens
from werkzeug.test import TestResponse

BOUND: Mapping[str, Mapping[str, str]] = {
    "device": {"name": "m1", "mixer": "m1"},
    "tablet": {"name": "wall-1", "mixer": "m1"},
    "sensor": {"name": "level-1", "place": "silo_new"},
    "weighbridge": {"name": "gate"},
    "reclaimer": {"name": "reclaimer-1", "place": "reclaimer_f"},
    "gateway": {"name": "plant-net"},
}
"""What each machine of these tests is called and bound to; people are called as their role is."""
PLANT = Path(__file__).parents[2] / "demo_data" / "plant.toml"
NOW = 1_750_000_000_000_000  # 2025-06-15 17:06:40 in Stockholm


class Clock:
    """A clock that stands until it is set."""

    def __init__(self, now: int = NOW) -> None:
        self.now = now

    def __call__(self) -> int:
        return self.now


class Caller:
    """A client with a token of one role."""

    def __init__(self, client: FlaskClient, text: str) -> None:
        self.client = client
        self.headers = {"Authorization": f"Bearer {text}"} if text else {}

    def get(self, path: str, **headers: str) -> TestResponse:
        """GET."""
        return self.client.get(path, headers=self.headers | {name.replace("_", "-"): v for name, v in headers.items()})

    def send(self, kind: str, content: Any) -> TestResponse:
        """POST one record."""
        return self.client.post(f"/v1/records/{kind}", json=content, headers=self.headers)

    def issue(self, order: Any) -> TestResponse:
        """POST an order for a table."""
        return self.client.post("/v1/tables", json=order, headers=self.headers)

    def send_lines(self, lines: bytes) -> TestResponse:
        """POST lines."""
        return self.client.post("/v1/records", data=lines, content_type="application/x-ndjson", headers=self.headers)


class Running:
    """The service of one shop file, with a token for each role; a device is m1 at mixer m1."""

    def __init__(self, path: Path, clock: Clock | None = None, **config: Any) -> None:
        self.path = path
        self.clock = clock or Clock()
        self.tokens = Tokens.beside(path, self.clock)
        self.texts = {role: self.tokens.make(role=role, **{"name": role, **BOUND.get(role, {})})[1] for role in ROLES}
        self.app = create_app({"SANDTRACK_SHOP": str(path), "SANDTRACK_CLOCK": self.clock, "TESTING": True, **config})
        self.client = self.app.test_client()

    def __getattr__(self, role: str) -> Caller:
        return Caller(self.client, self.texts[role])

    @property
    def nobody(self) -> Caller:
        """A client without a token."""
        return Caller(self.client, "")

    def close(self) -> None:
        """Close the service's files."""
        self.app.extensions["sandtrack"].close()


def is_problem(answer: TestResponse, status: int, code: str, said: str = "") -> Mapping[str, Any]:
    """The one shape of every failure; RFC 9457, section 3: the media type; section 3.1: the members and their types."""
    assert answer.status_code == status, answer.text
    assert answer.content_type == "application/problem+json"
    assert answer.headers["Cache-Control"] == "no-store"
    body = answer.json
    is_problem_body(body, status, code, said)
    return body


def is_problem_body(body: Any, status: int, code: str, said: str = "") -> None:
    """The members of a problem, also where it stands in the answer of a line."""
    assert set(body) == {"type", "title", "status", "detail", "code", "problems"}
    assert body["type"] == "about:blank"
    assert body["status"] == status
    assert body["code"] == code
    assert all(isinstance(body[name], str) and body[name] for name in ("type", "title", "detail", "code"))
    for problem in body["problems"]:
        assert set(problem) == {"field", "value", "reason", "accepted"}
        assert isinstance(problem["field"], str)
        assert isinstance(problem["reason"], str)
        assert isinstance(problem["accepted"], str)
    assert said in body["detail"], body["detail"]
