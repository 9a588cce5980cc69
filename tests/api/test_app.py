"""The application: made with a shop file alone, open where it says so, and closed elsewhere."""

from __future__ import annotations

from pathlib import Path

import pytest
from sandtrack_api import create_app

from sandtrack import Shop
from sandtrack.errors import ShopFileError

from .clients import Running


def test_health(year: Running):
    """Health tells anybody that the shop file answers, and how many records it has."""
    answer = year.nobody.get("/v1/health")
    assert answer.status_code == 200
    assert answer.json["status"] == "ok"
    assert answer.json["records"] == 18714


def test_stock_is_the_shop_s_answer(year: Running, demo_shop: Path):
    """Stock over HTTP is the same answer that the library gives."""
    answer = year.operator.get("/v1/stock?at=2025-06-30&known_on=2199-01-01")
    with Shop.open(demo_shop) as shop:
        assert answer.json == shop.stock("2025-06-30", "2199-01-01").as_dict()


def test_no_shop_no_service(tmp_path: Path):
    """The application is not made without a shop file that opens."""
    with pytest.raises(ShopFileError, match="no shop file is named"):
        create_app({})
    with pytest.raises(ShopFileError, match="is not there"):
        create_app({"SANDTRACK_SHOP": str(tmp_path / "none.sandtrack")})
