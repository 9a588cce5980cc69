"""The service of a new shop, and of the invented year."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from sandtrack.shop import Shop

from .clients import PLANT, Clock, Running


@pytest.fixture(scope="session")
def _new_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("api") / "shop.sandtrack"
    with Shop.create(path, PLANT, clock=Clock()) as shop:
        shop.ledger.store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


@pytest.fixture
def new_shop(_new_shop: Path, tmp_path: Path) -> Path:
    """A shop file with the invented foundry's set-up alone."""
    path = tmp_path / "shop.sandtrack"
    path.write_bytes(_new_shop.read_bytes())
    return path


@pytest.fixture
def service(new_shop: Path) -> Iterator[Running]:
    """The service of a new shop."""
    running = Running(new_shop)
    yield running
    running.close()


@pytest.fixture(scope="module")
def standing(_new_shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The service of a new shop that tests of refusals share: it must stay as it is."""
    path = tmp_path_factory.mktemp("standing") / "shop.sandtrack"
    path.write_bytes(_new_shop.read_bytes())
    running = Running(path)
    yield running
    running.close()


@pytest.fixture
def year(demo_shop: Path) -> Iterator[Running]:
    """The service of the invented foundry's year."""
    running = Running(demo_shop)
    yield running
    running.close()
