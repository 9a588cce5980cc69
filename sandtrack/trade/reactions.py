"""Which liquids of the binders must never meet neat, by what each family declares its liquids to be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sandtrack.trade.families import family_named
from sandtrack.trade.family import Family, Tag


@dataclass(frozen=True, kw_only=True)
class Reaction:
    """What two liquids do when they meet neat.

    Attributes
    ----------
    what : str
        What happens, for people. [-]
    tag : str
        source, practice, memory, derived or shop. [-]
    source : str
        Name of the publication, or what it rests on. [-]
    """

    what: str
    tag: Tag
    source: str


_HEAT = "they react with heat and can boil over"
_VIOLENT = "they react violently"
_GAS = "they make gas and heat: a closed vessel can burst"
_SHOP = "shop practice"

REACTIONS: Mapping[frozenset[str], Reaction] = {
    frozenset({"acid", "acid-cured resin"}): Reaction(what=_VIOLENT, tag="source", source="Gjuterihandboken ch. 9.4"),
    frozenset({"acid", "alkaline binder"}): Reaction(what=_VIOLENT, tag="practice", source=_SHOP),
    frozenset({"acid", "urethane catalyst"}): Reaction(what=_HEAT, tag="practice", source=_SHOP),
    frozenset({"acid", "isocyanate"}): Reaction(what=_GAS, tag="practice", source=_SHOP),
    frozenset({"ester", "alkaline binder"}): Reaction(what=_HEAT, tag="practice", source=_SHOP),
    frozenset({"isocyanate", "alkaline binder"}): Reaction(what=_GAS, tag="practice", source=_SHOP),
    frozenset({"isocyanate", "acid-cured resin"}): Reaction(what=_GAS, tag="practice", source=_SHOP),
    frozenset({"isocyanate", "urethane catalyst"}): Reaction(what=_VIOLENT, tag="practice", source=_SHOP),
    frozenset({"isocyanate", "polyol"}): Reaction(what=_HEAT, tag="practice", source=_SHOP),
}
"""Liquids that must never meet neat, by what they are."""
UNKNOWN = Reaction(what="a binder and what cures it: they may react violently", tag="practice", source=_SHOP)
CLASSES = frozenset(name for pair in REACTIONS for name in pair)
_BINDERS = frozenset({"acid-cured resin", "alkaline binder", "polyol", "resin"})
_CURES = frozenset({"acid", "ester", "isocyanate", "urethane catalyst", "catalyst", "hardener"})


def liquid_class(family: str | Family, part: str) -> str:
    """What a liquid of a binder family is, by the hazards that the family declares. [-]

    Parameters
    ----------
    family : str or Family
        Binder family. [-]
    part : str
        Part of the liquid in it: resin, catalyst, hardener, part_1, part_2 or drier. [-]

    Returns
    -------
    str
        One of CLASSES; or the part itself where the family declares no hazard. [-]

    Raises
    ------
    FieldError
        No family has this key.

    Source
    ------
    practice: the chemistry of the families.

    Examples
    --------
    >>> liquid_class("furan_acid", "catalyst")
    'acid'
    """
    hazards = family_named(family).hazards
    binder = part in ("resin", "part_1")
    if "acid" in hazards:
        return "acid-cured resin" if binder else "acid"
    if "isocyanate" in hazards:
        return "polyol" if binder else "isocyanate" if part == "part_2" else "urethane catalyst"
    if "alkaline" in hazards or "ester" in hazards:
        return "alkaline binder" if binder else "ester"
    return part


def reaction(first: str, second: str) -> Reaction | None:
    """What two liquids do when they meet neat; None where nothing violent is known. [-]

    Parameters
    ----------
    first, second : str
        What each is: one of CLASSES; or resin, catalyst, hardener where no family declares it. [-]

    Returns
    -------
    Reaction or None
        What happens. [-]

    Notes
    -----
    A liquid that no family declares is known by its kind alone: any binder with anything that cures one is then taken
    to react, which is the safe side.

    Source
    ------
    practice: separate pumps, lines, bunds and funnels for each of these pairs.

    Examples
    --------
    >>> reaction("acid", "acid-cured resin").what
    'they react violently'
    >>> reaction("acid-cured resin", "alkaline binder") is None
    True
    """
    known = REACTIONS.get(frozenset({first, second}))
    if known is not None or {first, second} <= CLASSES:
        return known
    pair = {first, second}
    return UNKNOWN if pair & _BINDERS and pair & _CURES else None
