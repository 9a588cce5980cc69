"""What the audit says in words: drifts, steady errors, single mixes."""

from __future__ import annotations

from sandtrack.shop.answer import Flag
from sandtrack.shop.mixers.charts import LEAST_SD_OF_TOLERANCE, Chart, Drift
from sandtrack.shop.mixers.demands import FarOff, Series
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import clock, day, several

WORDS = {
    "catalyst_pct": "catalyst",
    "fast_share": "share of the fast grade",
    "resin_pct": "resin on sand",
    "co_reactant_pct": "hardener on resin",
    "part_2_pct": "part 2 on part 1",
    "reclaimed_share": "share of reclaimed sand",
}
SLOWLY = 0.1
"""Chance of a sudden start below which a drift is called a slide."""


def drift(picture: Picture, chart: Chart, found: Drift, mixes: tuple[int, int], tolerance: float | None) -> Flag:
    """From what to what, since and until when, how soon it could be seen, what to do; mixes: until found, in all."""
    one, zone = chart.series, picture.zone
    held = chart.held(found)
    first, latest = (day(one.readings[at].group.start, zone) for at in (found.first, found.latest))
    after = day(chart.before(found.earliest), zone)
    slowly = "slowly " if found.sudden < SLOWLY else ""
    back = "still is" if found.last is None else f"was back after {day(held[-1].group.mixes[-1].at, zone)}"
    off, largest = chart.level(held)[0], max(abs(reading.off) for reading in held)
    return Flag(
        "dose_drift",
        f"{_subject(picture, one)} was {_usual(chart, tolerance)} and went {slowly}to {_off(off, one)} what it should "
        f"be, at most {largest:.1f} {one.unit}{_allowed(one, tolerance)}. It began about {first} (after {after}, by "
        f"{latest}) and {back}: {several(mixes[1], 'mix')} at most. It could be seen on "
        f"{clock(one.readings[found.found].group.end, zone)}, at most {several(mixes[0], 'mix')} after it began. "
        f"{_to_do(chart, found, off, largest, tolerance)}",
        one.mixer,
    )


def steadily_off(picture: Picture, one: Series, off: float, tolerance: float) -> Flag:
    """A steady error beyond the tolerance."""
    return Flag(
        "dose_off",
        f"{_subject(picture, one)} was steadily {_off(off, one)} what it should be{_allowed(one, tolerance)}: "
        f"{_weigh(one)}, or correct the set-up",
        one.mixer,
    )


def far_off(picture: Picture, one: FarOff) -> Flag:
    """One mix unlike the others of its day, and its moulds."""
    mix = one.mix
    moulds = f", mould {', '.join(mix.moulds)}" if mix.moulds else ""
    return Flag(
        "mix_far_off",
        f"mix {mix.id} of {picture.name('mixers', mix.mixer)} on {clock(mix.at, picture.zone)}{moulds}: "
        f"{WORDS[one.what]} {one.pct:.3g} %, the others of its day {one.others_pct:.3g} %. Look at what it filled "
        "before it is used, or correct the record",
        mix.id,
    )


def _subject(picture: Picture, one: Series) -> str:
    system, mixer = picture.name("binder_systems", one.system), picture.name("mixers", one.mixer)
    return f"{WORDS[one.what]} of {system} on {mixer}"


def _off(value: float, one: Series) -> str:
    return f"{abs(value):.1f} {one.unit} {'above' if value >= 0 else 'below'}"


def _usual(chart: Chart, tolerance: float | None) -> str:
    """Where it was before; a tenth of the tolerance matters to nobody."""
    close = LEAST_SD_OF_TOLERANCE * (tolerance or 0.0)
    return "as it should be" if abs(chart.centre) <= close else _off(chart.centre, chart.series)


def _allowed(one: Series, tolerance: float | None) -> str:
    return "" if tolerance is None else f" (tolerance {tolerance:.2g} {one.unit})"


def _weigh(one: Series) -> str:
    return "weigh a timed catch of each gate" if one.what == "reclaimed_share" else "weigh a timed catch of each pump"


def _to_do(chart: Chart, found: Drift, off: float, largest: float, tolerance: float | None) -> str:
    """What to do about a drift."""
    one = chart.series
    if found.last is not None:
        return "It is back: note what put it right, and look at what those mixes filled"
    if tolerance is not None and largest <= tolerance:
        if abs(off) < abs(chart.centre):
            return "That is nearer to what it should be: note what put it right"
        return f"Within its tolerance so far: {_weigh(one)} before it is beyond"
    doubt = {
        "catalyst_pct": ", and see that the setting was noted right",
        "fast_share": ", and see that the setting was noted right",
        "reclaimed_share": ", or was the share changed on purpose?",
    }
    return f"{_weigh(one).capitalize()}{doubt.get(one.what, '')}"
