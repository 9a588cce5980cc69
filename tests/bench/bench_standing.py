"""Standing moulds whose mixes carry no temperature: twice as many take about twice as long, never four times."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from history import PLANT
from measuring import Measure

from sandtrack.shop import Shop
from sandtrack.shop.loading import open_folder

FEW, MANY = 1_000, 2_000
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
AIR_EVERY = 10  # mixes between two readings of the air
SAND_EVERY = 50
Ask = Callable[[Shop], object]
ASKED: dict[str, Ask] = {
    "moulds": lambda shop: shop.moulds(NOW),
    "brief": lambda shop: shop.brief(NOW),
    "setting": lambda shop: shop.setting("m1", "furan", at=NOW),
    "stopped": lambda shop: shop.stopped("m1", "furan", minutes_ago=2, at=NOW),
    "audit": lambda shop: shop.audit(NOW - timedelta(days=2), NOW),
}


def standing(path: Path, moulds: int) -> Shop:
    """A shop in which so many moulds were filled in the last day, the sand read now and then, and the air."""
    ledger, _ = open_folder(PLANT.parent, path, sender="set-up")
    ledger.clock = lambda: round(NOW.timestamp() * 1e6)
    drawn = {"silo_new": 60, "silo_f": 240, "tank_resin_f": 3, "tank_acid": 1.05}
    streams = [{"place": place, "mass_kg": mass} for place, mass in drawn.items()]
    entries = []
    for number in range(moulds):
        at = (NOW - timedelta(hours=23) * (1 - number / moulds)).isoformat()
        made: dict[str, Any] = {"at": at, "mixer": "m1", "binder_system": "furan", "moulds": [f"s{number}"]}
        entries.append(ledger.entry("mix", made | {"streams": streams}, sender="m1", record_id=f"s{number}"))
        for what, every, more in (("mixed_sand", SAND_EVERY, {"mixer": "m1"}), ("air", AIR_EVERY, {})):
            if number % every == 0:
                read = {"at": at, "what": what, "value_c": 12 if what == "air" else 20, **more}
                entries.append(ledger.entry("temperature", read, sender="vera", record_id=f"{what}{number}"))
    ledger.append_all(entries)
    return Shop(ledger)


@pytest.mark.parametrize("question", ASKED)
def test_twice_as_many(measure: Measure, new_path: Callable[[], Path], question: str) -> None:
    """One question over 2,000 and over 1,000 of them."""
    ask = ASKED[question]
    many, few = standing(new_path(), MANY), standing(new_path(), FEW)
    try:
        measure(
            f"`{question}`, {MANY:,} standing moulds without a temperature ÷ {FEW:,}",
            lambda: ask(many),
            lambda: ask(few),
            unit="ms", aim="≤ 2.3", rounds=3,
        )  # fmt: skip
    finally:
        many.close()
        few.close()
