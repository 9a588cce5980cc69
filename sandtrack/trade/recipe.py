"""The percents of one binder system, what lies outside its windows, and what sets its speed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sandtrack.errors import FieldError, SandtrackError
from sandtrack.trade._numbers import Numbers, given, single
from sandtrack.trade.families import family_named
from sandtrack.trade.family import Family, Window

FASTER_WITHOUT_AMOUNT = (
    "a faster grade of ester",
    "a blend of a slow and a fast grade, made by the mixer's own pumps",
    "warmer sand",
)


class AmountIsNoLever(SandtrackError):
    """A shorter time was asked of the amount, in a family whose speed is set by the grade."""

    code = "amount_is_no_lever"

    def __init__(self, family: Family) -> None:
        ways = FASTER_WITHOUT_AMOUNT
        super().__init__(
            f"{family.name}: the amount of {family.co_reactant} does not set the speed and is not changed for it; "
            f"what does work: {'; '.join(ways)}",
            family=family.key,
            ways=list(ways),
        )
        self.family = family.key
        self.ways = ways


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """Percents of one binder system, each on its own base.

    Attributes
    ----------
    family : str or Family
        Binder family or its key. [-]
    resin_pct : float
        Binder on sand; parts 1 and 2 together, silicate or alkyd part where the family has those. [% of sand]
    co_reactant_pct : float
        Acid, ester, amine or isocyanate. [% of its base]
    part_1_share : float or None
        Part 1 in parts 1 and 2 together, phenolic urethane only; half where not said. [share]
    fast_share : float or None
        Fast grade in all ester, by mass; None where one grade is used. [share]
    drier_pct : float or None
        Drier, alkyd urethane only; none where not said. [% of alkyd part]
    """

    family: str | Family
    resin_pct: Numbers
    co_reactant_pct: Numbers
    part_1_share: Numbers | None = None
    fast_share: Numbers | None = None
    drier_pct: Numbers | None = None

    def __post_init__(self) -> None:
        family = family_named(self.family)
        given(self.resin_pct, field="resin_pct", above=0.0, at_most=100.0)
        given(self.co_reactant_pct, field="co_reactant_pct", at_least=0.0)
        only = {
            "part_1_share": family.part_1_share is not None,
            "fast_share": family.lever == "grade",
            "drier_pct": family.drier_window_pct is not None,
        }
        for field, belongs in only.items():
            value = getattr(self, field)
            if value is None:
                continue
            if not belongs:
                raise FieldError(field=field, value=value, reason=f"has no meaning for {family.name}")
            given(value, field=field, at_least=0.0, at_most=None if field == "drier_pct" else 1.0)
        if family.part_1_share is not None and self.part_1_share is None:
            object.__setattr__(self, "part_1_share", 0.5)


@dataclass(frozen=True, kw_only=True)
class Outside:
    """One value of a recipe that lies outside its window.

    Attributes
    ----------
    what : str
        Field of the recipe. [-]
    value : float
        The value. [unit of the window]
    window : Window
        The window, with its tag and source. [-]
    text : str
        What is wrong and what to do, for people. [-]
    """

    what: str
    value: float
    window: Window
    text: str


def outside_windows(recipe: Recipe) -> tuple[Outside, ...]:
    """Which values of a recipe lie outside their windows; nothing is changed. [-]

    Parameters
    ----------
    recipe : Recipe
        Percents, single values. Its family may carry a shop's own windows. [-]

    Returns
    -------
    tuple of Outside
        One for each value outside; empty where all are inside. [-]

    Raises
    ------
    FieldError
        The recipe holds columns.

    Notes
    -----
    A shop's window goes in with ``dataclasses.replace(FAMILIES[key], resin_window_pct=Window(…))``.

    Source
    ------
    memory: windows, each with its own tag in its family.

    Examples
    --------
    >>> found = outside_windows(Recipe(family="furan_acid", resin_pct=1.0, co_reactant_pct=60))
    >>> [(each.what, each.value, each.window.high, each.window.tag) for each in found]
    [('co_reactant_pct', 60.0, 50, 'source')]
    """
    family = family_named(recipe.family)
    windows = {
        "resin_pct": family.resin_window_pct,
        "co_reactant_pct": family.co_reactant_window_pct,
        "part_1_share": family.part_1_share,
        "drier_pct": family.drier_window_pct,
    }
    names = {"resin_pct": family.binder, "co_reactant_pct": family.co_reactant, "drier_pct": "drier"}
    found = []
    for what, window in windows.items():
        value = getattr(recipe, what)
        if window is None or value is None or window.holds(single(value, field=what)):
            continue
        said = f"{names[what]} of {value:.3g} %" if what in names else f"part 1 of {value:g}"
        text = f"{said} is outside the window of {window}. {_way_out(family, what)}"
        found.append(Outside(what=what, value=float(value), window=window, text=text))
    return tuple(found)


def with_lever(recipe: Recipe, *, amount_pct: float | None = None, fast_share: float | None = None) -> Recipe:
    """Recipe with another setting of what sets its speed. [-]

    Parameters
    ----------
    recipe : Recipe
        Percents. [-]
    amount_pct : float, optional
        New amount: acid or amine, or drier of an alkyd urethane. [% of its base]
    fast_share : float, optional
        New share of the fast grade of ester. [share]

    Returns
    -------
    Recipe
        The new recipe; windows are for `outside_windows` to judge. [-]

    Raises
    ------
    AmountIsNoLever
        An amount given for a family whose speed is set by grade.
    FieldError
        Neither or both given, or a grade for a family whose speed is set by amount.

    Source
    ------
    source: speed of ester-cured binders is set by the grade of ester only, Gjuterihandboken ch. 9.4.

    Examples
    --------
    >>> with_lever(Recipe(family="furan_acid", resin_pct=1.0, co_reactant_pct=40), amount_pct=30).co_reactant_pct
    30
    >>> silicate = Recipe(family="silicate_ester", resin_pct=3.0, co_reactant_pct=10, fast_share=0.2)
    >>> try:
    ...     with_lever(silicate, amount_pct=14)
    ... except AmountIsNoLever as refused:
    ...     refused.ways[0]
    'a faster grade of ester'
    """
    family = family_named(recipe.family)
    if fast_share is not None and amount_pct is None:
        return replace(recipe, fast_share=fast_share)
    if fast_share is not None or amount_pct is None:
        raise FieldError(field="amount_pct", reason="or fast_share has to be given, and not both")
    if family.lever == "grade":
        raise AmountIsNoLever(family)
    if family.drier_window_pct is not None:
        return replace(recipe, drier_pct=amount_pct)
    return replace(recipe, co_reactant_pct=amount_pct)


def _way_out(family: Family, what: str) -> str:
    if what == "co_reactant_pct" and family.lever == "grade":
        return f"To strip sooner or later: {'; '.join(FASTER_WITHOUT_AMOUNT)} (or the reverse)."
    if what == "co_reactant_pct" and family.drier_window_pct is None:
        way = f"Use another strength of {family.co_reactant}, or warm or cool the sand."
        if "acid" in family.hazards:
            way += " A blend comes ready made or from the mixer's two acid pumps, never by hand."
        return way
    if what == "drier_pct":
        return "Warm or cool the sand."
    return "Check the pump and the supplier's data sheet."
