"""What can be asked of a belief and of what was learned alike."""

from __future__ import annotations

from typing import Any, Protocol

from sandtrack.trade._numbers import Numbers


class StripTimes(Protocol):
    """Strip times with their chances: `Belief` before any check, `Learned` after."""

    def strip_range_min(
        self, temp_c: Numbers, lever: Numbers, *, coverage: float = 0.8, lot: Any = None
    ) -> tuple[Any, Any, Any]:
        """Range in which the next mould's strip time lies with the stated chance. [min]

        Parameters
        ----------
        temp_c : float, array or Series
            Temperature of the mixed sand. [degC]
        lever : float, array or Series
            Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
        coverage : float
            Chance that the time lies inside, above 0 and below 1. [share]
        lot : int or array of int, optional
            Label of the lot; None or -1 is not recorded. [-]

        Returns
        -------
        tuple of 3 float, array or Series
            Low, middle and high strip time. [min]

        Source
        ------
        derived: as its two kinds say.

        Examples
        --------
        >>> from sandtrack.trade.learning import Belief
        >>> times: StripTimes = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> round(times.strip_range_min(20, 35)[1])
        60
        """

    def chance_by(self, strip_time_min: Numbers, temp_c: Numbers, lever: Numbers, *, lot: Any = None) -> Any:
        """Chance that the next mould strips by a given time. [share]

        Parameters
        ----------
        strip_time_min : float, array or Series
            Time. [min]
        temp_c : float, array or Series
            Temperature of the mixed sand. [degC]
        lever : float, array or Series
            Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
        lot : int or array of int, optional
            Label of the lot; None or -1 is not recorded. [-]

        Returns
        -------
        float, array or Series
            Chance, 0 to 1. [share]

        Source
        ------
        derived: as its two kinds say.

        Examples
        --------
        >>> from sandtrack.trade.learning import Belief
        >>> Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35).chance_by(60, 20, 35, lot=4)
        0.5
        """

    def lever_for(
        self,
        strip_time_min: float,
        temp_c: float,
        *,
        chance: float,
        window: tuple[float, float] | None = None,
        lot: int | None = None,
    ) -> float | None:
        """Smallest amount or fast share that strips by a wanted time with the wanted chance. [% or share]

        Parameters
        ----------
        strip_time_min : float
            Wanted strip time. [min]
        temp_c : float
            Temperature of the mixed sand. [degC]
        chance : float
            Wanted chance, above 0 and below 1. [share]
        window : tuple of 2 float, optional
            Smallest and largest lever to use [% of its base, or share].
        lot : int, optional
            Label of the lot; None or -1 is not recorded. [-]

        Returns
        -------
        float or None
            Amount [% of its base] or share of the fast grade [share]; None where none in the window does.

        Source
        ------
        derived: as its two kinds say.

        Examples
        --------
        >>> from sandtrack.trade.learning import Belief
        >>> belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
        >>> round(belief.lever_for(60, 20, chance=0.5))
        35
        """
