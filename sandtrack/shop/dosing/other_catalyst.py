"""The same resin with another catalyst that the mixer has a pump for: what it would do, by its own strip times."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from sandtrack.plant import BinderSystem, Mixer
from sandtrack.shop.dosing import allowed, readiness, sands, systems
from sandtrack.shop.dosing.inheritance import catalyst
from sandtrack.shop.dosing.learned import Law, learned_law
from sandtrack.shop.dosing.pumped import pumped
from sandtrack.shop.dosing.readiness import Lot
from sandtrack.shop.dosing.serving import Job
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.dosing.words import at_least, minutes
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import chance


def by_another_catalyst(picture: Picture, mixer: Mixer, job: Job) -> list[str]:
    """What each other catalyst for the resin of a job that cannot be done would do; empty where there is none."""
    own = job.system.entry
    told: list[str] = []
    for key in mixer.binder_systems:
        entry = picture.plant.binder_systems[key]
        if _binder(entry) == _binder(own) and catalyst(entry) != catalyst(own):
            told += _told(picture, mixer, job, systems.system(entry, job.system.purpose))
    return told


def _binder(entry: BinderSystem) -> tuple[str, ...]:
    return entry.family, entry.resin, entry.part_1, entry.part_2


def _told(picture: Picture, mixer: Mixer, job: Job, other: System) -> Iterator[str]:
    law = learned_law(picture, other)
    if law is None:
        key = f"[binder_systems.{other.key}]"
        yield f"{other.name}: no strip time of it is known, so add its reference to {key} of the set-up"
        return
    lots = readiness.lots(picture, mixer, other)
    blocking = readiness.look_at(picture, mixer, other, lots).blocking
    if blocking:
        yield f"{other.name}: not now, {'; '.join(flag.text for flag in blocking)}"
        return
    then = by_system(picture, mixer, job, law, other, lots)
    may = allowed.at_temperature(other, job.sand_temp_c)
    if may == "no":
        yield f"{other.name}: not in this sand either, {allowed.why_not(other, job.sand_temp_c)}"
        return
    lever = then.serving()
    if lever is not None:
        piece = "" if may == "yes" else "; only with a test piece in this sand"
        yield f"{other.name}, by its own strip times: {_setting(picture, then, lever)}{piece}"
        return
    yield f"{other.name} does not serve by itself either: {_setting(picture, then, _end(then))}"
    if "acid" in other.family.hazards and _too_slow(then) != _too_slow(job):
        yield (
            f"both acids at once by the mixer's own two pumps, between {_flows(picture, job, _end(job))} alone and "
            f"{_flows(picture, then, _end(then))} alone: no strip time of such a blend is known, so no split is told; "
            "test pieces first, checked as a binder system of its own; nobody mixes concentrated acids by hand"
        )


def by_system(picture: Picture, mixer: Mixer, job: Job, law: Law, system: System, lots: list[Lot]) -> Job:
    """The same box in another binder system, or in its own as mixes of another purpose go by it."""
    drawn = sands.drawn(picture, mixer, system)
    return replace(
        job,
        pumped=pumped(picture, mixer, system),
        law=law.times_on(drawn),
        lot=law.label(law.lots_now(lots), drawn),
        around=None if job.around is None else replace(job.around, energy_kj_mol=law.cure_law.activation_energy_kj_mol),
    )


def _too_slow(job: Job) -> bool:
    """Whether it fails for want of speed; else it is too quick to be filled."""
    return job.smallest is None


def _end(job: Job) -> float:
    """The end of the window where it comes nearest to serving."""
    return job.settings[-1] if _too_slow(job) else job.settings[0]


def _setting(picture: Picture, job: Job, lever: float) -> str:
    """One setting with what its pumps give, its chance, and the fill."""
    told = (
        f"{job.system.show(lever)} ({_flows(picture, job, lever)}), stripped by {minutes(job.wanted_min or 0.0)} with "
        f"{chance(job.times(lever).chance or 0.0)} chance"
    )
    if job.fill_min is None:
        return told
    return f"{told}, filled in {minutes(job.fill_min)} where it may take {at_least(job.longest_fill_min(lever))}"


def _flows(picture: Picture, job: Job, lever: float) -> str:
    """What each pump that sets the speed gives of what, on its own scale too where that is known."""
    system = job.pumped.at(lever)
    flows = system.dose(lever, job.pumped.sand_kg_min).liquids
    settings = job.pumped.settings(flows)
    return " and ".join(
        f"{flows[liquid]:.3g} kg/min of {picture.name('materials', system.liquids[liquid])}"
        + (f", setting {settings[liquid].value:.4g}" if liquid in settings else "")
        for liquid in system.setting_speed
        if flows[liquid] > 0
    )
