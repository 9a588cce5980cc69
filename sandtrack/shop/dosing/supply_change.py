"""What has changed in what goes into the sand since the checks: how much less sure strip times are, and what to say."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import fmean

from sandtrack.shop.answer import Flag
from sandtrack.shop.dosing.checks import Gathered
from sandtrack.shop.dosing.inheritance import ANOTHER_CATALYST, catalyst
from sandtrack.shop.dosing.strength import Strength, alike, ratio
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import several
from sandtrack.trade.learning.changed import left_after_checks_sd, spread_of_change_sd

# practice: from so many checks on, what older ones of another material said is not missed.
ENOUGH = 20


@dataclass(frozen=True)
class Change:
    """How much less sure strip times are than the checks alone would make them, and why."""

    sd: float = 0.0
    flags: tuple[Flag, ...] = ()


def changed(
    picture: Picture, system: System, gathered: Gathered, now: Strength, reference: Strength, law: tuple[float, float]
) -> Change:
    """What changed since the checks, or since the reference where there is none; `law` is exponent and check sd."""
    strength_sd, strength = _of_strength(system, gathered, now, reference, law)
    inherited_sd, inherited = _of_materials(system, gathered, law[1])
    flags = (*strength, *inherited, *_left_out(picture, system, gathered))
    return Change(math.hypot(strength_sd, inherited_sd), flags)


def _of_strength(
    system: System, gathered: Gathered, now: Strength, reference: Strength, law: tuple[float, float]
) -> tuple[float, list[Flag]]:
    looks = gathered.looks
    other = [look.strength_pct for look in looks if look.strength_pct and not alike(look.strength_pct, now.pct)]
    before = math.exp(fmean(map(math.log, other))) if other else None if looks else reference.pct
    since, what = len(looks) - len(other), "checks" if looks else "reference"
    sd = spread_of_change_sd(
        strength_ratio=ratio(now.pct, before), exponent=law[0], checks_since=since, check_sd=law[1]
    )
    if before is None or now.pct is None or alike(now.pct, before) or since >= ENOUGH:
        return sd, []
    text = (
        f"the {system.lever_word} of {system.name} is now {now.pct:g} % strong ({now.source}), its {what} were of "
        f"{before:.3g} %: times are brought to it by the amount of {system.lever_word} alone, and the range is wider "
        f"for that; {several(since, 'check')} of the new strength so far; a test piece first, then check more moulds"
    )
    return sd, [Flag("strength_changed", text, system.key)]


def _of_materials(system: System, gathered: Gathered, check_sd: float) -> tuple[float, list[Flag]]:
    inherited = [look.inherited_sd for look in gathered.looks if look.inherited_sd is not None]
    if not inherited:
        return 0.0, []
    since = len(gathered.looks) - len(inherited)
    sd = left_after_checks_sd(spread_sd=max(inherited), checks_since=since, check_sd=check_sd)
    if since >= ENOUGH:
        return sd, []
    text = (
        f"{several(len(inherited), 'check')} of {system.name} were made with the material that the one now in use "
        f"continues: they count, and the range is wider by {100 * sd:.0f} % (one sd); "
        f"{several(since, 'check')} of the new one so far"
    )
    return sd, [Flag("checks_inherited", text, system.key)]


def _left_out(picture: Picture, system: System, gathered: Gathered) -> Iterator[Flag]:
    """Checks of another material, said while the new one has few of its own."""
    if len(gathered.looks) >= ENOUGH:
        return
    for what, count in gathered.other_material.items():
        keys = catalyst(system.entry) if what == ANOTHER_CATALYST else (system.entry.resin or system.entry.part_1,)
        key = next((one for one in keys if one), "")
        text = (
            f"{several(count, 'check')} of {system.name} made with {what.replace('other', 'another', 1)} are not used. "
            f'The same chemical under a new key? Then write continues = "…" (the old key) in [materials.{key}] of '
            "the set-up"
        )
        yield Flag("checks_of_other_material", text, system.key)
