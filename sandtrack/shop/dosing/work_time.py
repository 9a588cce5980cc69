"""What a shop means by work time, and where that overstates the time in which a box can be filled."""

from __future__ import annotations

from sandtrack.shop.answer import Basis, Flag
from sandtrack.shop.dosing.judged import HOW
from sandtrack.shop.dosing.systems import System

_UNTIL = {
    "hand": "until it no longer rams and joins by feel",
    "hardness": "until the gauge reads its value for work, most often 60",
    "strength": "until it bears its pressure for work, most often 10 kPa",
    "late_moulding_loss": "until sand moulded so late loses a quarter of its final tensile strength",
}
_HOW_FAR = {"hardness": "overstates", "strength": "may overstate"}


def basis(system: System) -> Basis:
    """How the end of the work time is judged: as the set-up says, else as strip is."""
    definition, said = _definition(system), bool(system.entry.work_definition)
    meaning = "from the first sand in the box, for filling and compacting"
    if not definition:
        return Basis("work time", f"{meaning}; how its end is judged is not said", "default", "no work_definition")
    source = "work_definition" if said else "taken as strip is judged: the set-up gives no work_definition"
    value = f"{meaning}: judged {HOW[definition]}, {_UNTIL[definition]}"
    return Basis("work time", value, "set-up" if said else "default", source)


def overstated(system: System) -> list[Flag]:
    """Said wherever a work time limits a fill and is read off the sand, not off the strength that it ends up with."""
    definition = _definition(system)
    if definition not in _HOW_FAR:
        return []
    text = (
        f"work time judged {HOW[definition]} {_HOW_FAR[definition]} the time to fill: a quarter of the final strength "
        "can be lost in sand moulded when a hardness gauge reads no more than 20 to 25 (Modern Casting, Oct 2012)"
    )
    return [Flag("work_time_overstated", text, system.key)]


def _definition(system: System) -> str:
    reference = system.entry.reference
    return system.entry.work_definition or ("" if reference is None else reference.definition)
