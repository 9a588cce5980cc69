"""A small whole shop to be hurt byte by byte, and what it answers: as text, or as the refusal that it gives."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sandtrack.records import times
from sandtrack.shop import Answer, Shop, loading

DEMO = Path(__file__).parents[2] / "demo_data"
LAST_DAY = "2025-01-04"
NOW = times.microseconds(datetime(2025, 1, 4, 18, tzinfo=ZoneInfo("Europe/Stockholm")))

Asking = Callable[[Shop], Answer]
QUESTIONS: dict[str, Asking] = {
    "stock": lambda shop: shop.stock(),
    "stock within a day": lambda shop: shop.stock(at="2025-01-03 11:30"),
    "stock as known": lambda shop: shop.stock(known_on=LAST_DAY),
    "moulds": lambda shop: shop.moulds(),
    "balance": lambda shop: shop.balance("2025-01-02", LAST_DAY),
    "rates": lambda shop: shop.rates("2025-01-02", LAST_DAY),
    "attention": lambda shop: shop.attention(),
    "audit": lambda shop: shop.audit(),
    "setting": lambda shop: shop.setting("m1", "furan", 15.0),
    "records": lambda shop: shop.records(limit=1000),
    "records of a mould": lambda shop: shop.records(mould="1003"),
}


def make_small(folder: Path) -> Path:
    """The first days of the invented year in a file of its own, closed, nothing beside it."""
    records = folder / "records"
    records.mkdir(parents=True)
    shutil.copy(DEMO / "plant.toml", records)
    for path in DEMO.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            header, *rows = csv.reader(file)
        kept = [row for row in rows if row[header.index("at")][:10] <= LAST_DAY]
        if kept:
            with (records / path.name).open("w", encoding="utf-8", newline="") as file:
                csv.writer(file).writerows([header, *kept])
    path = folder / "small.sandtrack"
    with Shop.create(path, records / "plant.toml", clock=lambda: NOW) as shop:
        loading.load(shop.ledger, [records])
        shop.ledger.store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


def ask(shop: Shop, question: Asking) -> dict[str, Any]:
    """An answer in plain form."""
    return json.loads(json.dumps(question(shop).as_dict()))


def answers(path: Path) -> dict[str, dict[str, Any]]:
    """All answers of a whole shop."""
    with closing(Shop.open(path, clock=lambda: NOW)) as shop:
        return {name: ask(shop, question) for name, question in QUESTIONS.items()}
