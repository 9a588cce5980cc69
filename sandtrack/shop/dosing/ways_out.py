"""Where no setting serves: why, which one comes nearest, and what would serve."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from sandtrack.plant import Mixer
from sandtrack.shop.dosing import readiness, systems
from sandtrack.shop.dosing.allowed import to_temperature
from sandtrack.shop.dosing.learned import learned_law
from sandtrack.shop.dosing.other_catalyst import by_another_catalyst, by_system
from sandtrack.shop.dosing.parts import in_parts
from sandtrack.shop.dosing.serving import Job
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.dosing.words import at_least, minutes
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import aim, chance

_BLEND = "bought ready blended or made by the mixer's two acid pumps; nobody mixes concentrated acids by hand"


def found(picture: Picture, mixer: Mixer, job: Job, box_kg: float | None) -> tuple[float, str, tuple[str, ...]]:
    """The nearest setting, why it does not serve, and what would."""
    lever = job.smallest
    if lever is None:
        end = job.settings[-1]
        instead = [*_allow(job), *_at_another_temperature(job, warmer=True)]
        instead += _without_drift(job)
        instead += by_another_catalyst(picture, mixer, job) or another_speed(job.system, faster=True)
        if not job.fits(end):
            instead += _to_fill(picture, mixer, job, end, box_kg or 0.0)
        return end, _too_slow(job, end), tuple(instead)
    nearest, least = job.fastest_fitting, job.settings[0]
    instead = list(_allow(job))
    if lever == least:  # only here is the sand quicker than was asked for
        instead += _at_another_temperature(job, warmer=False)
    instead += _without_drift(job)
    instead += _to_fill(picture, mixer, job, lever, box_kg or 0.0)
    if lever == least:
        instead += by_another_catalyst(picture, mixer, job) or another_speed(job.system, faster=False)
    return least if nearest is None else nearest, fill_words(job, lever), tuple(instead)


def another_speed(system: System, *, faster: bool) -> tuple[str, ...]:
    """What changes the speed where the window ends, besides the sand's temperature."""
    family = system.family
    if family.lever == "grade":
        return (f"a {'faster' if faster else 'slower'} grade of {family.co_reactant}",)
    if "acid" in family.hazards:
        return (f"a {'stronger' if faster else 'weaker'} acid, {_BLEND}",)
    if family.drier_window_pct is not None:
        return ("the drier does little: the sand's temperature does more",)
    return (f"a {'faster' if faster else 'slower'} {family.co_reactant}, by the supplier's data sheet",)


def fill_words(job: Job, lever: float) -> str:
    """Why a box cannot be filled in time at a setting."""
    work = job.times(lever).work_min[0]
    return (
        f"the fill takes {minutes(job.fill_min or 0.0)}, and at {job.system.show(lever)} with sand at "
        f"{job.sand_temp_c:.1f} °C it may plan for {at_least(job.work_time_share * work)}: "
        f"{100 * job.work_time_share:.0f} % of a work time that may be as short as {at_least(work)}{_where(job, lever)}"
    )


def _where(job: Job, lever: float) -> str:
    """Where in the mould the work time ends first, if that is not alike everywhere."""
    if job.around is None:
        return ""
    if job.points(lever)["quickest_point"]["quickest"] == "core":
        return " in the core"
    return f" at the face, against a pattern of {job.around.pattern_temp_c:.1f} °C"


def _too_slow(job: Job, end: float) -> str:
    system = job.system
    grade = system.family.lever == "grade"
    none = "no share of the fast grade" if grade else f"no setting inside the window of {system.window}"
    return (
        f"with sand at {job.sand_temp_c:.1f} °C {none} strips by "
        f"{minutes(job.wanted_min or 0.0)} with {aim(job.chance)} chance: {system.show(end)}, its end, does so "
        f"with {chance(job.times(end).chance or 0.0)}"
    )


def _allow(job: Job) -> Iterator[str]:
    """The strip time that the fastest setting which can still be filled gives with the wanted chance."""
    lever = job.fastest_fitting
    if lever is not None:
        leaves = "" if job.fill_min is None else "leaves time to fill and "
        yield (
            f"allow {minutes(math.ceil(job.surely_by_min(lever)))}: {job.system.show(lever)} {leaves}has "
            f"stripped by then with {aim(job.chance)} chance"
        )


def _to_fill(picture: Picture, mixer: Mixer, job: Job, lever: float, box_kg: float) -> Iterator[str]:
    """A faster mixer, another one beside it, or the box in parts, for the fill at one setting."""
    longest = job.longest_fill_min(lever)
    needed = math.ceil(box_kg / longest)
    others = list(_other_mixers(picture, mixer, job))
    able = [
        f"{name} ({rate:g} kg/min) fills it in {minutes(box_kg / rate)}"
        for name, rate, then in others
        if _fills(job, then, box_kg / rate)
    ]
    yield f"a mixer of at least {needed} kg/min of sand" + (f": {', '.join(able)}" if able else "")
    together = ((name, mixer.sand_kg_min + rate, then) for name, rate, then in others)
    beside = [
        f"with {name} {rate:g} kg/min, filled in {minutes(box_kg / rate)}"
        for name, rate, then in together
        if _fills(job, job, box_kg / rate) and _fills(job, then, box_kg / rate)
    ]
    if beside:
        yield f"two mixers on one box, with one clock from the first sand: {', '.join(beside)}"
    yield from in_parts(picture, mixer, job, lever, box_kg)


def _other_mixers(picture: Picture, mixer: Mixer, job: Job) -> Iterator[tuple[str, float, Job]]:
    """Each other mixer that can run the system now: its name, its rate, and the job by its own pumps and sand."""
    system = systems.named(picture.plant, job.system.key, job.system.purpose)
    law = learned_law(picture, system)
    for key, other in picture.plant.mixers.items():
        if law is None or key == mixer.key or system.key not in other.binder_systems:
            continue
        lots = readiness.lots(picture, other, system)
        blocking = readiness.look_at(picture, other, system, lots).blocking
        if not blocking:
            then = by_system(picture, other, job, law, system, lots)
            yield picture.name("mixers", key), other.sand_kg_min, then


def _fills(own: Job, then: Job, fill_min: float) -> bool:
    """Whether a fill of so long fits on a mixer, with sand that strips in time if this mixer's own does."""
    in_time = then.smallest is not None or own.smallest is None
    return in_time and replace(then, fill_min=fill_min).fits(then.quick_enough)


def _without_drift(job: Job) -> Iterator[str]:
    """What would serve if pattern and room were as warm as the sand, which they are not."""
    lever = None if job.around is None else replace(job, around=None).serving()
    if lever is not None:
        yield f"pattern and room brought to the temperature of the sand: {job.system.show(lever)} then serves"


def _at_another_temperature(job: Job, *, warmer: bool) -> Iterator[str]:
    """The nearest sand that serves; where none does, warmer sand is still nearer to it."""
    temp, hottest = job.serving_temperature_c(warmer=warmer), job.plain_yes_c[1]
    if temp is not None:
        yield to_temperature(temp, warmer=warmer)
    elif warmer and job.sand_temp_c < hottest:
        yield f"warmer sand, which helps, but up to {hottest:g} °C does not serve by itself"
