"""Records and answers as pandas frames."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.report import frames

DEMO = Path(__file__).parents[2] / "demo_data"


def test_records_are_rows_in_canonical_units(demo_shop: Path):
    """Mix records of a day are the lines of the file: as many, the same kilograms, times in the shop's zone."""
    with Shop.open(demo_shop) as shop:
        frame = frames.records(shop, "mix", since="2025-06-11", until="2025-06-11")
    file = pd.read_csv(DEMO / "mix.csv", dtype={"id": str}).drop_duplicates("id")
    file = file[file["at"].str.startswith("2025-06-11")].set_index("id").loc[list(frame["id"])]
    assert len(frame) == len(file) > 20
    assert frame["stream1_mass_kg"].tolist() == file["stream1_mass_kg"].tolist()
    assert str(frame["at"].dt.tz) == "Europe/Stockholm"
    assert frame["at"].is_monotonic_increasing


def test_withdrawn_records_are_left_out(demo_shop: Path):
    """A delivery that was reversed is not among the rows."""
    with Shop.open(demo_shop) as shop:
        ids = set(frames.records(shop, "delivery")["id"])
    assert "del-0034-typo" not in ids
    assert "del-0033" in ids


def test_answers_as_frames(demo_shop: Path):
    """Each answer has a frame with the unit in the columns' names, and the same numbers."""
    with Shop.open(demo_shop) as shop:
        stock = shop.stock("2025-12-30")
        frame = frames.stock(stock)
        silo = frame[(frame.place == "silo_new") & (frame.material == "new_sand")].iloc[0]
        assert silo.stock_kg == stock.values["stock_kg"]["silo_new"]["new_sand"]
        assert silo.low_kg < silo.stock_kg < silo.high_kg
        cover = frames.cover(shop.cover("2025-12-30"))
        assert {"place", "cover_days", "draw_kg_day", "order_by"} <= set(cover.columns)
        moulds = frames.moulds(shop.moulds("2025-12-30"))
        assert "10873" in set(moulds["mould"])
        rates = frames.rates(shop.rates("2025-11-01", "2025-11-30"))
        assert {"rate", "value", "unit", "numerator_kg", "denominator_kg"} <= set(rates.columns)
        balance = frames.balance(shop.balance("2025-11-01", "2025-11-30"))
        closing = balance.opening_kg + balance.in_kg - balance.out_kg + balance.differences_kg
        assert (closing - balance.closing_kg).abs().max() < 1e-6
        flags = frames.flags(shop.attention("2025-12-30"))
        assert "unexplained" in set(flags["code"])


def test_unknown_kind_is_said(demo_shop: Path):
    """A kind that does not exist is refused with the nearest one."""
    with Shop.open(demo_shop) as shop, pytest.raises(InputErrors, match="did you mean delivery"):
        frames.records(shop, "deliveries")
