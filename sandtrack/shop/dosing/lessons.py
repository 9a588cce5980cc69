"""What the shop's strip checks have taught, how well that foretold them, and which check to make next."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger import Ledger
from sandtrack.records import times
from sandtrack.records.observations import DEFINITIONS
from sandtrack.shop import dangers
from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.dosing import systems
from sandtrack.shop.dosing.checks import HIGHEST_C, LOWEST_C, lever_of_mix
from sandtrack.shop.dosing.inheritance import catalyst
from sandtrack.shop.dosing.learned import Law, learned_from, learned_law
from sandtrack.shop.dosing.sands import ALIKE_SHARE
from sandtrack.shop.dosing.serving import COVERAGE
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import several
from sandtrack.trade.learning import Backtest, Checks, Learned, backtest, learn_from, next_check, report

AT_C = 20.0
WORK_DAYS = 14  # practice: the work ahead is like that of the last two weeks
_MOST_MIXES = 200
_FITS = 60  # of the walk through the checks: enough to tell, and soon done
_MOST_WALKS = 16
_BRACKET_MIN = 5.0  # practice: a mould is looked at every five minutes
_LONGEST = 1.5  # practice: nobody waits much longer for a check than for the work's slowest moulds
_DAY = 86_400_000_000
_Z = 1.2815515655446004  # 80 % of a normal law lie within so many sds
_NAMES = ("reference_time", "activation_energy", "exponent")


def learned(picture: Picture, binder_system: str, definition: str | None = None) -> Answer:
    """What the law of a binder system is now, how far to trust it, and what to check next.

    It is the law of the reference's definition of strip; of another one, the law that its own checks teach.

    Values: `binder_system`, `definition`, `reading` and `scale` of the gauge that count (None and "" where not said),
    `catalyst` (material, or the pair of grades), `checks`, `worth` (the checks by their age), `from`, `until`, `lots`,
    `sands` (`shares` and `checks` of each that counts as different; a check that tells of none counts with the most
    usual), `left_out` (reason: checks), `reference` (`temp_c`, the lever), `strip_time_min`,
    `activation_energy_kj_mol`, `exponent` (of the amount) or `slope` (of the fast share), `check_sd`, `lot_sd`,
    `spans` (`sand_temp_c` and the lever, lowest and highest), `moved` (share of its variance that is gone, by number),
    `correlation` (of energy and exponent), `words`, `jumps`, `settled`, `alarm`, `trusted`, `trust_words`, `backtest`
    (None without checks), `next_check`.
    Ranges: the five numbers of the law. Raises UnknownName, InputErrors.
    """
    own = systems.named(picture.plant, binder_system)
    if definition is not None and definition not in DEFINITIONS:
        wrong = FieldError(field="definition", value=definition, reason="is not known", accepted=", ".join(DEFINITIONS))
        raise InputErrors([wrong], what="the question")
    law = learned_law(picture, own, definition)
    if law is None:
        way = f"add a reference to [binder_systems.{own.key}] of the set-up: checks are learned by it"
        return _answer(picture, {"binder_system": own.key}, because=f"no strip time of {own.name} is known", way=way)
    if law.another and not law.gathered.looks:
        because = f"no check of {own.name} that can be used judged strip {law.gathered.judged.words}"
        way = f"record such checks, or ask for the definition of the reference: {law.reference.definition}"
        return _answer(picture, {"binder_system": own.key}, because=because, way=way)
    checks = law.gathered.checks(picture)
    known = law.learned or learn_from(law.belief, checks)
    trust = _trust(walked(picture, law, checks))
    values = {**_of_the_checks(picture, law, known), **_of_the_law(law, known), **trust}
    flags = [*law.flags(), *_left_out(law)]
    basis = (
        law.basis(picture),
        *law.start(),
        law.fading(),
        Basis("back-test", "each check foretold from those before it", "derived", "prequential test (Dawid 1984)"),
        Basis("which sands count as one", f"shares that differ by {ALIKE_SHARE:g} at most", "practice", "learning"),
        Basis("when to trust", "20 checks with both bounds, 80 % ranges that hold 80 %", "practice", "learning"),
    )
    values["next_check"] = _next(picture, law, known)
    return _answer(picture, values, ranges=_ranges(law, known), basis=basis, flags=tuple(flags))


def _answer(
    picture: Picture,
    values: dict[str, Any],
    *,
    ranges: Mapping[str, Range] | None = None,
    basis: tuple[Basis, ...] = (),
    flags: tuple[Flag, ...] = (),
    because: str = "",
    way: str = "",
) -> Answer:
    return Answer(
        question="learned",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values=values,
        ranges=ranges or {},
        basis=basis,
        flags=flags,
        cautions=dangers.cautions("learned", flags=[flag.code for flag in flags]),
        possible=not because,
        because=because,
        instead=(way,) if way else (),
        head=picture.head,
    )


def _of_the_checks(picture: Picture, law: Law, known: Learned) -> dict[str, Any]:
    looks = law.gathered.looks
    temps, levers = [look.temp_c for look in looks], [look.lever for look in looks]
    gathered = law.gathered
    left_out = {f"by {other.definition}{other.gauge}": count for other, count in gathered.other_definition.items()}
    left_out |= {f"without {what}": count for what, count in gathered.unusable.items()}
    left_out |= gathered.other_material
    return {
        "binder_system": law.system.key,
        "definition": gathered.judged.definition,
        "reading": gathered.judged.reading,
        "scale": gathered.judged.scale,
        "catalyst": list(catalyst(law.system.entry)),
        "checks": len(looks),
        "worth": known.worth,
        "from": times.day_of(looks[0].seen.at, picture.zone) if looks else None,
        "until": times.day_of(looks[-1].seen.at, picture.zone) if looks else None,
        "lots": len(gathered.lots),
        "sands": [{"shares": sand, "checks": gathered.made_on[place]} for place, sand in enumerate(gathered.sands)],
        "left_out": left_out,
        "spans": {
            "sand_temp_c": [min(temps), max(temps)] if looks else None,
            law.system.lever_field: [min(levers), max(levers)] if looks else None,
        },
    }


def _usual(law: Law) -> float:
    return law.belief.at_lever if law.system.usual is None else law.system.usual


def _of_the_law(law: Law, known: Learned) -> dict[str, Any]:
    system = law.system
    told = report(known)
    slope = "slope" if law.belief.lever_kind == "grade" else "exponent"
    usual = _usual(law)
    return {
        "reference": {"temp_c": AT_C, system.lever_field: usual},
        "strip_time_min": _time(law, known)[1],
        "activation_energy_kj_mol": known.mean[1],
        slope: known.mean[2],
        "check_sd": known.check_sd[1],
        "lot_sd": known.lot_sd[1],
        "moved": {name: one.learned for name, one in zip(_NAMES, told.coefficients, strict=True)},
        "correlation": told.correlation,
        "words": law.words(),
        "jumps": [
            {
                "age_days": jump.age_days,
                "checks_since": jump.checks_since,
                "change_pct": 100 * math.expm1(jump.change),
            }
            for jump in known.jumps
        ],
        "settled": known.settled,
        "alarm": known.alarm,
    }


def _time(law: Law, known: Learned) -> tuple[float, float, float]:
    """Middle strip time at 20 °C and the usual setting: the law's own doubt, without that of one mould or lot. [min]"""
    itself = replace(law.belief, mean=known.mean, covariance=known.covariance, check_sd=0.0, lot_sd=0.0)
    return itself.strip_range_min(AT_C, _usual(law), coverage=COVERAGE)


def _ranges(law: Law, known: Learned) -> dict[str, Range]:
    usual = law.system.show(_usual(law))
    one_mould = law.times.strip_range_min(AT_C, _usual(law), coverage=COVERAGE)
    ranges = {
        "strip_time_min": Range(
            *_time(law, known), COVERAGE, f"the middle strip time at {AT_C:g} °C and {usual}, of all moulds"
        ),
        "strip_time_of_a_mould_min": Range(*one_mould, COVERAGE, "the strip time of the next mould there"),
    }
    names = ("activation_energy_kj_mol", "slope" if law.belief.lever_kind == "grade" else "exponent")
    meanings = ("how strip time falls with warmth", f"how strip time falls with the {law.system.lever_word}")
    for at, (name, meaning) in enumerate(zip(names, meanings, strict=True), start=1):
        reach = _Z * math.sqrt(max(known.covariance[at][at], 0.0))
        middle = known.mean[at]
        ranges[name] = Range(middle - reach, middle, middle + reach, COVERAGE, meaning)
    ranges["check_sd"] = Range(*known.check_sd, COVERAGE, "chance of one mould, sd of ln(time)")
    ranges["lot_sd"] = Range(*known.lot_sd, COVERAGE, "one lot of resin against another, sd of ln(time)")
    return ranges


def _left_out(law: Law) -> list[Flag]:
    """Checks that lack something: told, so that they are put right."""
    key = law.system.key
    return [
        Flag(
            "checks_unusable",
            f"{several(count, 'check')} of {law.system.name} without {what}: not used; withdraw such a check and "
            "record it whole",
            key,
        )
        for what, count in law.gathered.unusable.items()
    ]


_WALKS: WeakKeyDictionary[Ledger, dict[Any, Backtest]] = WeakKeyDictionary()


def walked(picture: Picture, law: Law, checks: Checks) -> Backtest | None:
    """The walk through the checks, kept by what they say: it takes a second where there are hundreds."""
    if not len(checks):
        return None
    kept = _WALKS.setdefault(picture.ledger, {})
    key = learned_from(law.belief, checks)
    if key not in kept:
        if len(kept) > _MOST_WALKS:
            kept.clear()
        kept[key] = backtest(law.belief, checks, max(1, math.ceil(len(checks) / _FITS)))
    return kept[key]


def _trust(test: Backtest | None) -> dict[str, Any]:
    if test is None:
        return {"trusted": False, "trust_words": "Not yet: there is no check.", "backtest": None}
    told = {
        "checks": test.checks,
        "closed": test.closed,
        "stride": test.stride,
        "inside_50": test.inside_50,
        "inside_80": test.inside_80,
        "inside_95": test.inside_95,
        "closed_inside_80": test.closed_inside_80,
        "error_pct": 100 * math.expm1(test.error),
        "error_default_pct": 100 * math.expm1(test.error_default),
        "error_mean_pct": 100 * math.expm1(test.error_mean),
    }
    plain = {name: None if math.isnan(value) else value for name, value in told.items()}
    return {"trusted": test.trusted, "trust_words": test.words, "backtest": plain}


def _next(picture: Picture, law: Law, known: Learned) -> dict[str, Any]:
    """The check that teaches most for work like that of the last two weeks, among what such work can be set to."""
    temps, levers = _work(picture, law)
    window = law.system.settings()
    low = max(min(levers) * 0.8, window[0]) if law.belief.lever_kind == "amount" else window[0]
    high = min(max(levers) * 1.2, window[-1]) if law.belief.lever_kind == "amount" else window[-1]
    settings = sorted({min(window, key=lambda one: abs(one - lever)) for lever in np.linspace(low, high, 9)})
    possible = sorted({float(round(temp)) for temp in np.quantile(temps, [0.0, 0.25, 0.5, 0.75, 1.0])})
    longest = _LONGEST * max(known.strip_range_min(temp, lever)[1] for temp, lever in zip(temps, levers, strict=True))
    soon = [one for one in settings if known.strip_range_min(min(possible), one)[1] <= longest]
    settings = soon or [settings[-1]]
    found = next_check(
        known, work_temp_c=temps, work_lever=levers, temps_c=possible, levers=settings, bracket_min=_BRACKET_MIN
    )
    words = (
        f"Check a mould at {found.temp_c:g} °C with {law.system.show(found.lever)}, looking every {_BRACKET_MIN:g} min "
        f"round {found.look_at_min:.0f} min: it is expected to take away {100 * found.gain:.0f} % of the doubt about "
        f"the work ahead, a check on that work itself {100 * found.usual_gain:.0f} %."
    )
    return {
        "sand_temp_c": found.temp_c,
        law.system.lever_field: found.lever,
        "look_at_min": found.look_at_min,
        "gain": found.gain,
        "usual_gain": found.usual_gain,
        "words": words,
    }


def _work(picture: Picture, law: Law) -> tuple[list[float], list[float]]:
    """Sand temperatures and settings of the last two weeks' mixes; without any, those of the reference."""
    temps, levers = [], []
    since = picture.at - WORK_DAYS * _DAY
    for mix in picture.records("mix", since=since, newest_first=True, naming=(law.system.key,), timed=True):
        if mix.values["binder_system"] != law.system.key or "sand_temp_c" not in mix.values:
            continue
        lever = lever_of_mix(picture, law.system, mix)
        if lever is not None and law.system.window.holds(lever) and LOWEST_C <= mix.values["sand_temp_c"] <= HIGHEST_C:
            temps.append(mix.values["sand_temp_c"])
            levers.append(lever)
        if len(temps) >= _MOST_MIXES:
            break
    return (temps, levers) if temps else ([law.belief.at_temp_c], [_usual(law)])
