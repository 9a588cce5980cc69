"""What several rooms' tests share: the invented year in a shop file, made once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sandtrack.shop import loading

DEMO = Path(__file__).parents[1] / "demo_data"


@pytest.fixture(scope="session")
def _demo_year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("demo") / "year.sandtrack"
    ledger, _ = loading.open_folder(DEMO, path)
    ledger.store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    ledger.close()
    return path


@pytest.fixture
def demo_shop(_demo_year: Path, tmp_path: Path) -> Path:
    """A shop file of one's own with the invented year in it."""
    return Path(shutil.copy(_demo_year, tmp_path / "shop.sandtrack"))
