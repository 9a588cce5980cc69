"""Moisture of sand from two weighings."""

from __future__ import annotations

from sandtrack.trade._numbers import Numbers, given, tidy


def moisture_pct(*, before_g: Numbers, after_g: Numbers) -> Numbers:
    """Moisture. [% of sand as sampled]

    Parameters
    ----------
    before_g : float, array or Series
        Sand as sampled, without its dish, above 0. [g]
    after_g : float, array or Series
        The same sand dried to constant mass, 0 or more. [g]

    Returns
    -------
    float, array or Series
        Moisture; negative where the dried sand was weighed heavier. [% of sand as sampled]

    Raises
    ------
    FieldError
        No sand before drying, or a negative mass after it.

    Notes
    -----
    100·(W1 - W2)/W1, on the wet mass and not on the dry one.

    Source
    ------
    practice: loss on drying at 105 to 110 °C.

    Examples
    --------
    >>> round(moisture_pct(before_g=50.0, after_g=49.9), 6)
    0.2
    """
    before = given(before_g, field="before_g", above=0.0)
    return tidy((before - given(after_g, field="after_g", at_least=0.0)) / before * 100)
