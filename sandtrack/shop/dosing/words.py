"""Times in the moulder's words."""

from __future__ import annotations

import math

from sandtrack import units

_COARSE_FROM_MIN = 30


def minutes(value_min: float) -> str:
    """A time for people."""
    return units.show(value_min, "time")


def at_least(value_min: float) -> str:
    """A time that surely remains, never rounded up.

    >>> at_least(18.96), at_least(6.28)
    ('18 min', '6.2 min')
    """
    return minutes(math.floor(value_min) if value_min >= 10 else math.floor(10 * value_min) / 10)


def moulders_words(strip_min: tuple[float, float, float], fill_min: float | None = None) -> str:
    """A strip time as one says it on the floor: the range is widened to the round numbers outside it.

    With the time to fill, on both clocks: that of the last sand and that of the first.

    >>> moulders_words((64.8, 80.9, 101.0))
    '80 minutes, could be 60 to 105; test, then draw'
    >>> moulders_words((64.8, 80.9, 101.0), 11.2)
    '80 minutes from the last sand, could be 60 to 105; filled in 12, so 95 from the first; test, then draw'
    """
    low, middle, high = strip_min
    grain = 5 if middle >= _COARSE_FROM_MIN else 1
    said = round(middle / grain) * grain
    first, last = math.floor(low / grain) * grain, math.ceil(high / grain) * grain
    if last <= 180:
        times, unit = (f"{said} minutes", f"could be {first} to {last}"), ""
    else:
        times, unit = (minutes(said), f"could be {minutes(first)} to {minutes(last)}"), " min"
    if fill_min is None:
        return f"{times[0]}, {times[1]}; test, then draw"
    filled, whole = math.ceil(fill_min), math.ceil((middle + fill_min) / grain) * grain
    both = f"{whole:g}" if not unit else minutes(whole)
    return (
        f"{times[0]} from the last sand, {times[1]}; filled in {filled}{unit}, so {both} from the first; "
        "test, then draw"
    )
