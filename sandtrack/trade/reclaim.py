"""The rates of a reclaim circuit, each under its own name; there is no "reclaim rate" here.

A rate without its denominator (nothing fed, nothing cast) is no number: `FieldError`, never NaN or 0.
"""

from __future__ import annotations

from sandtrack.errors import FieldError
from sandtrack.trade._numbers import Numbers, given, tidy


def reclaim_yield(*, fed_kg: Numbers, returned_kg: Numbers, lumps_returned_kg: Numbers = 0.0) -> Numbers:
    """Usable sand out of a reclaimer for each kg that it kept of what was fed. [share]

    Parameters
    ----------
    fed_kg : float, array or Series
        Used sand fed. [kg]
    returned_kg : float, array or Series
        Usable sand out, 0 or more. [kg]
    lumps_returned_kg : float, array or Series
        Lumps given back to the heap, 0 or more. [kg]

    Returns
    -------
    float, array or Series
        Yield. [share]

    Raises
    ------
    FieldError
        Negative masses, or nothing fed beyond the lumps.

    Notes
    -----
    returned ÷ (fed - lumps). Weighed masses carry their own loss on ignition: the yield is on that basis.

    Source
    ------
    derived: from its definition; also called reclaim efficiency.

    Examples
    --------
    >>> reclaim_yield(fed_kg=1100, returned_kg=940, lumps_returned_kg=100)
    0.94
    """
    kept = given(fed_kg, field="fed_kg", at_least=0.0) - given(
        lumps_returned_kg, field="lumps_returned_kg", at_least=0.0
    )
    return _ratio(given(returned_kg, field="returned_kg", at_least=0.0), kept, "fed_kg - lumps_returned_kg")


def reclaimed_share(*, reclaimed_kg: Numbers, new_kg: Numbers) -> Numbers:
    """Reclaimed sand in all sand of a mix. [share]

    Parameters
    ----------
    reclaimed_kg : float, array or Series
        Reclaimed sand, 0 or more. [kg]
    new_kg : float, array or Series
        New sand, 0 or more. [kg]

    Returns
    -------
    float, array or Series
        Share, 0 to 1. [share]

    Raises
    ------
    FieldError
        Negative masses, or no sand at all.

    Source
    ------
    source: EU BREF Smitheries and Foundries (2005), there "regeneration ratio"; also degree of reuse.

    Examples
    --------
    >>> reclaimed_share(reclaimed_kg=850, new_kg=150)
    0.85
    """
    reclaimed = given(reclaimed_kg, field="reclaimed_kg", at_least=0.0)
    return _ratio(reclaimed, reclaimed + given(new_kg, field="new_kg", at_least=0.0), "reclaimed_kg + new_kg")


def sand_recovery(
    *,
    returned_kg: Numbers,
    mixed_kg: Numbers,
    moulds_change_kg: Numbers = 0.0,
    heaps_change_kg: Numbers = 0.0,
    reclaimer_change_kg: Numbers = 0.0,
) -> Numbers:
    """Sand that came back to the silo for each kg mixed in a period and no longer on the way. [share]

    Parameters
    ----------
    returned_kg : float, array or Series
        Sand returned to the silo, 0 or more. [kg]
    mixed_kg : float, array or Series
        Sand mixed, 0 or more. [kg]
    moulds_change_kg, heaps_change_kg, reclaimer_change_kg : float, array or Series
        Growth of what stands in moulds, heaps and the reclaimer over the period; may be negative. [kg]

    Returns
    -------
    float, array or Series
        Recovery. [share]

    Raises
    ------
    FieldError
        Negative masses, or nothing left after the changes.

    Notes
    -----
    returned ÷ (mixed - Δ(moulds + heaps + reclaimer)). Without the changes a week in which the heap is worked
    off may exceed 1.

    Source
    ------
    derived: mass balance.

    Examples
    --------
    >>> sand_recovery(returned_kg=9300, mixed_kg=9000, heaps_change_kg=-1000)
    0.93
    """
    changes = (
        given(moulds_change_kg, field="moulds_change_kg")
        + given(heaps_change_kg, field="heaps_change_kg")
        + given(reclaimer_change_kg, field="reclaimer_change_kg")
    )
    due = given(mixed_kg, field="mixed_kg", at_least=0.0) - changes
    return _ratio(given(returned_kg, field="returned_kg", at_least=0.0), due, "mixed_kg - changes")


def loi_removal(*, loi_in_pct: Numbers, loi_out_pct: Numbers) -> Numbers:
    """Part of the loss on ignition that a reclaimer takes off. [share]

    Parameters
    ----------
    loi_in_pct : float, array or Series
        Loss on ignition of the used sand, above 0. [%]
    loi_out_pct : float, array or Series
        Loss on ignition of the reclaimed sand; may be negative. [%]

    Returns
    -------
    float, array or Series
        Removal; negative where the sand came out dirtier. [share]

    Raises
    ------
    FieldError
        A loss on ignition of 0 or less going in.

    Source
    ------
    derived: from its definition.

    Examples
    --------
    >>> loi_removal(loi_in_pct=4.0, loi_out_pct=1.0)
    0.75
    """
    going_in = given(loi_in_pct, field="loi_in_pct")
    return _ratio(going_in - given(loi_out_pct, field="loi_out_pct"), going_in, "loi_in_pct")


def new_sand_per_t_castings(*, new_sand_kg: Numbers, good_castings_kg: Numbers) -> Numbers:
    """New sand for each tonne of good castings. [t/t]

    Parameters
    ----------
    new_sand_kg : float, array or Series
        New sand used, 0 or more. [kg]
    good_castings_kg : float, array or Series
        Good castings, above 0. [kg]

    Returns
    -------
    float, array or Series
        New sand rate. [t/t]

    Raises
    ------
    FieldError
        Negative masses, or no good castings.

    Source
    ------
    derived: from its definition, on good castings and not on poured metal.

    Examples
    --------
    >>> new_sand_per_t_castings(new_sand_kg=3000, good_castings_kg=4000)
    0.75
    """
    castings = given(good_castings_kg, field="good_castings_kg", at_least=0.0)
    return _ratio(given(new_sand_kg, field="new_sand_kg", at_least=0.0), castings, "good_castings_kg")


def waste_per_t_castings(*, waste_kg: Numbers, good_castings_kg: Numbers) -> Numbers:
    """Waste for each tonne of good castings. [t/t]

    Parameters
    ----------
    waste_kg : float, array or Series
        Waste sand, lumps and dust that left, 0 or more. [kg]
    good_castings_kg : float, array or Series
        Good castings, above 0. [kg]

    Returns
    -------
    float, array or Series
        Waste rate. [t/t]

    Raises
    ------
    FieldError
        Negative masses, or no good castings.

    Source
    ------
    derived: from its definition. source: 0.8 to 1.0 in the industry at large, Water Air Soil Pollut. 2015.

    Examples
    --------
    >>> waste_per_t_castings(waste_kg=3600, good_castings_kg=4000)
    0.9
    """
    castings = given(good_castings_kg, field="good_castings_kg", at_least=0.0)
    return _ratio(given(waste_kg, field="waste_kg", at_least=0.0), castings, "good_castings_kg")


def sand_to_metal(
    *, mould_sand_kg: Numbers, poured_kg: Numbers | None = None, good_castings_kg: Numbers | None = None
) -> Numbers:
    """Mould sand for each kg of metal, either of metal poured or of good castings. [kg/kg]

    Parameters
    ----------
    mould_sand_kg : float, array or Series
        Sand in the moulds, 0 or more. [kg]
    poured_kg : float, array or Series, optional
        Metal poured, above 0. [kg]
    good_castings_kg : float, array or Series, optional
        Good castings, above 0. [kg]

    Returns
    -------
    float, array or Series
        Ratio; say which metal it is on. [kg/kg]

    Raises
    ------
    FieldError
        Both or neither metal given, negative masses, or no metal.

    Source
    ------
    derived: both definitions are in use.

    Examples
    --------
    >>> sand_to_metal(mould_sand_kg=2000, poured_kg=500)
    4.0
    """
    if (poured_kg is None) == (good_castings_kg is None):
        raise FieldError(field="poured_kg", reason="or good_castings_kg has to be given, and not both")
    field = "good_castings_kg" if poured_kg is None else "poured_kg"
    metal = given(good_castings_kg if poured_kg is None else poured_kg, field=field, at_least=0.0)
    return _ratio(given(mould_sand_kg, field="mould_sand_kg", at_least=0.0), metal, field)


def mean_uses(reclaimed_share: Numbers) -> Numbers:
    """How often a grain is used on average before it leaves the circuit. [-]

    Parameters
    ----------
    reclaimed_share : float, array or Series
        Reclaimed sand in the mix, 0 to below 1. [share]

    Returns
    -------
    float, array or Series
        Mean number of uses, the first one counted. [-]

    Raises
    ------
    FieldError
        A share outside 0 to below 1; at 1 the grain never leaves.

    Notes
    -----
    1/(1 - r), steady circuit.

    Source
    ------
    derived: geometric series.

    Examples
    --------
    >>> round(mean_uses(0.9), 6)
    10.0
    """
    return tidy(1.0 / (1.0 - given(reclaimed_share, field="reclaimed_share", at_least=0.0, below=1.0)))


def new_sand_need_kg(*, mixed_kg: Numbers, reclaimed_share: Numbers) -> Numbers:
    """New sand that a mixed mass needs at a reclaimed share. [kg]

    Parameters
    ----------
    mixed_kg : float, array or Series
        Sand to be mixed, 0 or more. [kg]
    reclaimed_share : float, array or Series
        Reclaimed sand in it, 0 to 1. [share]

    Returns
    -------
    float, array or Series
        New sand. [kg]

    Raises
    ------
    FieldError
        A negative mass, or a share outside 0 to 1.

    Notes
    -----
    (1 - r)·mixed; a change of stock comes on top.

    Source
    ------
    derived: from the meaning of the share.

    Examples
    --------
    >>> new_sand_need_kg(mixed_kg=8000, reclaimed_share=0.75)
    2000.0
    """
    share = given(reclaimed_share, field="reclaimed_share", at_least=0.0, at_most=1.0)
    return tidy(given(mixed_kg, field="mixed_kg", at_least=0.0) * (1.0 - share))


def _ratio(part: Numbers, whole: Numbers, field: str) -> Numbers:
    """Divide by a whole that has to be above 0, saying which one is not."""
    return tidy(part / given(whole, field=field, above=0.0))
