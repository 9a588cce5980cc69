"""What several rooms' tests share: the invented year in a shop file, made once."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import hypothesis
import pytest

from sandtrack.shop import loading

# A busy machine is no fault of what is tested: no example has a time of its own to keep.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")

DEMO = Path(__file__).parents[1] / "demo_data"


@pytest.fixture(scope="session")
def _demo_year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made once: of several workers of one run, those that come later take the first one's."""
    own = tmp_path_factory.mktemp("demo")
    shared = (own.parents[1] if "PYTEST_XDIST_WORKER" in os.environ else own) / "year.sandtrack"
    if not shared.exists():
        ledger, _ = loading.open_folder(DEMO, own / "new.sandtrack")
        ledger.store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        ledger.close()
        (own / "new.sandtrack").replace(shared)
    return shared


@pytest.fixture
def demo_shop(_demo_year: Path, tmp_path: Path) -> Path:
    """A shop file of one's own with the invented year in it."""
    return Path(shutil.copy(_demo_year, tmp_path / "shop.sandtrack"))
