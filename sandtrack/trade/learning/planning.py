"""Which check to make next to learn most for the work ahead."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._kinetics import ZERO_C_IN_K, checked_lever
from sandtrack.trade._numbers import Numbers, given, plain, single
from sandtrack.trade.learning._normal import Array
from sandtrack.trade.learning._prepared import design
from sandtrack.trade.learning.learned import Learned

_ONE_LOOK = 2.0 / math.pi  # of an exact check's information, a look at the middle time holds this much


@dataclass(frozen=True)
class NextCheck:
    """The check that is expected to teach most.

    Attributes
    ----------
    temp_c : float
        Sand temperature to check at. [degC]
    lever : float
        Amount [% of its base] or share of the fast grade [share] to check with.
    gain : float
        Part of the law's variance over the work ahead that it is expected to take away. [share]
    usual_gain : float
        The same for a check on a mould of the work ahead, on the average. [share]
    look_at_min : float
        Time at which firm and not yet firm are equally likely: look about then. [min]
    words : str
        The same in a sentence. [-]
    """

    temp_c: float
    lever: float
    gain: float
    usual_gain: float
    look_at_min: float
    words: str


def next_check(
    learned: Learned,
    *,
    work_temp_c: Numbers,
    work_lever: Numbers,
    temps_c: Numbers,
    levers: Numbers,
    bracket_min: float | None = None,
) -> NextCheck:
    """Check among those that can be made which teaches most for the work ahead. [-]

    Parameters
    ----------
    learned : Learned
        What is known now. [-]
    work_temp_c : float or array
        Sand temperatures of the work ahead. [degC]
    work_lever : float or array
        Its amounts [% of its base] or shares of the fast grade [share], one a temperature or one for all.
    temps_c : float or array
        Sand temperatures at which a check can be made. [degC]
    levers : float or array
        Amounts [% of its base] or shares [share] with which it can be made; each with each temperature.
    bracket_min : float, optional
        Time between two looks; without it there is one look only. [min]

    Returns
    -------
    NextCheck
        The best of them. [-]

    Raises
    ------
    FieldError
        No work, no possible check, or a temperature or lever outside its meaning.

    Notes
    -----
    gain = mean_w (x_w·V x_c)² ÷ (x_c·V x_c + τ² + s² + (bracket/t)²/12) ÷ mean_w x_w·V x_w, V the law's covariance;
    a single look has 2/π of it.

    Source
    ------
    derived: fall of a normal law's variance by one more check (expected variance reduction).

    Examples
    --------
    >>> from sandtrack.trade.learning import Belief, learn
    >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
    >>> shop = learn(belief, temp_c=[20] * 9, lever=[35] * 9, earliest_min=[40] * 9, latest_min=[45] * 9,
    ...              age_days=list(range(9)))
    >>> next_check(shop, work_temp_c=[8, 20], work_lever=35, temps_c=[8, 20], levers=[35], bracket_min=5).temp_c
    8.0
    """
    work = _rows(learned, work_temp_c, work_lever, "work_temp_c")
    ends = (plain(given(temps_c, field="temps_c")), plain(given(levers, field="levers")))
    grid = np.meshgrid(*(np.atleast_1d(end) for end in ends), indexing="ij")
    temps, settings = grid[0].ravel(), grid[1].ravel()
    possible = _rows(learned, temps, settings, "temps_c")
    width = None if bracket_min is None else single(bracket_min, field="bracket_min", at_least=0.0)
    gains = _gains(learned, work, possible, width)
    best = int(np.argmax(gains))
    usual = float(np.mean(_gains(learned, work, work, width)))
    temp, lever, gain = float(temps[best]), float(settings[best]), float(gains[best])
    look = float(np.exp(possible[best] @ np.array(learned.mean)))
    unit = "of the fast grade" if learned.belief.lever_kind == "grade" else "%"
    words = (
        f"Check a mould at {temp:g} °C with {lever:g} {unit}, looking at about {look:.0f} min: expected to take away "
        f"{100 * gain:.0f} % of the doubt over the work ahead, a check on that work itself {100 * usual:.0f} %."
    )
    return NextCheck(temp, lever, gain, usual, look, words)


def _rows(learned: Learned, temp_c: Numbers, lever: Numbers, field: str) -> Array:
    temps = plain(given(temp_c, field=field, above=-ZERO_C_IN_K))
    levers = plain(checked_lever(lever, learned.belief.lever_kind))
    temps, levers = np.broadcast_arrays(np.atleast_1d(temps), np.atleast_1d(levers))
    if not temps.size:
        raise FieldError(field=field, reason="is empty; at least one is wanted")
    return design(learned.belief, temps.ravel(), levers.ravel())


def _gains(learned: Learned, work: Array, possible: Array, width: float | None) -> Array:
    covariance = np.array(learned.covariance)
    own = learned.check_sd[1] ** 2 + learned.lot_sd[1] ** 2
    total = ((possible @ covariance) * possible).sum(axis=1) + own
    if width is not None:
        total = total + (width / np.exp(possible @ np.array(learned.mean))) ** 2 / 12.0
    doubt = float(((work @ covariance) * work).sum(axis=1).mean())
    share: Array = ((work @ covariance @ possible.T) ** 2).mean(axis=0) / (total * doubt)
    return share * (1.0 if width is not None else _ONE_LOOK)
