"""Which mix a strip check was made on: of two mixers on one mould, and when one of them is withdrawn."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sandtrack import Shop


def mix(shop: Shop, mixer: str, acid_kg: float, at: str = "2025-02-11 09:00", **said: Any) -> None:
    """Record a mix of 100 kg of sand and 1 kg of resin into mould 7."""
    streams = [
        {"place": "silo_new", "mass_kg": 100},
        {"place": "tank_resin_f", "mass_kg": 1},
        {"place": "tank_acid", "mass_kg": acid_kg},
    ]
    made = {"at": at, "mixer": mixer, "binder_system": "furan", "moulds": ["7"], "streams": streams}
    shop.log("mix", made | said, sender=mixer, id=f"{mixer}-{acid_kg}")


def check(shop: Shop, at: str = "2025-02-11 10:00", early: float = 40, **said: Any) -> None:
    """Record a strip check of mould 7, judged within four minutes."""
    looked = {"definition": "hand", "sand_temp_c": 20, "earliest_min": early, "latest_min": early + 4}
    shop.log("strip_check", {"at": at, "mould": "7", **looked, **said}, sender="emil")


def acid_pct(shop: Shop) -> list[float]:
    """Lowest and highest amount of acid among the checks."""
    found: list[float] = shop.learned("furan").values["spans"]["catalyst_pct"]
    return found


def test_two_mixers_on_one_mould(make_shop: Callable[[dict[str, Any]], Shop], content: dict[str, Any]) -> None:
    """0.3 kg of acid on 1 kg of resin by one, 0.4 by the other at the same minute: the mixer named in the check counts.

    Where it names none, which one counts does not hang on whose record came first.
    """
    told = []
    for first in (0, 1):
        shop = make_shop(content)
        for mixer, acid_kg in [("m1", 0.3), ("m2", 0.4)][:: 1 - 2 * first]:
            mix(shop, mixer, acid_kg)
        check(shop, mixer="m1")
        assert acid_pct(shop) == pytest.approx([30, 30])
        check(shop, "2025-02-11 10:05", mixer="m2")
        assert acid_pct(shop) == pytest.approx([30, 40])
        for _ in range(2):
            check(shop, "2025-02-11 10:10")
        told.append(shop.learned("furan").values)
    assert told[0] == told[1]


def test_the_back_test_goes_by_what_the_checks_now_say(new_shop: Callable[[Path], Shop], tmp_path: Path) -> None:
    """A mix withdrawn after an answer leaves its checks on the mix before: as a shop opened anew tells it."""
    path = tmp_path / "mixes.sandtrack"
    with new_shop(path) as shop:
        for day in range(10, 14):
            mix(shop, "m1", 0.25 + day / 1000, f"2025-02-{day} 08:00")
            mix(shop, "m2", 0.45 + day / 1000, f"2025-02-{day} 09:00")
            check(shop, f"2025-02-{day} 10:00", 40 + day)
        before = shop.learned("furan").values["backtest"]
        for day in range(10, 14):
            shop.undo("m2", f"m2-{0.45 + day / 1000}", reason="another mould", by="ida")
        assert acid_pct(shop) == pytest.approx([26, 26.3])
        after = shop.learned("furan").values["backtest"]
    assert after["error_pct"] != before["error_pct"]
    with Shop.open(path, clock=shop.ledger.clock) as again:
        assert again.learned("furan").values["backtest"] == after
