"""Loss on ignition of sand from three weighings."""

from __future__ import annotations

from sandtrack.trade._numbers import Numbers, given, tidy


def loss_on_ignition_pct(*, crucible_g: Numbers, before_g: Numbers, after_g: Numbers) -> Numbers:
    """Loss on ignition. [% of dry sand]

    Parameters
    ----------
    crucible_g : float, array or Series
        Empty crucible, above 0. [g]
    before_g : float, array or Series
        Crucible with dry sand, heavier than the crucible. [g]
    after_g : float, array or Series
        Crucible with sand after ignition, not lighter than the crucible. [g]

    Returns
    -------
    float, array or Series
        Loss; negative where iron in the sand took up oxygen. [% of dry sand]

    Raises
    ------
    FieldError
        No sand in the crucible, or less than the crucible left.

    Notes
    -----
    100·(W2 - W3)/(W2 - W1). The temperature of ignition is part of the value and is kept beside it.

    Source
    ------
    source: samsa.org.uk laboratory tests.

    Examples
    --------
    >>> round(loss_on_ignition_pct(crucible_g=20.0, before_g=30.0, after_g=29.8), 6)
    2.0
    """
    empty = given(crucible_g, field="crucible_g", above=0.0)
    before = given(before_g, field="before_g", above=0.0)
    after = given(after_g, field="after_g", above=0.0)
    sand = given(before - empty, field="before_g - crucible_g", above=0.0)
    given(after - empty, field="after_g - crucible_g", at_least=0.0)
    return tidy((before - after) / sand * 100)
