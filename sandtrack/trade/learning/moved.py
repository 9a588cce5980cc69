"""What the checks really moved, number by number and in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sandtrack.trade._kinetics import lever_distance
from sandtrack.trade.learning._normal import Array
from sandtrack.trade.learning.belief import Triple
from sandtrack.trade.learning.learned import Learned

LEARNED = 0.5  # practice: a number counts as learned once half of its variance is gone
APART = 0.7  # practice: energy and exponent tied closer than this tell more together than each alone,
TIED_LEARNED = 0.8  # practice: and so much of its variance must be gone before one of them counts by itself
_SAME_TEMP_C = 1.5
_SAME_LEVER = 0.03
_NAMES = ("reference time", "activation energy", "exponent")


@dataclass(frozen=True)
class Coefficient:
    """One number of the law, before and after.

    Attributes
    ----------
    name : str
        "reference time" (its ln), "activation energy" or "exponent". [-]
    believed, believed_sd : float
        Mean and sd before [-, kJ/mol, -].
    now, now_sd : float
        Mean and sd after [-, kJ/mol, -].
    learned : float
        Share of the variance that is gone. [share]
    clear : bool
        Whether it counts as learned by itself. [-]
    """

    name: str
    believed: float
    believed_sd: float
    now: float
    now_sd: float
    learned: float
    clear: bool


@dataclass(frozen=True)
class Direction:
    """A combination of the three numbers and how much of its doubt is gone.

    Attributes
    ----------
    parts : tuple of 3 float
        Weight of ln(reference time), energy and exponent, each in sds of the belief. [-]
    learned : float
        Share of the variance along it that is gone. [share]
    """

    parts: Triple
    learned: float


@dataclass(frozen=True)
class Report:
    """What was learned.

    Attributes
    ----------
    coefficients : tuple of Coefficient
        The three numbers of the law. [-]
    directions : tuple of Direction
        The combinations that the checks tell apart, best known first. [-]
    correlation : float
        Between activation energy and exponent. [-]
    words : tuple of str
        The same in sentences. [-]
    """

    coefficients: tuple[Coefficient, ...]
    directions: tuple[Direction, ...]
    correlation: float
    words: tuple[str, ...]


def report(learned: Learned) -> Report:
    """Say what the checks moved and what is still the starting belief. [-]

    Parameters
    ----------
    learned : Learned
        Belief and checks together. [-]

    Returns
    -------
    Report
        Numbers and sentences. [-]

    Notes
    -----
    Learned share = 1 - variance after ÷ variance before: of each number, and along the eigenvectors of the
    covariance after in sds of the belief. A number counts as learned from 0.5 on; energy and exponent, where tied
    (correlation of 0.7 or more), from 0.8 on, and until then they are said to be known together.

    Source
    ------
    derived: variances before and after; the thresholds are practice.

    Examples
    --------
    >>> from sandtrack.trade.learning import Belief, learn
    >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
    >>> shop = learn(belief, temp_c=[20, 20, 20], lever=[35, 35, 35], earliest_min=[40, 45, 40],
    ...              latest_min=[45, 50, 45], age_days=[3, 2, 1])
    >>> report(shop).words[1]
    'How time falls with warmth is still the starting belief: all checks were made at nearly the same temperature.'
    """
    before, after = np.array(learned.belief.covariance), np.array(learned.covariance)
    before_sd = np.sqrt(np.diag(before))
    after_sd = np.sqrt(np.maximum(np.diag(after), 0.0))
    share = np.where(before_sd > 0.0, 1.0 - (after_sd / np.where(before_sd > 0.0, before_sd, 1.0)) ** 2, 0.0)
    tied = after_sd[1] * after_sd[2]
    correlation = float(after[1, 2] / tied) if tied > 0.0 else 0.0
    tied_enough = LEARNED if abs(correlation) < APART else TIED_LEARNED
    enough = (LEARNED, tied_enough, tied_enough)
    coefficients = tuple(
        Coefficient(
            _NAMES[k],
            learned.belief.mean[k],
            float(before_sd[k]),
            learned.mean[k],
            float(after_sd[k]),
            float(share[k]),
            bool(share[k] >= enough[k]),
        )
        for k in range(3)
    )
    directions = _directions(after, before_sd)
    together = abs(correlation) >= APART and any(
        way.learned >= TIED_LEARNED and way.parts[1] ** 2 + way.parts[2] ** 2 > LEARNED for way in directions
    )
    return Report(coefficients, directions, correlation, tuple(_words(learned, coefficients, together)))


def _directions(after: Array, before_sd: Array) -> tuple[Direction, ...]:
    unit = np.where(before_sd > 0.0, before_sd, 1.0)
    values, vectors = np.linalg.eigh(after / np.outer(unit, unit))
    found = []
    for value, vector in zip(values, vectors.T, strict=True):
        turned = vector * (1.0 if vector[np.argmax(np.abs(vector))] > 0.0 else -1.0)
        found.append(Direction((float(turned[0]), float(turned[1]), float(turned[2])), float(1.0 - value)))
    return tuple(found)


def _words(learned: Learned, coefficients: tuple[Coefficient, ...], together: bool) -> list[str]:
    if not learned.checks:
        return ["Nothing is learned yet: there is no check, all of it is the starting belief."]
    time, warm, lever = coefficients
    what = "the share of the fast grade" if learned.belief.lever_kind == "grade" else "the amount"
    words = [
        "The reference time is the shop's own."
        if time.clear
        else "The reference time is still mostly the starting belief: too few checks near it."
    ]
    yet = "the checks do not tell " + ("the two apart yet" if together else "it yet")
    why = _why_not_warmth(learned) or yet, _why_not_lever(learned) or yet
    if together and not warm.clear and not lever.clear:
        words.append(f"How temperature and {what} act together is known; each alone is not: {why[1]}.")
    else:
        for one, name, other, reason in ((warm, "warmth", what, why[0]), (lever, what, "warmth", why[1])):
            if one.clear:
                words.append(f"How time falls with {name} is learned.")
            elif together:
                words.append(f"How time falls with {name} is known only together with {other}: {reason}.")
            else:
                words.append(f"How time falls with {name} is still the starting belief: {reason}.")
    if learned.alarm:
        jump = learned.jumps[0]
        words.append(
            f"The law jumped {jump.age_days:.0f} days ago by {100 * (np.exp(jump.change) - 1):+.0f} % "
            f"({jump.checks_since} checks since): what came before counts for temperature and lever only."
        )
    if not learned.settled:
        words.append("The checks contradict each other: the fit did not settle, take its range with care.")
    return words


def _why_not_warmth(learned: Learned) -> str:
    if float(np.std(learned.made.temp_c)) < _SAME_TEMP_C:
        return "all checks were made at nearly the same temperature"
    what = "fast share" if learned.belief.lever_kind == "grade" else "amount"
    if _apart(learned, fixed="lever") < _SAME_TEMP_C:
        return f"no check was made at another temperature with the same {what}"
    return ""


def _why_not_lever(learned: Learned) -> str:
    what = "fast share" if learned.belief.lever_kind == "grade" else "amount"
    if float(np.std(_distance(learned))) < _SAME_LEVER:
        return f"all checks were made at nearly the same {what}"
    if _apart(learned, fixed="temperature") < _SAME_LEVER:
        return f"no check was made at another {what} at the same temperature"
    return ""


def _apart(learned: Learned, *, fixed: str) -> float:
    """Spread of one of temperature and lever that does not go along with the other, sd."""
    temp, distance = learned.made.temp_c, _distance(learned)
    goes_along, moved = (distance, temp) if fixed == "lever" else (temp, distance)
    centred = goes_along - goes_along.mean()
    rest = moved - moved.mean()
    spread = float(centred @ centred)
    slope = float(centred @ rest) / spread if spread > 0.0 else 0.0
    return float(np.std(rest - slope * centred))


def _distance(learned: Learned) -> Array:
    belief = learned.belief
    return np.asarray(lever_distance(learned.made.lever, belief.at_lever, belief.lever_kind), dtype=float)
