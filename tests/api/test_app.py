"""The service as a device meets it."""

from __future__ import annotations

from pathlib import Path

import pytest
from flask.testing import FlaskClient
from sandtrack_api import create_app

from sandtrack import Shop
from sandtrack.errors import ShopFileError


@pytest.fixture
def client(demo_shop: Path) -> FlaskClient:
    """A client of the invented foundry's service."""
    return create_app({"SANDTRACK_SHOP": str(demo_shop), "TESTING": True}).test_client()


def test_health(client: FlaskClient):
    """Health tells that the shop file answers, and how many records it has."""
    answer = client.get("/v1/health")
    assert answer.status_code == 200
    assert answer.json["status"] == "ok"
    assert answer.json["records"] == 18714


def test_stock_is_the_shop_s_answer(client: FlaskClient, demo_shop: Path):
    """Stock over HTTP is the same answer that the library gives."""
    answer = client.get("/v1/stock?at=2025-06-30&known_on=2199-01-01")
    with Shop.open(demo_shop) as shop:
        assert answer.json == shop.stock("2025-06-30", "2199-01-01").as_dict()


@pytest.mark.parametrize(
    ("path", "status", "code", "said"),
    [
        ("/v1/stock?at=noon", 400, "bad_input", "at: 'noon' is not a time"),
        ("/v1/stock?when=2025-06-30", 400, "bad_input", "when is no parameter here; accepted: at, known_on"),
        ("/v1/nothing", 404, "not_found", ""),
    ],
)
def test_failures_have_one_shape(client: FlaskClient, path: str, status: int, code: str, said: str):
    """Every failure is a problem body with a stable code (RFC 9457, section 3: type, title, status, detail)."""
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.content_type == "application/problem+json"
    assert answer.json["status"] == status
    assert answer.json["code"] == code
    assert said in answer.json["detail"]
    assert {"type", "title", "status", "detail"} <= set(answer.json)


def test_no_shop_no_service(tmp_path: Path):
    """The application is not made without a shop file that opens."""
    with pytest.raises(ShopFileError, match="no shop file is named"):
        create_app({})
    with pytest.raises(ShopFileError, match="is not there"):
        create_app({"SANDTRACK_SHOP": str(tmp_path / "none.sandtrack")})
