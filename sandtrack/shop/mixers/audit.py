"""What the mixes really held against what they should have: charts of what is dosed, drifts dated, tanks compared."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop import dangers
from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.mixers import charts, said, tanks
from sandtrack.shop.mixers.charts import CHANCE, WEIGHT, WIDTH, Chart, Drift
from sandtrack.shop.mixers.demands import (
    FAR_OFF_PCT,
    FEWEST_LEARNED,
    PLENTY_LEARNED,
    STREAM_SD_PCT,
    Demands,
    FarOff,
    Reading,
    Series,
)
from sandtrack.shop.mixers.doses import DAY_US, Mix, Reader
from sandtrack.shop.picture import Picture

USUAL_DAYS = 35
"""How long a period is asked about where none is said."""
LEARN_DAYS = 90
"""How far back before the period limits are learned."""
LEVEL_COVERAGE = 0.95


def audit(picture: Picture, mixer: str | None, since: int, until: int) -> Answer:
    """What mixes held against what they should have, by mixer, binder system and thing dosed.

    Values: `since`, `until`, `series` {MIXER.SYSTEM.WHAT: mixer, binder_system, what, unit, demand, demand_tag,
    tolerance, learned, left_out, readings, mixes, mixes_made, off, usual_off, state, false_alarms_at_most,
    readings_a_false_alarm, mixes_to_find_tolerance, points [{at, until, mixes, value, wanted, off, low, high,
    ewma_sd}]}, `drifts` [{series, first, not_before, not_after, sudden_chance, found_at, chart,
    mixes_until_found, mixes, back_after, off, usual_off, largest_off, tolerance}], `far_off` [{mixer, binder_system,
    what, mix, at, moulds, pct, others_pct, off_pct}], `tanks` [{place, material, by, whole, since, until, doses_kg,
    measured_kg, off_kg, off_pct, within_errors, surely_off}], `not_judged` {MIXER.SYSTEM.WHAT or place: because}.
    Ranges: `off.SERIES`, `drifts.N` (off), `drawn_kg.N` (of tanks). WHAT is one of catalyst_pct, fast_share, resin_pct,
    co_reactant_pct, part_2_pct, reclaimed_share; off is in % of what was wanted, or in points of a share.
    """
    if mixer is not None:
        picture.plant.named("mixers", mixer)
    reader = Reader(picture)
    back = since - LEARN_DAYS * DAY_US
    mixes = reader.mixes(back, until, mixer)
    settings = reader.settings(back, until, [mix for found in mixes.values() for mix in found])
    judged = _Judged(picture)
    for found in mixes.values():
        demands = Demands(found, settings, since)
        for one in demands.series():
            judged.series(one, found)
        for alone in demands.far_off():
            judged.far_off(alone)
    compared, uncompared = tanks.drawn(picture, mixer, since, until)
    possible = bool(judged.told or compared)
    flags = (*judged.flags, *tanks.flags(picture, compared))
    return Answer(
        question="audit",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={
            "since": times.show(since, picture.zone),
            "until": times.show(until, picture.zone),
            "mixer": mixer,
            "series": judged.told,
            "drifts": judged.drifts,
            "far_off": judged.alone,
            "tanks": [one.told(picture) for one in compared],
            "not_judged": judged.not_judged | uncompared,
        },
        ranges=judged.ranges | {f"drawn_kg.{number}": one.span() for number, one in enumerate(compared)},
        basis=_basis(picture, judged.told),
        flags=flags,
        cautions=dangers.cautions("audit", flags=[flag.code for flag in flags]),
        possible=possible,
        because="" if possible else "too little is recorded in the period to judge any mixer's doses",
        instead=() if possible else (f"ask for a longer period: {FEWEST_LEARNED} days of mixing to learn from",),
        head=picture.head,
    )


class _Judged:
    """What was found of every series, gathered for the answer."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture
        self.told: dict[str, Any] = {}
        self.not_judged: dict[str, str] = {}
        self.drifts: list[dict[str, Any]] = []
        self.alone: list[dict[str, Any]] = []
        self.ranges: dict[str, Range] = {}
        self.flags: list[Flag] = []

    def series(self, one: Series, mixes: Sequence[Mix]) -> None:
        """Chart one series of a mixer's mixes."""
        tolerance = _tolerance(self.picture, one)
        chart = charts.chart(one, tolerance)
        if isinstance(chart, str):
            self.not_judged[one.key] = chart
            return
        self.told[one.key] = _series(self.picture, chart, tolerance)
        self.ranges[f"off.{one.key}"] = _range(chart, one.charted, "of the period's true mean, by chance of its mixes")
        usual = _surely_beyond(chart, tolerance)
        lasting = any(drift.last is None for drift in chart.drifts)
        if usual is not None and tolerance is not None and not lasting:
            self.flags.append(said.steadily_off(self.picture, one, usual, tolerance))
        for drift in chart.drifts:
            entry = _drift(self.picture, chart, drift, mixes, tolerance)
            self.ranges[f"drifts.{len(self.drifts)}"] = _range(
                chart, chart.held(drift), "of the drift's true mean, by chance"
            )
            self.drifts.append(entry)
            counted = entry["mixes_until_found"], entry["mixes"]
            self.flags.append(said.drift(self.picture, chart, drift, counted, tolerance))

    def far_off(self, one: FarOff) -> None:
        """Tell a single mix."""
        self.alone.append(
            {
                "mixer": one.mix.mixer,
                "binder_system": one.mix.system.key,
                "what": one.what,
                "mix": one.mix.id,
                "at": times.show(one.mix.at, self.picture.zone),
                "moulds": list(one.mix.moulds),
                "pct": one.pct,
                "others_pct": one.others_pct,
                "off_pct": one.off_pct,
            }
        )
        self.flags.append(said.far_off(self.picture, one))


def _basis(picture: Picture, told: Mapping[str, Any]) -> tuple[Basis, ...]:
    soonest = min((entry["readings_a_false_alarm"] for entry in told.values()), default=math.inf)
    return (
        Basis(
            "doses",
            "masses of each mix as its record says, summed by day or by setting in force",
            "record",
            picture.head,
        ),
        *(Basis(f"{key} should be", entry["demand"], entry["demand_tag"], "audit") for key, entry in told.items()),
        Basis(
            "limits",
            f"centre and spread of the readings of the {LEARN_DAYS} days before; where they are fewer than "
            f"{FEWEST_LEARNED}, up to {PLENTY_LEARNED} with the period's first; less what drifted among them; single "
            f"readings at {WIDTH:g} sd and moving average (weight {WEIGHT:g}) at {WIDTH:g} sd",
            "derived",
            "NIST/SEMATECH e-Handbook 6.3.2",
        ),
        Basis(
            "false alarms",
            f"at most one in {soonest:,.0f} readings of any one series, rough limits counted in; for independent, "
            "normal readings",
            "derived",
            "Crowder, Technometrics 29 (1987) 401; average over the limits' own errors",
        ),
        Basis(
            "spread of a reading",
            f"in proportion to chance of {STREAM_SD_PCT:g} % a stream and mix, and to rounding of totalisers; never "
            f"less than {100 * charts.LEAST_SD_OF_TOLERANCE:g} % of the tolerance",
            "practice",
            "proportion alone; its size is learned",
        ),
        Basis(
            "date of a drift",
            "a start at once and by a slide weighed against each other: as likely later as earlier, "
            f"{100 * CHANCE:g} % range; a slide slower than 0.1 sd a reading is dated some readings late",
            "derived",
            "Hinkley, Biometrika 57 (1970) 1; Perry & Pignatiello, QTQM 3 (2006) 325",
        ),
        Basis(
            "end of a drift",
            "two readings or more that speak a thousand to one for the usual level",
            "derived",
            "Page, Biometrika 41 (1954) 100",
        ),
        Basis(
            "single mixes",
            f"told where they are {FAR_OFF_PCT:g} % off the others of their day, beyond chance and rounding",
            "practice",
            "a mould's own bond is in question",
        ),
        Basis("tanks", tanks.MEANING, "derived", "first reading + in − out − last reading"),
    )


def _tolerance(picture: Picture, one: Series) -> float | None:
    """The mixer's tolerance of what is dosed, in the unit of its readings."""
    mixer: Mixer = picture.day.find("mixers", one.mixer)
    resin = mixer.resin_tolerance_pct
    kinds = {"resin_pct": resin, "part_2_pct": resin, "reclaimed_share": mixer.sand_tolerance_pct}
    tolerance = kinds.get(one.what, mixer.catalyst_tolerance_pct)
    if tolerance is None or one.unit == "%" or not one.readings:
        return tolerance
    # One of two streams off by its tolerance moves a share x by x(1 − x) of it, most in the middle.
    wanted = 0.5 if one.what == "fast_share" else one.readings[0].wanted
    return tolerance * wanted * (1 - wanted)


def _range(chart: Chart, held: Sequence[Reading], meaning: str) -> Range:
    mean, error = chart.level(held)
    return Range(mean - 2 * error, mean, mean + 2 * error, LEVEL_COVERAGE, meaning)


def _surely_beyond(chart: Chart, tolerance: float | None) -> float | None:
    """The mean of what did not drift, where it is surely beyond the tolerance."""
    steady = chart.steady()
    if tolerance is None or not steady:
        return None
    off, error = chart.level(steady)
    return off if abs(off) - 2 * error > tolerance else None


def _series(picture: Picture, chart: Chart, tolerance: float | None) -> dict[str, Any]:
    one, zone = chart.series, picture.zone
    rate = chart.false_alarms_a_reading
    points = [
        {
            "at": times.show(reading.group.start, zone),
            "until": times.show(reading.group.mixes[-1].at, zone),
            "mixes": reading.mixes,
            "value": reading.value,
            "wanted": reading.wanted,
            "off": reading.off,
            "low": chart.centre - WIDTH * chart.sd(reading),
            "high": chart.centre + WIDTH * chart.sd(reading),
            "ewma_sd": path,
        }
        for reading, path in zip(one.charted, chart.path, strict=True)
    ]
    return {
        "mixer": one.mixer,
        "binder_system": one.system,
        "what": one.what,
        "unit": one.unit,
        "demand": one.demand,
        "demand_tag": one.tag,
        "tolerance": tolerance,
        "learned": chart.learned,
        "left_out": len(chart.left_out),
        "readings": len(points),
        "mixes": sum(reading.mixes for reading in one.charted),
        "mixes_made": one.made,
        "off": chart.level(one.charted)[0],
        "usual_off": chart.centre,
        "state": "drifted" if chart.drifts else "steady" if _surely_beyond(chart, tolerance) is None else "off",
        "false_alarms_at_most": rate * len(points),
        "readings_a_false_alarm": 1 / rate,
        "mixes_to_find_tolerance": None if tolerance is None else _mixes_to_find(chart, tolerance),
        "points": points,
    }


def _mixes_to_find(chart: Chart, tolerance: float) -> float:
    """Mixes made until a lasting error of the tolerance is found, on average, those not judged included. [mixes]"""
    one = chart.series
    sd = sum(chart.sd(reading) for reading in one.charted) / len(one.charted)
    return charts.readings_to_find(tolerance / sd) * one.made / len(one.charted)


def _drift(
    picture: Picture, chart: Chart, drift: Drift, mixes: Sequence[Mix], tolerance: float | None
) -> dict[str, Any]:
    readings, zone, held = chart.series.readings, picture.zone, chart.held(drift)
    found, last, began = readings[drift.found].group, held[-1].group.mixes[-1].at, chart.before(drift.first)
    return {
        "series": chart.series.key,
        "first": times.show(held[0].group.start, zone),
        "not_before": times.show(chart.before(drift.earliest), zone),
        "not_after": times.show(readings[drift.latest].group.start, zone),
        "sudden_chance": drift.sudden,
        "found_at": times.show(found.end, zone),
        "chart": drift.chart,
        "mixes_until_found": sum(began < mix.at <= found.end for mix in mixes),
        "mixes": sum(began < mix.at and (drift.last is None or mix.at <= last) for mix in mixes),
        "back_after": None if drift.last is None else times.show(last, zone),
        "off": chart.level(held)[0],
        "usual_off": chart.centre,
        "largest_off": max((reading.off for reading in held), key=abs),
        "tolerance": tolerance,
    }
