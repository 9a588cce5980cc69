"""The notation of a shop, by its set-up: how what is typed and what stands in files is read."""

from __future__ import annotations

from sandtrack.ledger import Setups
from sandtrack.records.notation import Notation


def of(setups: Setups, at: int) -> Notation:
    """How people of the shop write, by the set-up in force at an instant; names are those of any revision."""
    shop = setups.on(at).plant.shop
    return Notation(shop.units, shop.decimal, shop.date_order, setups.meant)
