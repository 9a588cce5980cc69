"""A place that was never counted has no stock to show: no nought, no room, no cover, no advice to order."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.report import answers
from sandtrack.report.text import Names, first_steps

Make = Callable[..., Shop]


@pytest.fixture
def shop(make_shop: Make, content: dict[str, Any]) -> Shop:
    """Mixes on every working day of two weeks, and nobody ever counted."""
    content["places"]["silo_new"] |= {"safe_fill_kg": 50_000, "lead_time_days": 5}
    made = make_shop(content)
    for day in (3, 4, 5, 6, 7, 10, 11, 12, 13, 14):
        mix = {"at": f"2025-03-{day:02} 08:30", "mixer": "m1", "binder_system": "furan", "moulds": ["1"]}
        made.log("mix", {**mix, "streams": [{"place": "silo_new", "mass_kg": 900 + day}]}, sender="m1")
    return made


AT = "2025-03-14 12:00"


def test_stock_and_room_are_not_known(shop: Shop):
    """What moved is in the data; the room is null, and the screen says `not counted`."""
    values = shop.stock(AT).values
    assert "silo_new" in values["not_counted"]
    assert values["room_kg"]["silo_new"] is None
    assert values["stock_kg"]["silo_new"]["new_sand"] == pytest.approx(-9085)
    assert values["stock_kg"]["tank_acid"]["acid"] is None
    line = next(row for row in _text(shop, shop.stock(AT)).splitlines() if "not counted" in row)
    assert " t " not in line


def test_no_cover_and_no_order(shop: Shop):
    """Without a count nothing runs out on a day and nothing is to be ordered; counted, it does."""
    before = shop.cover(AT)
    assert before.values["not_counted"] == ["silo_new"]
    assert "silo_new" not in before.values["cover_days"]
    assert [flag.code for flag in before.flags] == ["never_counted"]
    shop.log("count", {"at": "2025-03-14 11:00", "place": "silo_new", "mass_kg": 1500}, sender="ida")
    after = shop.cover(AT)
    assert after.values["not_counted"] == []
    assert after.values["cover_days"]["silo_new"] == pytest.approx(1500 / (9085 / 21))  # 21 working days
    assert [flag.code for flag in after.flags] == ["order_now"]


def test_the_brief_asks_for_the_opening_count(shop: Shop):
    """Not `0 kg`: not counted, and what to type."""
    told = _text(shop, shop.brief(AT))
    assert "sandtrack log count --place" in " ".join(told.split())
    assert not any(row.startswith("Acid tank") and " kg" in row for row in told.splitlines())
    flags = [flag["code"] for flag in shop.brief(AT).values["answers"]["attention"]["flags"]]
    assert "order_now" not in flags


def test_first_steps_begin_with_a_count(shop: Shop):
    """What `init` prints."""
    assert "count" in first_steps(shop.plant())[0]


def _text(shop: Shop, answer: Any) -> str:
    return answers.text(answer, Names(shop.plant()))
