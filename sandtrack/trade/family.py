"""What describes a binder family: windows and limits, each with where it comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sandtrack.errors import FieldError
from sandtrack.trade._kinetics import LeverKind
from sandtrack.trade._numbers import single

Hazard = Literal["acid", "alkaline", "ester", "isocyanate", "flammable", "vapour"]
HAZARDS: tuple[Hazard, ...] = ("acid", "alkaline", "ester", "isocyanate", "flammable", "vapour")
"""What of a family can hurt, or upset another's cure. "acid" is a strong sulphonic acid for the most part."""

# "shop" marks a value of the shop itself, such as a supplier's data sheet; it goes before the others.
Tag = Literal["source", "practice", "memory", "derived", "shop"]


@dataclass(frozen=True, kw_only=True)
class Window:
    """Range from low to high, both still inside, with its unit and where it comes from.

    Attributes
    ----------
    low, high : float
        Ends of the window, in `unit`. [-]
    unit : str
        What the ends are counted in, such as "% of sand". [-]
    tag : str
        source, practice, memory, derived or shop. [-]
    source : str
        Name of the publication, or what the value rests on. [-]
    note : str
        What else is to be known of it. [-]
    """

    low: float
    high: float
    unit: str
    tag: Tag
    source: str
    note: str = ""

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise FieldError(field="window", value=(self.low, self.high), reason="has its larger end first")

    def holds(self, value: float) -> bool:
        """Whether a value lies inside, ends included. [-]

        Parameters
        ----------
        value : float
            Value in the window's unit. [-]

        Returns
        -------
        bool
            True inside. [-]

        Source
        ------
        derived: comparison.

        Examples
        --------
        >>> Window(low=0.8, high=1.2, unit="% of sand", tag="shop", source="data sheet").holds(1.2)
        True
        """
        return self.low <= single(value, field="value") <= self.high

    def __str__(self) -> str:
        unit = self.unit.replace("degC", "°C")
        whose = "the shop's own" if self.tag == "shop" else f"{self.tag}: {self.source}"
        return f"{self.low:g} to {self.high:g} {unit} ({whose})"


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One value that is not to be passed, with its unit and where it comes from.

    Attributes
    ----------
    value : float
        The limit, in `unit`. [-]
    unit : str
        What it is counted in. [-]
    tag : str
        source, practice, memory, derived or shop. [-]
    source : str
        Name of the publication, or what the value rests on. [-]
    reached_is_kept : bool
        Whether a value right at the limit still keeps it. [-]
    """

    value: float
    unit: str
    tag: Tag
    source: str
    reached_is_kept: bool = True

    def keeps(self, value: float) -> bool:
        """Whether a value keeps the limit. [-]

        Parameters
        ----------
        value : float
            Value in the limit's unit. [-]

        Returns
        -------
        bool
            True where it does. [-]

        Source
        ------
        derived: comparison.

        Examples
        --------
        >>> Limit(value=0.5, unit="% of sand", tag="shop", source="data sheet").keeps(0.5)
        True
        """
        number = single(value, field="value")
        return number <= self.value if self.reached_is_kept else number < self.value

    def __str__(self) -> str:
        words = "at most" if self.reached_is_kept else "below"
        whose = "the shop's own" if self.tag == "shop" else f"{self.tag}: {self.source}"
        return f"{words} {self.value:g} {self.unit}, {whose}"


@dataclass(frozen=True, kw_only=True)
class WorkShare:
    """Work time ÷ strip time: lowest, usual and highest met, with where it comes from.

    Attributes
    ----------
    low, usual, high : float
        The three shares, 0 to 1. [share]
    tag : str
        source, practice, memory, derived or shop. [-]
    source : str
        Name of the publication, or what the value rests on. [-]
    """

    low: float
    usual: float
    high: float
    tag: Tag
    source: str


@dataclass(frozen=True, kw_only=True)
class Note:
    """What is to be known of a family's cure; what can hurt is among its hazards.

    Attributes
    ----------
    code : str
        Stable name for programs. [-]
    text : str
        Sentence for people. [-]
    tag : str
        source, practice, memory, derived or shop. [-]
    source : str
        Name of the publication, or what it rests on. [-]
    """

    code: str
    text: str
    tag: Tag
    source: str


@dataclass(frozen=True, kw_only=True)
class Family:
    """A binder family by its chemistry: defaults that a shop's own data sheets replace.

    Attributes
    ----------
    key : str
        Name for programs. [-]
    name : str
        Name for people. [-]
    lever : str
        What sets the speed: "amount" or "grade". [-]
    lever_liquid : str
        Liquid whose amount or grade that is. [-]
    binder : str
        What the resin window counts. [-]
    resin_window_pct : Window
        Binder on sand. [% of sand]
    co_reactant : str
        What cures it. [-]
    co_reactant_base : str
        What is 100 % for the co-reactant. [-]
    co_reactant_window_pct : Window
        Co-reactant on its base. [% of base]
    drier_window_pct : Window or None
        Drier on the alkyd part. [% of alkyd part]
    part_1_share : Window or None
        Part 1 in parts 1 and 2 together. [share]
    sand_window_c : Window
        Sand temperature at the mixer. [degC]
    cold_c, hot_c : Window
        From uncomfortable to too cold (low end), and from uncomfortable to too hot (high end). [degC]
    moisture_limit_pct : Limit
        Moisture of the sand; a family cannot be declared without one. [% of sand]
    work_share : WorkShare
        Work time ÷ strip time. [share]
    hazards : tuple of str
        What of it can hurt, of HAZARDS. [-]
    notes : tuple of Note
        What is to be known of its cure. [-]
    """

    key: str
    name: str
    lever: LeverKind
    lever_liquid: str
    binder: str
    resin_window_pct: Window
    co_reactant: str
    co_reactant_base: str
    co_reactant_window_pct: Window
    sand_window_c: Window
    cold_c: Window
    hot_c: Window
    moisture_limit_pct: Limit
    work_share: WorkShare
    hazards: tuple[Hazard, ...]
    notes: tuple[Note, ...] = ()
    drier_window_pct: Window | None = None
    part_1_share: Window | None = None

    @property
    def lever_window(self) -> Window:
        """Window of what sets the speed: an amount, or the whole range of grades. [% of base, or share]"""
        if self.lever == "grade":
            return Window(
                low=0.0,
                high=1.0,
                unit="share of fast grade",
                tag="derived",
                source="from all slow to all fast",
            )
        return self.drier_window_pct or self.co_reactant_window_pct
