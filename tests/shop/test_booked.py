"""What a receipt repeats: what was booked, from where to where, what is there now, in the shop's own units."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.report import booked
from sandtrack.report.text import Names
from sandtrack.shop.answer import BookedAfter, BookedMove

Make = Callable[..., Shop]


def _log(shop: Shop, kind: str, **content: Any):
    return shop.log(kind, content, sender="ida").booked


def test_a_delivery_repeats_mass_way_stock_and_room(make_shop: Make, content: dict[str, Any]):
    """20 t counted, 24.5 t delivered, 50 t safe: 44.5 t there, room for 5.5 t."""
    content["places"]["silo_new"]["safe_fill_kg"] = 50_000
    shop = make_shop(content)
    _log(shop, "count", at="2025-03-03 06:00", place="silo_new", mass_kg=20_000)
    found = _log(shop, "delivery", at="2025-03-03 09:00", place="silo_new", mass_kg=24_500)
    assert found.at == "2025-03-03T09:00:00+01:00"
    assert found.moves == (BookedMove("new_sand", 24_500, "supplier", "silo_new", ()),)
    assert found.after == (BookedAfter("silo_new", "new_sand", 44_500, 5_500),)
    lines = booked.booked(found, Names(shop.plant()), "metric")
    assert any("24.5 t" in line and "supplier" in line for line in lines)
    assert any("44.5 t" in line and "5.5 t" in line for line in lines)
    us = "\n".join(booked.booked(found, Names(shop.plant()), "us"))
    assert "27.01 short tons" in us  # 24,500 kg ÷ 907.18474 kg


def test_a_place_never_counted_has_no_stock_to_tell(make_shop: Make, content: dict[str, Any]):
    """What came since nobody knows when is no stock, and no room."""
    shop = make_shop(content)
    found = _log(shop, "delivery", at="2025-03-03 09:00", place="silo_new", mass_kg=24_500)
    assert found.after == (BookedAfter("silo_new", "new_sand", None, None),)
    assert "not counted" in "\n".join(booked.booked(found, Names(shop.plant()), "metric"))


def test_a_mix_and_its_withdrawal(make_shop: Make, content: dict[str, Any]):
    """Each stream, the heaviest first, into its moulds; withdrawn, the same is taken back."""
    shop = make_shop(content)
    streams = [{"place": "silo_new", "mass_kg": 300}, {"place": "tank_resin_f", "mass_kg": 3}]
    mix = {
        "at": "2025-03-03 09:00", "mixer": "m1", "binder_system": "furan", "moulds": ["1", "2"], "sand_temp": "68 °F",
        "streams": streams,
    }  # fmt: skip
    receipt = shop.log("mix", mix, sender="ida", id="mix-1")
    assert [(move.mass_kg, move.target, move.moulds) for move in receipt.booked.moves] == [
        (300, "moulds", ("1", "2")),
        (3, "moulds", ("1", "2")),
    ]
    assert receipt.booked.read == {"sand_temp_c": pytest.approx(20)}
    undone = shop.undo("ida", "mix-1", reason="twice", by="ida").booked
    assert [move.mass_kg for move in undone.moves] == [-300, -3]
    known = shop.log("mix", mix, sender="ida", id="mix-1")
    assert not known.new
    assert [move.mass_kg for move in known.booked.moves] == [300, 3]


def test_numbers_that_move_nothing_are_repeated_as_read(make_shop: Make, content: dict[str, Any]):
    """A temperature typed in °F comes back in °C in data, and in the units of the shop in words."""
    shop = make_shop(content)
    found = _log(shop, "temperature", at="2025-03-03 09:00", what="air", value_f=50)
    assert found.read == {"value_c": pytest.approx(10)}
    assert "50 °F" in "\n".join(booked.booked(found, Names(shop.plant()), "us"))
