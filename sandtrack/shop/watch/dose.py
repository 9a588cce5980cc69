"""What the mixers and their pumps say that deserves a look: doses, shares of reclaimed sand, calibrations."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from statistics import median
from typing import Any, NamedTuple

from sandtrack.ledger import Day
from sandtrack.plant import BinderSystem
from sandtrack.shop.answer import Flag
from sandtrack.shop.mixers import pumps
from sandtrack.shop.picture import Seen
from sandtrack.shop.watch.items import Occurred, occurred
from sandtrack.shop.watch.recent import DAY_US, Dose, Recent
from sandtrack.shop.wording import day

LATEST_MIXES = 50
FEWEST_MIXES = 20
SHARE_DAYS = 14
SHARE_DRIFT_POINTS = 10.0
CALIBRATIONS_BACK_DAYS = 180
EARLIER_CALIBRATIONS = 8
FEWEST_CALIBRATIONS = 3


class _Usual(NamedTuple):
    """Catalyst on its base as a line over the sand's temperature, and how block means of it have varied."""

    middle_c: float
    pct: float
    slope_pct_c: float = 0.0
    spread_share: float = 0.0

    def at(self, temp_c: float | None) -> float:
        return self.pct if temp_c is None else self.pct + self.slope_pct_c * (temp_c - self.middle_c)


def dose_off(recent: Recent) -> Iterator[Flag | Occurred]:
    """A mixer's catalyst, over its latest mixes of a system, outside its window or away from its usual.

    The usual is the set-up's where speed is set by grade. Where it is set by the amount, which follows the weather, it
    is the mixer's own habit at the sand's temperature over the sixty days before; then the difference must be above
    the tolerance and three times what means of as many mixes have varied about that habit: a slow drift of a pump
    shows in its calibration sooner.
    """
    groups: dict[tuple[str, str], list[Dose]] = {}
    for dose in recent.doses:
        if dose.resin_mg:
            groups.setdefault((dose.mixer, dose.system), []).append(dose)
    for (mixer, system), doses in sorted(groups.items()):
        latest = doses[-LATEST_MIXES:]
        if len(latest) < FEWEST_MIXES or latest[0].seen.at < recent.since:
            continue
        resin = sum(dose.resin_mg for dose in latest)
        drawn = 100.0 * sum(dose.catalyst_mg for dose in latest) / resin
        against = _outside_window(recent, drawn, latest) or _away(recent, mixer, system, drawn, latest, doses)
        if against:
            picture = recent.picture
            yield occurred(
                "dose_off",
                f"the latest {len(latest)} mixes of {picture.name('binder_systems', system)} on "
                f"{picture.name('mixers', mixer)} had {drawn:.1f} % catalyst on resin, {against}: "
                "weigh a timed catch of each pump",
                mixer,
                at=latest[-1].seen.at,
            )


def _set_up(
    recent: Recent, masses: Iterable[tuple[Dose, int]], of: Callable[[BinderSystem], float | None]
) -> float | None:
    """What the set-up says of mixes, each by its purpose and weighed; None where it says nothing of one of them."""
    told = [(mass, of(dose.plan(recent.picture.day))) for dose, mass in masses]
    known = [(mass, value) for mass, value in told if value is not None]
    whole = sum(mass for mass, _ in known)
    return sum(mass * value for mass, value in known) / whole if whole and len(known) == len(told) else None


def _outside_window(recent: Recent, drawn: float, latest: Sequence[Dose]) -> str:
    resins = [(dose, dose.resin_mg) for dose in latest]
    low = _set_up(recent, resins, lambda plan: plan.catalyst_window_pct and plan.catalyst_window_pct[0])
    high = _set_up(recent, resins, lambda plan: plan.catalyst_window_pct and plan.catalyst_window_pct[1])
    if low is None or high is None or low <= drawn <= high:
        return ""
    return f"outside its window of {low:.4g} to {high:.4g} %"


def _away(recent: Recent, mixer: str, system: str, drawn: float, latest: Sequence[Dose], doses: Sequence[Dose]) -> str:
    plan = recent.picture.day.find("binder_systems", system)
    tolerance = recent.picture.day.find("mixers", mixer).catalyst_tolerance_pct
    by_grade = plan.lever == "grade"
    fixed = _set_up(recent, [(dose, dose.resin_mg) for dose in latest], lambda plan: plan.catalyst_pct)
    of_set_up = None if fixed is None else _Usual(0.0, fixed)
    usual = of_set_up if by_grade else _habit(doses[: -len(latest)])
    if usual is None or tolerance is None:
        return ""
    resin = sum(dose.resin_mg for dose in latest)
    wanted = sum(dose.resin_mg * usual.at(_temp(dose)) for dose in latest) / resin
    off = 100.0 * (drawn / wanted - 1.0)
    if abs(off) <= tolerance + 300.0 * usual.spread_share:
        return ""
    said = "of the set-up" if by_grade else "usual for it at this sand temperature"
    return f"{abs(off):.1f} % {'above' if off > 0 else 'below'} the {wanted:.1f} % {said} (tolerance {tolerance:g} %)"


def _habit(doses: Sequence[Dose]) -> _Usual | None:
    """The line that catalyst followed over temperature, each mix weighed by its resin; None if there is too little."""
    told = [(dose, temp) for dose in doses if (temp := _temp(dose)) is not None]
    if len(told) < 2 * LATEST_MIXES:
        return None
    resin = float(sum(dose.resin_mg for dose, _ in told))
    middle = sum(dose.resin_mg * temp for dose, temp in told) / resin
    pct = 100.0 * sum(dose.catalyst_mg for dose, _ in told) / resin
    square = sum(dose.resin_mg * (temp - middle) ** 2 for dose, temp in told)
    cross = sum((100.0 * dose.catalyst_mg - pct * dose.resin_mg) * (temp - middle) for dose, temp in told)
    line = _Usual(middle, pct, cross / square if square > 0 else 0.0)
    blocks = [told[start : start + LATEST_MIXES] for start in range(0, len(told) - LATEST_MIXES + 1, LATEST_MIXES)]
    ratios = [
        100.0 * sum(dose.catalyst_mg for dose, _ in block) / sum(dose.resin_mg * line.at(temp) for dose, temp in block)
        for block in blocks
    ]
    spread = math.sqrt(sum((ratio - 1.0) ** 2 for ratio in ratios) / (len(ratios) - 1))
    return line._replace(spread_share=spread)


def _temp(dose: Dose) -> float | None:
    temp: float | None = dose.seen.values.get("sand_temp_c")
    return temp


def share_drift(recent: Recent) -> Iterator[Flag | Occurred]:
    """Reclaimed share of a system's mixes of the last two weeks away from its usual one."""
    picture = recent.picture
    start = picture.at - SHARE_DAYS * DAY_US
    for system in sorted({dose.system for dose in recent.doses}):
        doses = [dose for dose in recent.doses if dose.system == system]
        now, before = (_share(dose for dose in doses if (dose.seen.at > start) == latest) for latest in (True, False))
        latest = [(dose, dose.sand_mg) for dose in doses if dose.seen.at > start]
        usual = _set_up(recent, latest, lambda plan: plan.reclaimed_share)
        said = "by the set-up" if usual is not None else "before"
        usual = before if usual is None else usual
        if now is not None and usual is not None and abs(100.0 * (now - usual)) > SHARE_DRIFT_POINTS:
            yield Flag(
                "share_drift",
                f"mixes of {picture.name('binder_systems', system)} held {100 * now:.0f} % reclaimed sand over the "
                f"last {SHARE_DAYS} days, {100 * usual:.0f} % {said}: a gate or silo running out, or meant?",
                system,
            )


def _share(doses: Iterable[Dose]) -> float | None:
    told = [(dose.reclaimed_mg, dose.sand_mg) for dose in doses]
    sand = sum(mass for _, mass in told)
    return sum(mass for mass, _ in told) / sand if sand else None


def calibrations(recent: Recent) -> Iterator[Flag | Occurred]:
    """Mixers that ran after their calibration had fallen due, and streams that deliver otherwise than before."""
    picture = recent.picture
    found = list(picture.records("calibration", since=picture.at - CALIBRATIONS_BACK_DAYS * DAY_US))
    yield from _overdue(recent, found)
    streams: dict[tuple[str, str, float], list[Seen]] = {}
    for seen in found:
        key = (seen.values["mixer"], seen.values["stream"], seen.values["setting"])
        streams.setdefault(key, []).append(seen)
    for (mixer, stream, setting), series in sorted(streams.items()):
        yield from _drifted(recent, mixer, stream, setting, series)


def _overdue(recent: Recent, found: Iterable[Seen]) -> Iterator[Flag | Occurred]:
    picture = recent.picture
    last: dict[str, Seen] = {}
    for seen in found:
        last[seen.values["mixer"]] = seen
    ran = {dose.mixer: dose.seen.at for dose in recent.doses}
    for key, mixer in picture.plant.mixers.items():
        every = mixer.calibrate_every_days
        if every is None or key not in ran:
            continue
        name, when = picture.name("mixers", key), day(ran[key], picture.zone)
        if key not in last:
            text = f"{name} ran on {when} and no calibration of it is recorded within {CALIBRATIONS_BACK_DAYS} days"
        elif ran[key] >= recent.since and ran[key] - last[key].at > (every + 1) * DAY_US:
            text = (
                f"{name} ran on {when}, and was last calibrated on {day(last[key].at, picture.zone)}; it is due every "
                f"{every:g} days"
            )
        else:
            continue
        yield Flag("calibration_overdue", f"{text}: weigh three timed catches of each stream", key)


def _drifted(
    recent: Recent, mixer: str, stream: str, setting: float, series: Sequence[Seen]
) -> Iterator[Flag | Occurred]:
    """The latest calibration of a stream against the median of the ones before it at the same setting."""
    latest, before = series[-1], series[-1 - EARLIER_CALIBRATIONS : -1]
    tolerance = _tolerance(recent.picture.day, recent.picture.day.find("mixers", mixer), stream)
    if latest.at < recent.since or len(before) < FEWEST_CALIBRATIONS or tolerance is None:
        return
    rate, usual = _kg_min(recent, latest), median(_kg_min(recent, seen) for seen in before)
    off = 100.0 * (rate / usual - 1.0)
    if abs(off) > tolerance:
        yield occurred(
            "calibration_drift",
            f"{stream.replace('_', ' ')} of {recent.picture.name('mixers', mixer)} at setting {setting:g} gave "
            f"{rate:.3g} kg/min on {day(latest.at, recent.picture.zone)}, {abs(off):.1f} % "
            f"{'above' if off > 0 else 'below'} the {usual:.3g} kg/min of the {len(before)} calibrations before "
            f"(tolerance {tolerance:g} %): look at the pump, then set it by the new figure",
            mixer,
            at=latest.at,
        )


def _tolerance(plan: Day, mixer: Any, stream: str) -> float | None:
    """Tolerance of a stream by what it is."""
    tolerance: float | None = getattr(mixer, pumps.tolerance_field(plan, mixer, stream))
    return tolerance


def _kg_min(recent: Recent, seen: Seen) -> float:
    """Mean rate of a calibration's catches: all mass over all time."""
    on = recent.picture.setups.on(seen.at)
    catches = seen.values["catches"]
    mass_mg: float = sum(on.mass_mg(catch["mass_kg"]) for catch in catches)
    seconds: float = sum(catch["seconds"] for catch in catches)
    return mass_mg / 1e6 / seconds * 60.0


CHECKS: tuple[Callable[[Recent], Iterator[Flag | Occurred]], ...] = (dose_off, share_drift, calibrations)
