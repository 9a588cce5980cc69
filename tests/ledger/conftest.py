"""A shop for each test, checked when the test is done."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from sandtrack.ledger import Ledger

from .shops import Clock, micros, new_shop


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[tuple[Ledger, Clock]]:
    """A new shop and its clock, standing at noon of 15 March."""
    ledger, clock = new_shop(tmp_path)
    clock.now = micros("2025-03-15 12:00")
    yield ledger, clock
    assert list(ledger.verify()) == []
    ledger.close()


@pytest.fixture
def ledger(shop: tuple[Ledger, Clock]) -> Ledger:
    """A new shop."""
    return shop[0]
