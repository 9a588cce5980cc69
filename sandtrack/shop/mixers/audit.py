"""What the mixes really held against what they should have: charts of what is dosed, drifts dated, tanks compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.mixers import charts, tanks
from sandtrack.shop.mixers.charts import CHANCE, WEIGHT, WIDTH, Chart, Drift
from sandtrack.shop.mixers.demands import FEWEST_CHARTED, FEWEST_LEARNED, STREAM_SD_PCT, Series, series
from sandtrack.shop.mixers.doses import DAY_US, Mix, Reader
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import clock, day, several

USUAL_DAYS = 35
"""How long a period is asked about where none is said."""
LEARN_DAYS = 90
"""How far back before the period limits are learned."""
LEVEL_COVERAGE = 0.95
WORDS = {
    "catalyst_pct": "catalyst",
    "fast_share": "share of the fast grade",
    "resin_pct": "resin on sand",
    "co_reactant_pct": "ester on resin",
    "reclaimed_share": "share of reclaimed sand",
}


def audit(picture: Picture, mixer: str | None, since: int, until: int) -> Answer:
    """What mixes held against what they should have, by mixer, binder system and thing dosed.

    Values: `since`, `until`, `series` {MIXER.SYSTEM.WHAT: unit, demand, tolerance, learned, readings, mixes,
    charted_from, off, false_alarms_at_most, readings_a_false_alarm, mixes_to_find_tolerance, points [{at, until, mixes,
    value, wanted, off, low, high, ewma_sd}]}, `drifts` [{series, first, not_before, first_earliest, first_latest,
    found_at, chart, mixes_until_found, back_after, off, largest_off, tolerance}], `tanks` [{place, material, by,
    since, until, doses_kg, measured_kg, off_pct, within_errors}], `not_judged` {MIXER.SYSTEM.WHAT: because}.
    Ranges: `off.SERIES`, `drifts.N` (off), `drawn_kg.N` (of tanks). WHAT is one of catalyst_pct, fast_share, resin_pct,
    co_reactant_pct, reclaimed_share; off is in % of what was wanted, or in points of a share.
    """
    if mixer is not None:
        picture.plant.named("mixers", mixer)
    reader = Reader(picture)
    back = since - LEARN_DAYS * DAY_US
    mixes = reader.mixes(back, until, mixer)
    settings = reader.settings(back, until, [mix for found in mixes.values() for mix in found])
    told: dict[str, Any] = {}
    not_judged: dict[str, str] = {}
    drifts: list[dict[str, Any]] = []
    flags: list[Flag] = []
    ranges: dict[str, Range] = {}
    for found in mixes.values():
        for one in series(found, settings, since):
            tolerance = _tolerance(picture, one)
            chart = charts.chart(one, tolerance)
            if chart is None:
                not_judged[one.key] = _too_little(one)
                continue
            told[one.key] = _series(picture, chart, tolerance)
            off, error = chart.level()
            ranges[f"off.{one.key}"] = Range(
                off - 2 * error,
                off,
                off + 2 * error,
                LEVEL_COVERAGE,
                "of the period's true mean, by chance of its mixes",
            )
            steady = not chart.drifts
            if steady and tolerance is not None and abs(off) - 2 * error > tolerance:
                flags.append(_steadily_off(picture, one, off, tolerance))
            for drift in chart.drifts:
                entry = _drift(picture, chart, drift, found, tolerance)
                mean, error = chart.level(drift.first, drift.last)
                ranges[f"drifts.{len(drifts)}"] = Range(
                    mean - 2 * error, mean, mean + 2 * error, LEVEL_COVERAGE, "of the drift's true mean, by chance"
                )
                drifts.append(entry)
                flags.append(_drift_flag(picture, chart, drift, entry))
    compared = tanks.drawn(picture, mixer, since, until)
    ranges |= {f"drawn_kg.{number}": one.span() for number, one in enumerate(compared)}
    flags += [one.flag(picture) for one in compared if one.surely_off]
    return Answer(
        question="audit",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={
            "since": times.show(since, picture.zone),
            "until": times.show(until, picture.zone),
            "mixer": mixer,
            "series": told,
            "drifts": drifts,
            "tanks": [one.told(picture) for one in compared],
            "not_judged": not_judged,
        },
        ranges=ranges,
        basis=_basis(picture, told),
        flags=tuple(flags),
        possible=bool(told or compared),
        because="" if told or compared else "too little is recorded in the period to judge any mixer's doses",
        instead=()
        if told or compared
        else (f"ask for a longer period: {FEWEST_LEARNED} days of mixing to learn from",),
        head=picture.head,
    )


def _basis(picture: Picture, told: Mapping[str, Any]) -> tuple[Basis, ...]:
    fewest = min((entry["learned"] for entry in told.values()), default=FEWEST_LEARNED)
    lasts = round(1 / charts.false_alarms_a_reading(fewest))
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
            f"centre and spread of the readings of the {LEARN_DAYS} days before, {FEWEST_LEARNED} or more, else of the "
            f"period's first; single readings at {WIDTH:g} sd and moving average (weight {WEIGHT:g}) at {WIDTH:g} sd",
            "derived",
            "NIST/SEMATECH e-Handbook 6.3.2",
        ),
        Basis(
            "false alarms",
            f"at most one in {lasts:,} readings where fewest were learned from ({fewest}), rough limits counted in; "
            "for independent, normal readings",
            "derived",
            "Crowder, Technometrics 29 (1987) 401; average over the limits' own errors",
        ),
        Basis(
            "spread of a reading",
            f"in proportion to chance of {STREAM_SD_PCT:g} % a stream and mix, and to rounding of totalisers; never "
            f"less than {charts.LEAST_SD_OF_TOLERANCE:.0%} of the tolerance",
            "practice",
            "proportion alone; its size is learned",
        ),
        Basis(
            "date of a drift",
            f"the likeliest single step ({CHANCE:.0%} range); a slow slide is dated late, by its first clear reading",
            "derived",
            "Hinkley, Biometrika 57 (1970) 1",
        ),
    )


def _tolerance(picture: Picture, one: Series) -> float | None:
    """The mixer's tolerance of what is dosed, in the unit of its readings."""
    mixer: Mixer = picture.day.find("mixers", one.mixer)
    kinds = {"resin_pct": mixer.resin_tolerance_pct, "reclaimed_share": mixer.sand_tolerance_pct}
    tolerance = kinds.get(one.what, mixer.catalyst_tolerance_pct)
    if tolerance is None or one.unit == "%" or not one.readings:
        return tolerance
    # One of two streams off by its tolerance moves a share x by x(1 − x) of it, most in the middle.
    wanted = 0.5 if one.what == "fast_share" else one.readings[0].wanted
    return tolerance * wanted * (1 - wanted)


def _too_little(one: Series) -> str:
    if one.enough:
        return "its readings do not vary, and the set-up has no tolerance"
    needed = f"{FEWEST_LEARNED} to learn its limits from and {FEWEST_CHARTED} to chart"
    return f"{len(one.readings)} readings where {needed} are needed"


def _series(picture: Picture, chart: Chart, tolerance: float | None) -> dict[str, Any]:
    one, zone = chart.series, picture.zone
    rate = charts.false_alarms_a_reading(one.learned)
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
        "learned": one.learned,
        "readings": len(points),
        "mixes": sum(reading.mixes for reading in one.charted),
        "charted_from": points[0]["at"],
        "off": chart.level()[0],
        "false_alarms_at_most": rate * len(points),
        "readings_a_false_alarm": 1 / rate,
        "mixes_to_find_tolerance": None if tolerance is None else _mixes_to_find(chart, tolerance),
        "points": points,
    }


def _mixes_to_find(chart: Chart, tolerance: float) -> float:
    """Mixes until a lasting error of the tolerance is found, on average, days without a reading left out. [mixes]"""
    charted = chart.series.charted
    sd = sum(chart.sd(reading) for reading in charted) / len(charted)
    return charts.readings_to_find(tolerance / sd) * sum(reading.mixes for reading in charted) / len(charted)


def _drift(
    picture: Picture, chart: Chart, drift: Drift, mixes: Sequence[Mix], tolerance: float | None
) -> dict[str, Any]:
    readings, learned, zone = chart.series.charted, chart.series.learned, picture.zone
    first, found = readings[drift.first].group, readings[drift.found].group
    before = chart.series.readings[learned + drift.first - 1].group.mixes[-1].at
    held = readings[drift.first : None if drift.last is None else drift.last + 1]
    return {
        "series": chart.series.key,
        "first": times.show(first.start, zone),
        "not_before": times.show(before, zone),
        "first_earliest": times.show(readings[drift.earliest].group.start, zone),
        "first_latest": times.show(readings[drift.latest].group.start, zone),
        "found_at": times.show(found.end, zone),
        "chart": drift.chart,
        "mixes_until_found": sum(first.start <= mix.at <= found.end for mix in mixes),
        "back_after": None if drift.last is None else times.show(readings[drift.last].group.mixes[-1].at, zone),
        "off": chart.level(drift.first, drift.last)[0],
        "largest_off": max((reading.off for reading in held), key=abs),
        "tolerance": tolerance,
    }


def _drift_flag(picture: Picture, chart: Chart, drift: Drift, entry: Mapping[str, Any]) -> Flag:
    one, zone = chart.series, picture.zone
    first, found = one.charted[drift.first].group, one.charted[drift.found].group
    off, unit = entry["off"], "%" if one.unit == "%" else "points"
    tolerance = entry["tolerance"]
    allowed = "" if tolerance is None else f"; tolerance {tolerance:.2g} {unit}"
    end = "and still is" if drift.last is None else f"until {day(one.charted[drift.last].group.mixes[-1].at, zone)}"
    return Flag(
        "dose_drift",
        f"{WORDS[one.what]} of {picture.name('binder_systems', one.system)} on {picture.name('mixers', one.mixer)} was "
        f"{abs(off):.2g} {unit} {'above' if off > 0 else 'below'} what it should be from {day(first.start, zone)} {end}"
        f" (at most {abs(entry['largest_off']):.2g}{allowed}); it could be seen on {clock(found.end, zone)}, "
        f"{several(entry['mixes_until_found'], 'mix')} after its first clear reading: weigh a timed catch of each pump",
        one.mixer,
    )


def _steadily_off(picture: Picture, one: Series, off: float, tolerance: float) -> Flag:
    unit = "%" if one.unit == "%" else "points"
    return Flag(
        "dose_off",
        f"{WORDS[one.what]} of {picture.name('binder_systems', one.system)} on {picture.name('mixers', one.mixer)} was "
        f"steadily {abs(off):.2g} {unit} {'above' if off > 0 else 'below'} what it should be (tolerance {tolerance:.2g}"
        f" {unit}): weigh a timed catch of each pump, or correct the set-up",
        one.mixer,
    )
