"""Times in the moulder's words."""

from __future__ import annotations

import math

from sandtrack import units

_COARSE_FROM_MIN = 30


def minutes(value_min: float) -> str:
    """A time for people."""
    return units.show(value_min, "time")


def moulders_words(strip_min: tuple[float, float, float]) -> str:
    """A strip time as one says it on the floor: the range is widened to the round numbers outside it.

    >>> moulders_words((64.8, 80.9, 101.0))
    '80 minutes, could be 60 to 105; test, then draw'
    """
    low, middle, high = strip_min
    grain = 5 if middle >= _COARSE_FROM_MIN else 1
    said = round(middle / grain) * grain
    first, last = math.floor(low / grain) * grain, math.ceil(high / grain) * grain
    if last <= 180:
        return f"{said} minutes, could be {first} to {last}; test, then draw"
    return f"{minutes(said)}, could be {minutes(first)} to {minutes(last)}; test, then draw"
