"""Where no setting serves: why, which one comes nearest, and what would serve."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sandtrack import units
from sandtrack.plant import Mixer
from sandtrack.shop.picture import Picture
from sandtrack.shop.serving import Job
from sandtrack.shop.systems import System
from sandtrack.shop.words import minutes

_BLEND = "bought ready blended or made by the mixer's two acid pumps; nobody mixes concentrated acids by hand"


def found(picture: Picture, mixer: Mixer, job: Job, box_kg: float | None) -> tuple[float, str, tuple[str, ...]]:
    """The nearest setting, why it does not serve, and what would."""
    lever = job.smallest()
    if lever is None:
        return _too_slow(job)
    nearest = job.fastest_fitting()
    if nearest is None:
        nearest = job.system.settings()[0]
    instead = tuple(_to_fill(picture, mixer, job, lever, nearest, box_kg or 0.0))
    return nearest, fill_words(job, lever), instead


def another_speed(system: System, *, faster: bool) -> tuple[str, ...]:
    """What changes the speed where the window ends, besides the sand's temperature."""
    family = system.family
    if family.lever == "grade":
        return (f"a {'faster' if faster else 'slower'} grade of {family.co_reactant}",)
    if "acid" in family.co_reactant:
        return (f"a {'stronger' if faster else 'weaker'} acid, {_BLEND}",)
    if family.drier_window_pct is not None:
        return ("the drier does little: the sand's temperature does more",)
    return (f"a {'faster' if faster else 'slower'} {family.co_reactant}, by the supplier's data sheet",)


def window_words(system: System) -> str:
    """The window of what sets the speed, and whose it is."""
    window = system.window
    whose = "the shop's own" if window.tag == "shop" else f"{window.tag}: {window.source}"
    return f"{window.low:g} to {window.high:g} {window.unit} ({whose})"


def fill_words(job: Job, lever: float) -> str:
    """Why a box cannot be filled in time at a setting."""
    work = job.times(lever).work_min[0]
    return (
        f"the fill takes {minutes(job.fill_min or 0.0)}, and at {job.system.show(lever)} with sand at "
        f"{job.sand_temp_c:.1f} °C it may plan for {minutes(job.work_time_share * work)}: "
        f"{100 * job.work_time_share:.0f} % of a work time that may be as short as {minutes(work)}"
    )


def _too_slow(job: Job) -> tuple[float, str, tuple[str, ...]]:
    system, wanted = job.system, job.wanted_min or 0.0
    end = system.settings()[-1]
    told = job.times(end)
    surely = math.ceil(job.surely_by_min(end))
    chance = f"{100 * job.chance:.0f} % chance"
    because = (
        f"with sand at {job.sand_temp_c:.1f} °C no setting inside the window of {window_words(system)} strips by "
        f"{minutes(wanted)} with {chance}: {system.show(end)}, its end, does so with {100 * (told.chance or 0.0):.0f} %"
    )
    instead = []
    if job.fits(end):
        instead.append(f"allow {minutes(surely)}: by then {system.show(end)} has stripped with {chance}")
    instead += list(_at_another_temperature(job, warmer=True)) or ["warmer sand"]
    instead += another_speed(system, faster=True)
    return end, because, tuple(instead)


def _to_fill(picture: Picture, mixer: Mixer, job: Job, lever: float, nearest: float, box_kg: float) -> Iterator[str]:
    system, longest = job.system, job.longest_fill_min(lever)
    if job.fits(nearest):
        surely = minutes(math.ceil(job.surely_by_min(nearest)))
        yield f"allow {surely}: {system.show(nearest)} leaves time to fill, and has stripped by then with " + (
            f"{100 * job.chance:.0f} % chance"
        )
    yield from _at_another_temperature(job, warmer=False)
    needed = math.ceil(box_kg / longest)
    able = [
        f"{picture.name('mixers', key)} ({other.sand_kg_min:g})"
        for key, other in picture.plant.mixers.items()
        if key != mixer.key and system.key in other.binder_systems and other.sand_kg_min >= needed
    ]
    yield f"a mixer of at least {needed} kg/min of sand" + (f": {', '.join(able)}" if able else "")
    yield "two mixers on one box, with one clock from the first sand"
    share = units.show(math.floor(longest * mixer.sand_kg_min), "mass")
    yield f"split the fill: at most {share} at a time"
    if lever <= system.settings()[0]:
        yield from another_speed(system, faster=False)


def _at_another_temperature(job: Job, *, warmer: bool) -> Iterator[str]:
    temp = job.serving_temperature_c(warmer=warmer)
    if temp is not None:
        yield f"sand of {temp:g} °C{' or a little warmer' if warmer else ' or a little cooler'}"
