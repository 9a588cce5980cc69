"""What builds up in a circuit of reclaimed sand: loss on ignition, nitrogen, sulphur, alkali, each on its own."""

from __future__ import annotations

from sandtrack.errors import FieldError
from sandtrack.trade._numbers import Numbers, given, single, tidy


def survival_share(*, lost_in_casting_share: Numbers, removed_in_reclaim_share: Numbers) -> Numbers:
    """Part of the residue that survives casting and reclaiming. [share]

    Parameters
    ----------
    lost_in_casting_share : float, array or Series
        Part burnt off in the mould, 0 to 1. [share]
    removed_in_reclaim_share : float, array or Series
        Part of the rest that the reclaimer takes off, 0 to 1. [share]

    Returns
    -------
    float, array or Series
        Survival, 0 to 1. [share]

    Raises
    ------
    FieldError
        A share outside 0 to 1.

    Notes
    -----
    s = (1 - b)(1 - η). At a steady state it is also LOI of reclaimed ÷ LOI of cured mixed sand.

    Source
    ------
    derived: mass balance.

    Examples
    --------
    >>> survival_share(lost_in_casting_share=0.5, removed_in_reclaim_share=0.5)
    0.25
    """
    lost = given(lost_in_casting_share, field="lost_in_casting_share", at_least=0.0, at_most=1.0)
    removed = given(removed_in_reclaim_share, field="removed_in_reclaim_share", at_least=0.0, at_most=1.0)
    return tidy((1.0 - lost) * (1.0 - removed))


def steady_content_pct(
    *,
    added_pct: Numbers,
    new_sand_pct: Numbers,
    survival_share: Numbers,
    reclaimed_share: Numbers,
) -> Numbers:
    """Content of the sand entering the mixer once the circuit no longer changes. [% of sand]

    Parameters
    ----------
    added_pct : float, array or Series
        Cured residue that one cycle adds, 0 or more; not resin plus acid as poured. [% of sand]
    new_sand_pct : float, array or Series
        Content of the new sand. [% of sand]
    survival_share : float, array or Series
        Part that survives one cycle, 0 to 1. [share]
    reclaimed_share : float, array or Series
        Reclaimed sand in the mix, 0 to 1. [share]

    Returns
    -------
    float, array or Series
        Steady content before binder is added. [% of sand]

    Raises
    ------
    FieldError
        Values out of range, or all of everything kept for ever, which has no steady state.

    Notes
    -----
    L = (q B + (1 - r) L0)/(1 - q) with q = r s. Old residue and new binder are taken to survive alike.

    Source
    ------
    derived: mass balance.

    Examples
    --------
    >>> round(steady_content_pct(added_pct=1.0, new_sand_pct=0.2, survival_share=0.5, reclaimed_share=0.8), 6)
    0.733333
    """
    added = given(added_pct, field="added_pct", at_least=0.0)
    kept, share = _cycle(survival_share, reclaimed_share)
    q = given(kept * share, field="survival_share x reclaimed_share", below=1.0)
    return tidy((q * added + (1.0 - share) * given(new_sand_pct, field="new_sand_pct")) / (1.0 - q))


def content_after_pct(
    cycles: Numbers,
    *,
    start_pct: Numbers,
    added_pct: Numbers,
    new_sand_pct: Numbers,
    survival_share: Numbers,
    reclaimed_share: Numbers,
) -> Numbers:
    """Content of the sand entering the mixer after a number of cycles. [% of sand]

    Parameters
    ----------
    cycles : float, array or Series
        Turns of the circuit, 0 or more. [-]
    start_pct : float, array or Series
        Content at the start. [% of sand]
    added_pct : float, array or Series
        Cured residue that one cycle adds, 0 or more. [% of sand]
    new_sand_pct : float, array or Series
        Content of the new sand. [% of sand]
    survival_share : float, array or Series
        Part that survives one cycle, 0 to 1. [share]
    reclaimed_share : float, array or Series
        Reclaimed sand in the mix, 0 to 1. [share]

    Returns
    -------
    float, array or Series
        Content before binder is added. [% of sand]

    Raises
    ------
    FieldError
        As `steady_content_pct`, or a negative number of cycles.

    Notes
    -----
    L_n = L + qⁿ (L_start - L), L the steady content.

    Source
    ------
    derived: mass balance.

    Examples
    --------
    >>> round(content_after_pct(1, start_pct=0.2, added_pct=1.0, new_sand_pct=0.2, survival_share=0.5,
    ...                         reclaimed_share=0.8), 6)
    0.52
    """
    steady = steady_content_pct(
        added_pct=added_pct,
        new_sand_pct=new_sand_pct,
        survival_share=survival_share,
        reclaimed_share=reclaimed_share,
    )
    kept, share = _cycle(survival_share, reclaimed_share)
    turns = given(cycles, field="cycles", at_least=0.0)
    return tidy(steady + (kept * share) ** turns * (given(start_pct, field="start_pct") - steady))


def largest_reclaimed_share(*, limit_pct: float, added_pct: float, new_sand_pct: float, survival_share: float) -> float:
    """Largest reclaimed share that keeps the steady content of reclaimed sand at a limit. [share]

    Parameters
    ----------
    limit_pct : float
        Limit on the reclaimed sand. [% of sand]
    added_pct : float
        Cured residue that one cycle adds, 0 or more. [% of sand]
    new_sand_pct : float
        Content of the new sand, below the limit. [% of sand]
    survival_share : float
        Part that survives one cycle, above 0 to 1. [share]

    Returns
    -------
    float
        Share, not clipped: above 1 nothing limits it, below 0 the limit cannot be kept. [share]

    Raises
    ------
    FieldError
        New sand at or above the limit, or nothing that survives.

    Notes
    -----
    r = (Rlim - s (B + L0)) / (s (Rlim - L0)).

    Source
    ------
    derived: steady content solved for the share.

    Examples
    --------
    >>> round(largest_reclaimed_share(limit_pct=0.9, added_pct=1.0, new_sand_pct=0.2, survival_share=0.5), 6)
    0.857143
    """
    limit, fresh = single(limit_pct, field="limit_pct"), single(new_sand_pct, field="new_sand_pct")
    if fresh >= limit:
        raise FieldError(field="new_sand_pct", value=fresh, reason=f"is not below the limit of {limit:g}")
    kept = single(survival_share, field="survival_share", above=0.0, at_most=1.0)
    added = single(added_pct, field="added_pct", at_least=0.0)
    return (limit - kept * (added + fresh)) / (kept * (limit - fresh))


def _cycle(survival: Numbers, share: Numbers) -> tuple[Numbers, Numbers]:
    return (
        given(survival, field="survival_share", at_least=0.0, at_most=1.0),
        given(share, field="reclaimed_share", at_least=0.0, at_most=1.0),
    )
