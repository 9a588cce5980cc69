"""The strip times to go by: learned from the shop's own checks, or the starting belief where there are none."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any
from weakref import WeakKeyDictionary

from sandtrack.ledger import Ledger
from sandtrack.plant.tables import Reference
from sandtrack.shop.answer import Basis, Flag
from sandtrack.shop.dosing import lots, strength
from sandtrack.shop.dosing.checks import Gathered, gather, since, state
from sandtrack.shop.dosing.inheritance import catalyst
from sandtrack.shop.dosing.judged import Judged
from sandtrack.shop.dosing.lots import Lots
from sandtrack.shop.dosing.readiness import Lot
from sandtrack.shop.dosing.sands import ALIKE_SHARE, Sand, words
from sandtrack.shop.dosing.strength import Strength, Strengths, ratio
from sandtrack.shop.dosing.supply_change import Change, changed
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import day, several
from sandtrack.trade.cure import CureLaw
from sandtrack.trade.learning import Belief, Checks, Learned, learn_from, report
from sandtrack.trade.learning.changed import widened
from sandtrack.trade.learning.protocol import StripTimes

STARTING = "starting belief: no strip check is used yet; wide on purpose"
_BELIEVED = (
    "reference within a factor of two, activation energy 50.5 ± 8 kJ/mol, how time falls with the setting a guess that "
    "no source supports"
)
_NOT_TOLD_APART = {"is still the starting belief": "still_belief", " together ": "known_together"}
_WIDER = "the range is wider for that; a test piece first"
_MOST_KEPT = 64
_AS_UNSURE_AGAIN = 2.0  # practice: one definition of strip against another is as unsure as the reference itself


@dataclass(frozen=True)
class Law:
    """Strip times of one binder system, by one definition of strip, as they are known at one moment."""

    system: System
    reference: Reference
    belief: Belief
    gathered: Gathered
    learned: Learned | None
    """None where no check can be used: then the belief holds unchanged."""
    now: Strength
    """Of its catalyst: all settings are of the catalyst as it is drawn at the moment asked about."""
    change: Change

    @property
    def another(self) -> bool:
        """Whether strip is judged by another definition than that of the reference."""
        return self.gathered.judged.definition != self.reference.definition

    @cached_property
    def times(self) -> StripTimes:
        """What to ask for ranges, chances and settings."""
        return self._widened(self.belief if self.learned is None else self.learned)

    def _widened(self, times: Belief | Learned) -> StripTimes:
        return widened(times, by_sd=self.change.sd) if self.change.sd else times

    def as_now(self, lever: float, then: Strength) -> float:
        """What was set of a catalyst of another strength, as so much of the one that is drawn now."""
        return lever * ratio(then.pct, self.now.pct)

    def times_on(self, sand: Sand | None) -> StripTimes:
        """The same for a sand: of one unlike the only kind that was checked, lots alike say nothing."""
        return self._sands_apart if self._only_believed(sand) else self.times

    @cached_property
    def _sands_apart(self) -> StripTimes:
        return self._widened(self.belief if self.learned is None else self.learned.with_lots_apart(self.belief.lot_sd))

    def _only_believed(self, sand: Sand | None) -> bool:
        """Whether how far a sand differs is a belief, as no second kind was checked yet."""
        return len(self.gathered.sands) == 1 and not self.gathered.knows_sand(sand)

    @property
    def cure_law(self) -> CureLaw:
        """Law in the middle of what is known; an energy or exponent below 0 counts as 0."""
        if self.learned is None:
            return self.belief.law()
        time, energy, exponent = self.learned.mean
        return CureLaw(
            strip_time_min=math.exp(time),
            at_temp_c=self.belief.at_temp_c,
            at_lever=self.belief.at_lever,
            activation_energy_kj_mol=max(energy, 0.0),
            exponent=max(exponent, 0.0),
            lever_kind=self.belief.lever_kind,
        )

    def basis(self, picture: Picture) -> Basis:
        """What the strip times rest on."""
        if self.learned is None:
            return Basis("belief", STARTING, "practice", _BELIEVED)
        looks, how = self.gathered.looks, self.gathered.judged.words
        value = (
            f"learned from {several(len(looks), 'check')} {how} up to {day(looks[-1].seen.at, picture.zone)}, worth "
            f"{self.learned.worth:.0f} by their age"
        )
        return Basis("strip times", value, "derived", f"starting belief and the shop's own checks; {picture.head}")

    def start(self) -> list[Basis]:
        """Where learning starts that has no reference of its own."""
        if not self.another:
            return []
        value = f"the reference, judged {Judged.by(self.reference).words}: a guess, its variance doubled for that"
        return [Basis("starting belief", value, "practice", "one definition of strip is never converted into another")]

    def fading(self) -> Basis:
        """How fast checks lose their worth."""
        stated = self.system.entry.half_life_days is not None
        value = f"half after {self.belief.half_life_days:g} days"
        return Basis("what a check counts", value, "set-up" if stated else "default", "half_life_days")

    def words(self) -> list[str]:
        """What the checks moved and what is still the belief, in sentences."""
        return list(self._words)

    @cached_property
    def _words(self) -> list[str]:
        if self.learned is None:
            return ["Nothing is learned yet: there is no check, all of it is the starting belief."]
        return list(report(self.learned).words)

    def flags(self) -> list[Flag]:
        """What to know before these strip times are acted on."""
        key, found = self.system.key, []
        for other, count in self.gathered.other_definition.items():
            if self.learned is None:
                text = (
                    f"{several(count, 'check')} of {self.system.name} judged strip {other.words}, its reference "
                    f"{Judged.by(self.reference).words}: definitions are never mixed, so none of them is used; judge "
                    "as the reference does, or correct it"
                )
                found.append(Flag("other_definition", text, key))
        found += self.change.flags
        if self.learned is None:
            return found
        if self.learned.alarm:
            jump = self.learned.jumps[0]
            text = (
                f"the strip time of {self.system.name} jumped by {100 * math.expm1(jump.change):+.0f} % about "
                f"{jump.age_days:.0f} days ago ({several(jump.checks_since, 'check')} since): look for what changed, "
                "and check more moulds"
            )
            found.append(Flag("law_jumped", text, key))
        if not self.learned.settled:
            name = self.system.name
            text = f"the checks of {name} contradict each other: take its range with care, and withdraw what was a slip"
            found.append(Flag("law_not_settled", text, key))
        for sentence in self.words():
            code = next((code for mark, code in _NOT_TOLD_APART.items() if mark in sentence), "")
            if code and sentence.startswith("How t"):
                found.append(Flag(code, f"{self.system.name}: {sentence[0].lower()}{sentence[1:-1]}", key))
        return found

    def outside(self, temp_c: float, lever: float) -> list[Flag]:
        """Said where a question goes beyond what was checked."""
        if self.learned is None:
            return []
        found = []
        temps = [look.temp_c for look in self.gathered.looks]
        levers = [look.lever_now for look in self.gathered.looks]
        if not min(temps) - 1 <= temp_c <= max(temps) + 1:
            checked = " to ".join(dict.fromkeys(f"{end:.1f}" for end in (min(temps), max(temps))))
            text = f"sand at {temp_c:.1f} °C was not checked, only {checked} °C: the range is wider for that"
            found.append(Flag("temp_not_checked", text, self.system.key))
        step = self.system.step
        if not min(levers) - step <= lever <= max(levers) + step:
            checked = self.system.show(round(min(levers), 2), round(max(levers), 2))
            text = f"{self.system.show(round(lever, 2))} was not checked, only {checked}: the range is wider for that"
            found.append(Flag("setting_not_checked", text, self.system.key))
        return found

    def lots_now(self, held: list[Lot]) -> Lots:
        """Lots that most of each liquid in stock is of."""
        return lots.in_stock(self.system, held)

    def label(self, of: Lots, sand: Sand | None = None) -> int | None:
        """Label of lots on a sand for the strip times; None where nothing is learned or neither is told apart."""
        return None if self.learned is None else self.gathered.label(of, sand)

    def not_checked(self, picture: Picture, of: Lots, sand: Sand | None) -> list[Flag]:
        """Raise a lot, a sand, or a lot on a sand, of which no check was made."""
        gathered, found, lot = self.gathered, [], of.resin
        if self.learned is None:
            return []
        if lot and gathered.lots and lot not in gathered.lots:
            text = f"no check was made yet of resin lot {lot}: {_WIDER}"
            found.append(Flag("lot_not_checked", text, lot))
        for liquid, name in gathered.unchecked(of):
            material = picture.name("materials", self.system.liquids[liquid])
            text = f"no check was made yet of lot {name} of {material}: {_WIDER}"
            found.append(Flag("lot_not_checked", text, name))
        if sand is None or gathered.knows_sand(sand):
            if lot in gathered.lots and not found and not gathered.knows(of, sand):
                text = f"no check was made yet of {_together(of)} on this sand: {_WIDER}"
                found.append(Flag("lot_not_checked", text, lot))
            return found
        checked = "; ".join(words(picture, kind) for kind in gathered.sands)
        by = "what lots and sands have differed so far"
        if self._only_believed(sand):
            by = f"what lots have differed so far, and {100 * self.belief.lot_sd:.0f} % (one sd, a guess) at the least"
        text = (
            f"no check was made yet on this sand ({words(picture, sand)}), only on {checked}; a share more than "
            f"{ALIKE_SHARE:g} off counts as another sand: the range is wider, by {by}; a test piece first"
        )
        return [*found, Flag("sand_not_checked", text, self.system.key)]


def _together(of: Lots) -> str:
    return " with ".join([f"resin lot {of.resin}", *(f"lot {name}" for _, name in of.curing)])


@dataclass
class _Kept:
    """What one ledger's questions have worked out."""

    laws: dict[Any, Law] = field(default_factory=dict)
    fits: dict[Any, Learned] = field(default_factory=dict)


_KEPT: WeakKeyDictionary[Ledger, _Kept] = WeakKeyDictionary()


def learned_law(picture: Picture, system: System, definition: str | None = None) -> Law | None:
    """The law of a binder system at a moment, by the reference's definition of strip or another; None without one.

    Kept by the end of the chain, so that asking again costs two look-ups, and by what tells of its checks, so that a
    record of another kind costs little; a fit is kept by its checks.
    """
    belief, reference = system.belief, system.entry.reference
    if belief is None or reference is None:
        return None
    judged = Judged.by(reference)
    if definition is not None and definition != reference.definition:
        belief, judged = _of_another(belief), Judged(definition)
    kept = _KEPT.setdefault(picture.ledger, _Kept())
    made = picture.reader.connection.execute(
        "SELECT count(*), max(at) FROM record WHERE kind = 'strip_check' AND at <= ?", (picture.at,)
    ).fetchone()
    # a mould's mix may be of an earlier set-up's
    now = strength.now(picture, system)
    materials = (catalyst(system.entry), system.entry.resin, system.entry.part_1, system.entry.part_2)
    own = (system.key, belief, materials, now, judged, picture.day.revision, picture.today)
    key = (picture.head, picture.known_on, made, own)
    found = kept.laws.get(key)
    if found is None:
        at_first = strength.of_reference(picture, system)
        belief = replace(belief, at_lever=belief.at_lever * ratio(at_first.pct, now.pct))
        unchanged = (state(picture, belief.half_life_days), belief, own)
        found = kept.laws.get(unchanged)
        if found is None:
            strengths = Strengths(picture, system, since(picture, belief.half_life_days))
            gathered = gather(picture, system, belief.half_life_days, judged, strengths)
            fit = _fit(kept, belief, gathered, gathered.checks(picture))
            law = (belief.mean[2], belief.check_sd) if fit is None else (fit.mean[2], fit.check_sd[1])
            change = changed(picture, system, gathered, now, at_first, law)
            found = Law(system, reference, belief, gathered, fit, now, change)
            _keep(kept.laws, unchanged, found)
        _keep(kept.laws, key, found)
    return found if found.system == system else replace(found, system=system)  # mixes of a purpose go by their own


def _of_another(belief: Belief) -> Belief:
    """The belief about a definition of strip that the reference is not by: nobody converts one into another."""
    (time, *others), *rest = belief.covariance
    wider: Any = ((_AS_UNSURE_AGAIN * time, *others), *rest)
    return replace(belief, covariance=wider)


def _fit(kept: _Kept, belief: Belief, gathered: Gathered, checks: Checks) -> Learned | None:
    if not gathered.looks:
        return None
    key = learned_from(belief, checks)
    fit = kept.fits.get(key)
    if fit is None:
        fit = learn_from(belief, checks)
        _keep(kept.fits, key, fit)
    return fit if fit.checks else None


def learned_from(belief: Belief, checks: Checks) -> tuple[Any, ...]:
    """All that decides what is learned, to keep that by."""
    columns: Any = (checks.temp_c, checks.lever, checks.earliest_min, checks.latest_min, checks.age_days, checks.lot)
    return belief, *(column.tobytes() for column in columns)


def _keep(kept: dict[Any, Any], key: Any, value: Any) -> None:
    if len(kept) >= _MOST_KEPT:
        kept.clear()
    kept[key] = value
