"""Cautions of answers that bear on safety. They defer to data sheets, local codes and competent persons."""

from __future__ import annotations

from sandtrack.shop.answer import Caution

_DEFER = "The supplier's data sheet, local codes and competent persons go first."

CHEMICALS = Caution(
    "chemicals",
    "Resin and acid catalyst never meet neat: they react violently. Catalyst goes on the sand first, then resin; "
    f"separate pumps, lines, bunds and funnels. Nobody mixes concentrated acids by hand. {_DEFER}",
    "resin and acid never meet neat",
)
TEST_THEN_DRAW = Caution(
    "test_then_draw",
    "Times are estimates: test, then draw. Firm enough to draw is not yet firm enough to turn over, lift or pour; "
    f"an uncured or weak mould can run out on pouring. {_DEFER}",
    "test, then draw",
)
SILO_FILLING = Caution(
    "silo_filling",
    "Overfilling a silo from a tanker bursts filters and vents dust: check the level at the silo before filling. "
    f"Nobody enters a silo or hopper, or undercuts a bridged heap. {_DEFER}",
    "check the level before a silo is filled; nobody enters it",
)
SILICA = Caution(
    "silica",
    "Dust of silica sand harms the lungs for good (respirable crystalline silica; OSHA 29 CFR 1910.1053: "
    f"50 µg/m³ over eight hours; national limits may be lower). Keep it enclosed and extracted. {_DEFER}",
    "keep silica dust enclosed",
)
HOT_MOULDS = Caution(
    "hot_moulds",
    "A mould that was poured stays hot for many hours: cooling before knock-out is the shop's own rule for the "
    f"casting, never this list's. {_DEFER}",
    "poured moulds stay hot for many hours",
)
HELD = Caution(
    "held",
    f"What is held or blocked is not used until a competent person has released it. {_DEFER}",
    "what is held is not used",
)
WRONG_MATERIAL = Caution(
    "wrong_material",
    "A wrong material in a tank or silo: stop drawing from it, do not rinse it through or pump it over until it is "
    f"known what has met what; resin and acid react violently. {_DEFER}",
    "stop drawing from a tank or silo with a wrong material",
)
