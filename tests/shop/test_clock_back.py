"""A computer's clock that goes back: records keep their order of recording, and the clock is asked to be set."""

from __future__ import annotations

from pathlib import Path

from sandtrack.shop import Shop

PLANT = Path(__file__).parents[2] / "demo_data" / "plant.toml"
NOON = 1_741_345_200_000_000  # 2025-03-07 12:00 in Stockholm
HOUR = 3_600_000_000


def test_a_clock_gone_back_is_said_and_nothing_is_recorded_before_its_predecessor(tmp_path: Path):
    """An hour back: stamped with the time of the record before, flagged on the receipt and in the attention list."""
    now = [NOON]
    with Shop.create(tmp_path / "a.shop", PLANT, clock=lambda: now[0]) as shop:
        content = {"at": "2025-03-07 10:00", "place": "silo_new", "mass_kg": 1000}
        first = shop.log("delivery", content, sender="gate", id="d1")
        assert "clock_back" not in {flag.code for flag in first.flags}
        now[0] = NOON - HOUR
        second = shop.log("delivery", content, sender="gate", id="d2")
        assert second.recorded_at == first.recorded_at == "2025-03-07T12:00:00+01:00"
        assert [flag.text for flag in second.flags if flag.code == "clock_back"] == [
            "this computer's clock went back by 60 min: recorded at 2025-03-07T12:00+01:00, the time of the record "
            "before; set the clock"
        ]
        raised = [flag.text for flag in shop.attention().flags if flag.code == "clock_back"]
        assert raised == [
            "this computer's clock is 60 min behind the last record, taken at 7 Mar 2025 12:00: set it, for until then "
            "every record is stamped with that time"
        ]
        assert shop.verify() == []
        now[0] = NOON + HOUR
        assert "clock_back" not in {flag.code for flag in shop.attention().flags}
