"""What to set on a mixer: the smallest setting that strips in time while the box can still be filled."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from sandtrack.plant import Limits
from sandtrack.shop import dangers, wording
from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.dosing import acid, allowed, readiness, sand_temperature, sands, set_points, ways_out, work_time
from sandtrack.shop.dosing.allowed import Allowed
from sandtrack.shop.dosing.asked import Asked, read
from sandtrack.shop.dosing.learned import Law, learned_law
from sandtrack.shop.dosing.pumped import pumped
from sandtrack.shop.dosing.serving import Job, Times
from sandtrack.shop.dosing.words import minutes, moulders_words
from sandtrack.shop.picture import Picture
from sandtrack.trade.advice import Verdict, temperature_advice
from sandtrack.trade.recipe import AmountIsNoLever, with_lever


def setting(
    picture: Picture,
    mixer: str,
    binder_system: str,
    sand_temp_c: float | str | None = None,
    *,
    strip_time_min: float | str | None = None,
    pattern: str | None = None,
    box_sand_kg: float | str | None = None,
    purpose: str | None = None,
    chance: float | None = None,
    catalyst_pct: float | None = None,
    fast_share: float | None = None,
    pattern_temp_c: float | str | None = None,
    surroundings_c: float | str | None = None,
    time_constant_min: float | str | None = None,
    supposed: bool = False,
) -> Answer:
    """What to set for a wanted strip time; with `catalyst_pct` or `fast_share`: what that setting would give.

    Values: `mixer`, `binder_system`, `sand_temp_c`, `ask_again_below_c`, `ask_again_above_c`, `wanted_strip_min`,
    `wanted_chance`; `resin_pct`, `catalyst_pct` (with `catalyst_base`, what is 100 %), `fast_share` (grades only),
    `chance_to_strip`, `strip_time_min`, `work_time_min` (middles), `fill_within_min` (planning limit), `flows_kg_min`
    and `flows_ml_min` by stream; with a box `box_sand_kg`, `fill_time_min`, `work_time_used_share` (of the low end of
    the work time), `masses_kg`, `strip_after_first_sand_min` (the middle on the clock of the first sand); `pumps`, the
    setting of each liquid whose calibration is in force on its pump's own scale ({liquid: `stream`, `setting`, `step`,
    `inside` the settings caught, `calibrated_at`}): where the set-up gives a step it lies on one, and percents, flows,
    times and chance are those of the rounded settings, a setting asked about being moved to the nearest; with a
    pattern's or the room's temperature `slowest_point` (`core_min`, `face_min`, `slowest`, `face_temp_c`, …), by which
    the strip time then goes, and `quickest_point` (`core_min`, `face_min`, `quickest`), by which the work time goes;
    `resin_lot`; `curing_lots` {liquid: lot};
    `sand_shares`, the sand drawn by the usual share of reclaimed; `purposes_apart`, those with settings of
    their own, where no purpose is asked with; `say`, the moulder's words. Where nothing serves: `nearest` with the same
    names and `serves` false. Where the sand allows a test piece only (`verdict` "test_piece"): `nearest` holds the
    setting to make it with. Where the sand allows nothing: no setting at all.
    Ranges: `strip_time_min`, `work_time_min`, `pump_setting.LIQUID`. A sand temperature that is `supposed` is not held
    against today's readings. `time_constant_min` is that of the mould, where pattern or room are given; else that of a
    cube of the box's sand. Raises UnknownName, InputErrors.
    """
    asked = read(
        picture,
        mixer,
        binder_system,
        {
            "sand_temp_c": sand_temp_c,
            "strip_time_min": strip_time_min,
            "box_sand_kg": box_sand_kg,
            "chance": chance,
            "catalyst_pct": catalyst_pct,
            "fast_share": fast_share,
            "pattern_temp_c": pattern_temp_c,
            "surroundings_c": surroundings_c,
            "time_constant_min": time_constant_min,
        },
        pattern,
        purpose,
    )
    draft = _Draft(picture, asked, supposed=supposed)
    return _refused_outright(draft) or _answered(draft)


@dataclass
class _Draft:
    """An answer on its way."""

    picture: Picture
    asked: Asked
    supposed: bool = False
    values: dict[str, Any] = field(default_factory=dict)
    ranges: dict[str, Range] = field(default_factory=dict)
    basis: list[Basis] = field(default_factory=list)
    flags: list[Flag] = field(default_factory=list)
    law: Law | None = None
    acid_demand: acid.AcidDemand = field(default_factory=acid.AcidDemand)

    def answer(self, because: str = "", instead: tuple[str, ...] = (), verdict: Verdict = "yes") -> Answer:
        asked = {"mixer": self.asked.mixer.key, "binder_system": self.asked.system.key}
        if self.asked.pattern is not None:
            asked["pattern"] = self.asked.pattern.key
        if self.asked.purpose is not None:
            asked["purpose"] = self.asked.purpose
        return Answer(
            question="setting",
            as_of=self.picture.as_of,
            known_on=self.picture.known_on,
            values={**asked, **self.values},
            ranges=self.ranges,
            basis=tuple(self.basis),
            flags=tuple(self.flags),
            cautions=dangers.cautions("setting", [self.asked.system.family], [flag.code for flag in self.flags]),
            possible=not because,
            verdict=verdict,
            because=because,
            instead=instead,
            head=self.picture.head,
        )


def _refused_outright(draft: _Draft) -> Answer | None:
    """Refusals that no temperature changes."""
    asked, picture = draft.asked, draft.picture
    system, name = asked.system, asked.system.name
    machine = picture.name("mixers", asked.mixer.key)
    if system.key not in asked.mixer.binder_systems:
        able = [
            picture.name("mixers", key)
            for key, other in picture.plant.mixers.items()
            if system.key in other.binder_systems
        ]
        runs = ", ".join(picture.name("binder_systems", key) for key in asked.mixer.binder_systems)
        instead = [f"{machine} runs: {runs}", *([f"{name} is run on: {', '.join(able)}"] if able else [])]
        return draft.answer(f"{name} is not run on {machine}", tuple(instead))
    if lacking := sands.not_drawn(asked.mixer, system):
        able = [
            picture.name("mixers", key)
            for key, other in picture.plant.mixers.items()
            if system.key in other.binder_systems and not sands.not_drawn(other, system)
        ]
        because = f"{machine} does not draw {' and '.join(lacking)}, which {name} is made of"
        add = f"if it does, add the place to [mixers.{asked.mixer.key}.draws] of the set-up, under {system.key}"
        return draft.answer(because, (*([f"{name} is drawn by: {', '.join(able)}"] if able else []), add))
    if system.family.lever == "grade" and "catalyst_pct" in asked.numbers:
        try:
            with_lever(system.recipe(system.usual or 0.0), amount_pct=asked.numbers["catalyst_pct"])
        except AmountIsNoLever as refused:
            return draft.answer(refused.message, (*refused.ways, "ask again with fast_share, or with a strip time"))
    if system.family.lever == "amount" and "fast_share" in asked.numbers:
        return draft.answer(
            f"{system.family.name} has no grades: its speed is set by the amount of {system.lever_word}",
            ("ask again with catalyst_pct, or with a strip time",),
        )
    if system.belief is None:
        wanted = "fast_share" if system.family.lever == "grade" else "catalyst_pct"
        return draft.answer(
            f"no strip time of {name} is known, so none can be stated",
            (
                f"add to [binder_systems.{system.key}] of the set-up, from the supplier's data sheet or the shop's own "
                f"watch: reference = {{ strip_time_min = …, temp_c = …, {wanted} = …, definition = … }}",
            ),
        )
    if asked.wanted_min is None and asked.what_if is None:
        draft.flags.append(
            Flag(
                "no_wanted_time",
                f"no strip time was asked for and none is usual: the reference's "
                f"{minutes(asked.wanted_or_reference_min or 0.0)} is taken; ask with strip_time_min, or add "
                f"usual_strip_min to [binder_systems.{system.key}] of the set-up",
                system.key,
            )
        )
    what_if = asked.what_if
    faster = what_if is not None and what_if > system.window.high
    if what_if is not None and not (system.window.holds(what_if) and (what_if > 0 or system.family.lever == "grade")):
        return draft.answer(
            f"{system.show(what_if)} is outside the window of {system.window}",
            (*ways_out.another_speed(system, faster=faster), f"{'warmer' if faster else 'cooler'} sand"),
        )
    return None


def _answered(draft: _Draft) -> Answer:
    asked, picture, limits = draft.asked, draft.picture, draft.picture.plant.limits
    system = asked.system
    law = learned_law(picture, system)
    lots = readiness.lots(picture, asked.mixer, system)
    ready = readiness.look_at(picture, asked.mixer, system, lots)
    draft.acid_demand = acid.demand(picture, asked.mixer, system)
    delivery = pumped(picture, asked.mixer, system)
    draft.flags += [*ready.flags, *draft.acid_demand.flags, *delivery.flags, *asked.of_purpose()]
    if asked.purpose is None and asked.purposes_apart:
        draft.values["purposes_apart"] = asked.purposes_apart
    _say_what_it_rests_on(draft, law)
    draft.basis += ready.basis
    sand = _sand(draft)
    if sand.value_c is None or law is None:
        record = f"record it: a temperature of mixed_sand, or sand_temp_c of a mix, on {asked.mixer.key}"
        return draft.answer(sand.because, (sand_temperature.AGAIN, record))
    if ready.blocking:
        return draft.answer("; ".join(flag.text for flag in ready.blocking), allowed.unblocking(ready.blocking))
    _say_how_warm(draft, sand.value_c)
    box, lot, drawn = asked.box_kg, law.lots_now(lots), sands.drawn(picture, asked.mixer, system)
    job = Job(
        pumped=delivery,
        law=law.times_on(drawn),
        sand_temp_c=sand.value_c,
        chance=asked.numbers.get("chance", limits.chance_to_strip),
        work_time_share=limits.work_time_share,
        wanted_min=asked.wanted_or_reference_min,
        fill_min=None if box is None else box / asked.mixer.sand_kg_min,
        lot=law.label(lot, drawn),
        around=asked.around(law.cure_law),
    )
    draft.law = law
    draft.basis += delivery.basis
    draft.flags += [*law.flags(), *law.not_checked(picture, lot, drawn)]
    if lot.resin:
        draft.values["resin_lot"] = lot.resin
    if lot.curing:
        draft.values["curing_lots"] = dict(lot.curing)
    if drawn is not None:
        draft.values["sand_shares"] = drawn
    if job.around is not None:
        draft.basis.append(job.around.basis())
    _say_what_was_asked(draft, job)
    return _as_allowed(draft, job, ready)


def _as_allowed(draft: _Draft, job: Job, ready: readiness.Readiness) -> Answer:
    """The setting that serves, or the one asked about, as far as the state of the sand allows one."""
    warmth = allowed.by_temperature(job)
    if warmth.verdict == "no":
        return draft.answer(warmth.because, warmth.instead)
    what_if = draft.asked.what_if
    lever = job.serving() if what_if is None else job.pumped.nearest(what_if)
    if (taken := _all_acid_taken(draft, job, lever)) is not None:
        return taken
    if what_if is not None:
        _say_what_is_wrong(draft, job, what_if)
    may = allowed.together(warmth, allowed.by_moisture(ready.test_piece))
    if lever is None:
        return _nothing_serves(draft, job, may)
    if may.verdict == "yes":
        _tell(draft, job, lever)
        return draft.answer()
    told = job.times(lever)
    points, ranges = _points(draft, job, told)
    say = moulders_words(told.strip_min, job.fill_min)
    draft.values["nearest"] = {
        "serves": False,
        "why_not": may.because,
        **points,
        **set_points.spans(ranges),
        "say": say,
    }
    return draft.answer(may.because, may.instead, "test_piece")


def _nothing_serves(draft: _Draft, job: Job, may: Allowed) -> Answer:
    """No setting serves: the nearest, and what would; what is wrong with the sand comes first."""
    nearest, because, ways = ways_out.found(draft.picture, draft.asked.mixer, job, draft.asked.box_kg)
    if (taken := _all_acid_taken(draft, job, nearest)) is not None:
        return taken
    points, ranges = _points(draft, job, job.times(nearest))
    because = "; ".join(filter(None, (because, may.because)))
    draft.values["nearest"] = {"serves": False, "why_not": because, **points, **set_points.spans(ranges)}
    first = tuple(way for way in may.instead if way != allowed.TEST_PIECE)
    return draft.answer(because, tuple(dict.fromkeys((*first, *ways))))


def _all_acid_taken(draft: _Draft, job: Job, lever: float | None) -> Answer | None:
    """A "no" where the sand may take all the acid of a setting: no strip time can be promised then."""
    taken = None if lever is None else draft.acid_demand.takes_all(lever)
    if taken is None:
        return None
    draft.flags.append(replace(taken, subject=draft.asked.mixer.key))
    ways = ("draw sand of a lower acid demand, or more new sand", "do not just add acid: have test pieces made first")
    return draft.answer(taken.text, ways)


def _say_what_it_rests_on(draft: _Draft, law: Law | None) -> None:
    system = draft.asked.system
    draft.basis += [*system.basis, work_time.basis(system)]
    if law is not None:
        draft.basis.append(law.basis(draft.picture))
        if law.learned is not None:
            draft.basis.append(law.fading())


def _sand(draft: _Draft) -> sand_temperature.SandTemperature:
    asked, given_c = draft.asked, draft.asked.numbers.get("sand_temp_c")
    if draft.supposed and given_c is not None:
        sand = sand_temperature.supposed(given_c)
    else:
        sand = sand_temperature.judged(draft.picture, asked.mixer, asked.system, given_c)
    draft.flags += sand.flags
    draft.basis += sand.basis
    return sand


def _say_how_warm(draft: _Draft, temp_c: float) -> None:
    moved, family = draft.picture.plant.limits.sand_moved_c, draft.asked.system.family
    draft.values |= {"sand_temp_c": temp_c, "ask_again_below_c": temp_c - moved, "ask_again_above_c": temp_c + moved}
    for advice in temperature_advice(family, temp_c, sand_window_c=family.sand_window_c):
        draft.flags.append(Flag(advice.code, advice.text, draft.asked.mixer.key))


def _say_what_was_asked(draft: _Draft, job: Job) -> None:
    asked, limits = draft.asked, draft.picture.plant.limits
    said = "strip_time_min" in asked.numbers
    of_pattern = asked.pattern is not None and asked.pattern.usual_strip_min is not None
    if job.wanted_min is not None:
        draft.values |= {"wanted_strip_min": job.wanted_min, "wanted_chance": job.chance}
        usual = "the binder system's usual"
        if "usual_strip_min" in asked.system.entry.own(asked.purpose):
            usual = f"usual for {asked.purpose}"
        elif asked.wanted_min is None:
            usual = "the reference's, for want of a usual one"
        where = "as asked" if said else "the pattern's usual" if of_pattern else usual
        draft.basis.append(
            Basis("wanted strip time", f"{minutes(job.wanted_min)}, {where}", "record" if said else "set-up", where)
        )
    aim = wording.aim(job.chance)
    if "chance" in asked.numbers:
        draft.basis.append(Basis("chance aimed at", aim, "record", "as asked"))
    else:
        draft.basis.append(limit("chance aimed at", aim, "chance_to_strip", limits))
    most = f"{limits.work_time_share:g}"
    draft.basis.append(limit("share of the work time for filling", most, "work_time_share", limits))
    if asked.pattern is not None and asked.pattern.binder_system not in ("", asked.system.key):
        other = draft.picture.name("binder_systems", asked.pattern.binder_system)
        text = f"the card of this pattern says {other}, not {asked.system.name}"
        draft.flags.append(Flag("pattern_of_other_system", text, asked.pattern.key))
    if asked.purpose in ("facing", "backing") and "box_sand_kg" not in asked.numbers and asked.pattern is not None:
        text = f"the whole box's sand is taken for the {asked.purpose}: give box_sand_kg for a sharper fill time"
        draft.flags.append(Flag("box_of_whole_mould", text, asked.pattern.key))
    if job.fill_min is not None:
        draft.flags += work_time.overstated(asked.system)


def limit(what: str, value: str, name: str, limits: Limits) -> Basis:
    """What rests on a limit, and whether that is the shop's own."""
    as_it_comes = getattr(limits, name) == getattr(Limits(), name)
    return Basis(what, value, "default" if as_it_comes else "set-up", f"limits.{name}")


def _say_what_is_wrong(draft: _Draft, job: Job, asked_about: float) -> None:
    """Flags on a setting that somebody names, at the nearest that the pumps can be set to."""
    lever = job.pumped.nearest(asked_about)
    if abs(lever - asked_about) > job.system.step:
        text = f"{job.system.show(asked_about)} is no step of the pump: the nearest, {job.system.show(lever)}, is told"
        draft.flags.append(Flag("setting_moved", text, draft.asked.mixer.key))
    told = job.times(lever)
    if told.chance is not None and job.wanted_min is not None and not job.strips(lever):
        text = (
            f"at {job.system.show(lever)} the chance of having stripped by {minutes(job.wanted_min)} is "
            f"{wording.chance(told.chance)}, below the {wording.aim(job.chance)} aimed at"
        )
        draft.flags.append(Flag("chance_below", text, job.system.key))
    if not job.fits(lever):
        draft.flags.append(Flag("fill_too_long", ways_out.fill_words(job, lever), draft.asked.mixer.key))


def _points(draft: _Draft, job: Job, told: Times) -> tuple[dict[str, Any], dict[str, Range]]:
    points, ranges, flags = set_points.of(draft.picture, draft.asked.mixer, job, told, draft.asked.box_kg)
    draft.flags += flags
    if draft.law is not None:
        draft.flags += draft.law.outside(job.sand_temp_c, told.lever)
    return points | job.points(told.lever), ranges


def _tell(draft: _Draft, job: Job, lever: float) -> None:
    told = job.times(lever)
    points, ranges = _points(draft, job, told)
    draft.values |= points
    draft.ranges |= ranges
    draft.values["strip_time_min"], draft.values["work_time_min"] = told.strip_min[1], told.work_min[1]
    draft.values["say"] = moulders_words(told.strip_min, job.fill_min)
    if job.fill_min is not None:
        draft.values["strip_after_first_sand_min"] = job.fill_min + told.strip_min[1]
