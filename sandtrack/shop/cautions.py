"""What can hurt, and what not to do: every sentence by its code. Which of them fits is asked of `dangers`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Signal = Literal["DANGER", "WARNING", "CAUTION", "NOTICE"]
SIGNALS: tuple[Signal, ...] = ("DANGER", "WARNING", "CAUTION", "NOTICE")
"""Signal words of ANSI Z535.4 and ISO 3864-2, the gravest first: what is not avoided will kill or maim; could kill or
maim; could injure slightly or moderately; injures nobody."""

DEFER = "Follow the data sheet, local rules and the person in charge."
"""Stands once below the cautions of a screen or page."""


@dataclass(frozen=True)
class Caution:
    """What can hurt and what not to do about it; `short` is what a crowded screen shows of it."""

    code: str
    signal: Signal
    text: str
    short: str = ""


_LISTED = (
    Caution(
        "resin_met_acid",
        "DANGER",
        "Keep everyone away from this tank: liquids that react with each other met in it. Watch from a safe place for "
        "heat, fumes and pressure. Do not seal it, draw from it, rinse it or top it up. Call the supplier "
        "now.",
        "keep away from the tank where liquids met: do not seal, draw, rinse or top up",
    ),
    Caution(
        "metal_still_liquid",
        "DANGER",
        "Keep away from this casting: it was knocked out soon after pouring, and metal inside can still be liquid. No "
        "water near it.",
        "keep away from what was knocked out too soon",
    ),
    Caution(
        "engulfment",
        "DANGER",
        "Never enter a silo or hopper, and never undercut a heap or bridge of sand: sand buries a person in seconds.",
        "nobody enters a silo or undercuts sand",
    ),
    Caution(
        "screw",
        "DANGER",
        "Keep hands out of the screw: isolate and lock the mixer before a hand goes in. A screw that starts takes the "
        "hand.",
        "lock the mixer before a hand goes in",
    ),
    Caution(
        "neat_resin_and_acid",
        "WARNING",
        "Never bring resin and acid together neat: they react violently. Acid goes on the sand first, then resin. "
        "Keep pumps, lines, bunds and funnels apart.",
        "resin and acid never meet neat",
    ),
    Caution(
        "hand_blending",
        "WARNING",
        "Never mix concentrated acids by hand: buy the blend, or let the mixer's two acid pumps make it.",
        "nobody mixes acids by hand",
    ),
    Caution(
        "neat_resin_and_ester",
        "CAUTION",
        "Never bring resin and ester together neat: the mix runs hot. They meet on the sand only.",
        "resin and ester never meet neat",
    ),
    Caution(
        "acid_burns",
        "WARNING",
        "Keep acid off skin and eyes: it burns at once. Gloves, goggles, apron. Splashed: rinse for a long time with "
        "water and get help.",
        "acid burns skin and eyes",
    ),
    Caution(
        "alkaline_burns",
        "WARNING",
        "Keep this off eyes and skin: the binder is alkaline, it burns and can blind. Goggles and gloves. Splashed: "
        "rinse for a long time with water and get help.",
        "alkaline binder burns eyes and skin",
    ),
    Caution(
        "isocyanate",
        "WARNING",
        "Do not breathe or touch isocyanate: it can cause asthma, and once allergic a person stays so. It harms skin "
        "and eyes. Extraction, gloves, goggles.",
        "do not breathe or touch isocyanate: asthma",
    ),
    Caution(
        "flammable",
        "WARNING",
        "Keep flame and sparks away: the solvent and its vapour burn.",
        "no flame near the solvent",
    ),
    Caution(
        "isocyanate_and_water",
        "WARNING",
        "Never close a container of isocyanate that got wet inside: gas bursts it.",
        "never close a wet isocyanate container",
    ),
    Caution(
        "vapours",
        "WARNING",
        "Do not breathe the vapours of resin and fresh sand: they harm lungs and eyes, and some can cause cancer. "
        "Keep extraction and ventilation on.",
        "do not breathe the vapours: ventilate",
    ),
    Caution(
        "check_coupling",
        "WARNING",
        "Never connect the hose before label and coupling are checked against the tank: a wrong liquid can react "
        "violently.",
        "check label and coupling before connecting",
    ),
    Caution(
        "wrong_material",
        "WARNING",
        "Do not draw, rinse, top up or pump over: a wrong material is in this place. Watch for heat, find out what has "
        "met what, and ask the supplier.",
        "do not draw from a place with a wrong material",
    ),
    Caution(
        "wrong_sand",
        "WARNING",
        "Do not draw from this place: sand of another kind is in it, and a mould made with it may not cure.",
        "do not draw from a place with a wrong sand",
    ),
    Caution(
        "blocked_place",
        "WARNING",
        "Stop drawing from the blocked place. Do not pour what was made from it until a competent person has checked "
        "it.",
        "stop drawing from the blocked place",
    ),
    Caution(
        "tank_overfull",
        "WARNING",
        "Do not add more to this tank: it is past its mark and can spill. Leave the vent open, keep people out of the "
        "bund, and have the liquid drawn down by its own line.",
        "do not add to a tank past its mark",
    ),
    Caution(
        "silo_overfull",
        "WARNING",
        "Do not fill a silo before its level is checked at the silo: too full, it bursts its filter and throws out "
        "dust.",
        "check the level before a silo is filled",
    ),
    Caution(
        "work_at_height",
        "WARNING",
        "Do not climb without a rail or harness: a fall from a silo or tank kills. Read it from the ground where that "
        "can be done.",
        "do not climb a silo or tank unsecured",
    ),
    Caution(
        "silica",
        "WARNING",
        "Do not breathe sand dust: fine silica scars the lungs for good and can cause cancer (OSHA 29 CFR 1910.1053: "
        "50 µg/m³ over eight hours; other countries may allow less). Enclose, extract, wear the mask.",
        "do not breathe silica dust",
    ),
    Caution(
        "over_limit",
        "WARNING",
        "Do not work on there unprotected: what was measured is above the limit. Extract or ventilate, wear "
        "protection, measure again.",
        "do not work unprotected where the limit is passed",
    ),
    Caution(
        "limit_unknown",
        "WARNING",
        "Do not take this for safe: what was measured could not be held against a limit. Compare it with the limit of "
        "your country, extract, and wear protection until then.",
        "do not take a measurement without a limit for safe",
    ),
    Caution(
        "test_then_draw",
        "WARNING",
        "Never draw by the clock alone: times are estimates. Test, then draw. Firm enough to draw is not yet firm "
        "enough to turn over, lift or pour.",
        "test, then draw",
    ),
    Caution(
        "weak_mould",
        "WARNING",
        "Do not pour this sand until a competent person has checked it: a weak mould lets the metal run out.",
        "do not pour a mould in doubt: it can run out",
    ),
    Caution(
        "poured_in_doubt",
        "WARNING",
        "Keep away from these moulds until the metal is solid: they were poured in doubt and can run out.",
        "keep away from moulds poured in doubt",
    ),
    Caution(
        "weight_or_clamp",
        "WARNING",
        "Do not pour a mould that is not weighted or clamped: the metal lifts its top and runs out.",
        "weight or clamp before pouring",
    ),
    Caution(
        "damp_explodes",
        "WARNING",
        "Never pour on damp sand or coating: steam throws the metal out.",
        "damp sand or coating explodes",
    ),
    Caution(
        "runout",
        "WARNING",
        "Stay out of the way of a runout: keep the ground around a mould that is poured dry and clear.",
        "stay out of the way of a runout",
    ),
    Caution(
        "pouring_gases",
        "WARNING",
        "Do not breathe the gases of pouring and cooling: carbon monoxide, benzene, formaldehyde. Extract or "
        "ventilate until the mould is cold.",
        "do not breathe the gases of a pour",
    ),
    Caution(
        "sulphur_dioxide",
        "WARNING",
        "Do not breathe the fumes of a sulphonic acid: sulphur dioxide (SO₂) comes off in pouring and cooling.",
        "sulphur dioxide comes off in pouring",
    ),
    Caution(
        "hot_moulds",
        "WARNING",
        "Do not knock out by this list: a poured mould stays hot for many hours. The shop's cooling rule for the "
        "casting counts.",
        "poured moulds stay hot for many hours",
    ),
    Caution(
        "catches",
        "WARNING",
        "Never catch two streams in one vessel: a clean vessel for each, gloves and goggles on.",
        "a vessel for each stream, gloves, goggles",
    ),
    Caution(
        "held",
        "WARNING",
        "Do not use what is held or blocked until a competent person has released it.",
        "do not use what is held",
    ),
    Caution(
        "released_unchecked",
        "WARNING",
        "Do not release what nobody has checked: a weak mould can run out, a wrong liquid can react.",
        "release only what was checked",
    ),
    Caution(
        "used_sand_waste",
        "NOTICE",
        "Do not tip used sand anywhere: it may be controlled waste. Keep the consignment note.",
        "used sand may be controlled waste",
    ),
)

CAUTIONS: dict[str, Caution] = {caution.code: caution for caution in _LISTED}
