"""Strip checks as intervals: read, refused where impossible, and made ready for the fit."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._kinetics import ZERO_C_IN_K
from sandtrack.trade._numbers import Numbers, given, is_single, plain
from sandtrack.trade.learning._normal import Array

NOT_RECORDED = -1


@dataclass(frozen=True, kw_only=True, eq=False)
class Checks:
    """Strip checks of one binder system, catalyst grade and definition of strip.

    Attributes
    ----------
    temp_c : array, shape (n,)
        Temperature of the mixed sand. [degC]
    lever : array, shape (n,)
        Amount [% of its base] above 0, or share of the fast grade [share, 0 to 1].
    earliest_min : array, shape (n,)
        Time at which it was not yet firm; 0 where nobody looked. [min]
    latest_min : array, shape (n,)
        Time at which it was firm, infinity where nobody saw it; equal to the earliest where exact. [min]
    age_days : array, shape (n,)
        Age of the check, 0 or more. [day]
    lot : array of int, shape (n,)
        Label of what the law may shift with (lot of resin, sand, reclaimed share); -1 not recorded. [-]
    """

    temp_c: Numbers
    lever: Numbers
    earliest_min: Numbers
    latest_min: Numbers
    age_days: Numbers
    lot: Numbers

    def __post_init__(self) -> None:
        read = {
            "temp_c": _column(self.temp_c, "temp_c", above=-ZERO_C_IN_K),
            "lever": _column(self.lever, "lever"),
            "earliest_min": _column(self.earliest_min, "earliest_min", at_least=0.0),
            "latest_min": _column(self.latest_min, "latest_min", above=0.0, may_be_infinite=True),
            "age_days": _column(self.age_days, "age_days", at_least=0.0),
            "lot": _labels(self.lot),
        }
        sizes = {name: column.size for name, column in read.items()}
        for name, size in sizes.items():
            if size != sizes["temp_c"]:
                raise FieldError(field=name, value=size, reason=f"has another length than temp_c ({sizes['temp_c']})")
        early, late = read["earliest_min"], read["latest_min"]
        _refuse_row(early > late, "latest_min", late, "is before earliest_min")
        _refuse_row((early == 0.0) & np.isinf(late), "latest_min", late, "and earliest_min are both open: no check")
        for name, column in read.items():
            object.__setattr__(self, name, column)

    def __len__(self) -> int:
        return int(self.age_days.size)

    def taken(self, which: Any, *, younger_by: float = 0.0) -> Checks:
        """Some of the checks, their ages counted from an earlier day. [-]

        Parameters
        ----------
        which : array of int or bool
            Positions, or a mask. [-]
        younger_by : float
            Taken off every age. [day]

        Returns
        -------
        Checks
            The chosen ones. [-]

        Source
        ------
        derived: selection of rows.

        Examples
        --------
        >>> some = Checks(temp_c=[20, 8], lever=[40, 40], earliest_min=[50, 0], latest_min=[60, 140],
        ...               age_days=[9, 2], lot=[-1, -1])
        >>> some.taken([0], younger_by=2).age_days.tolist()
        [7.0]
        """
        rows = {field.name: getattr(self, field.name)[which] for field in fields(self)}
        return Checks(**{**rows, "age_days": np.maximum(rows["age_days"] - younger_by, 0.0)})


def _column(value: Numbers, name: str, **bounds: Any) -> Array:
    if is_single(value):
        raise FieldError(field=name, value=value, reason="is a single value; a column of checks is wanted")
    if np.size(value) == 0:
        return np.zeros(0)
    column: Array = plain(given(value, field=name, **bounds))
    if column.ndim != 1:
        raise FieldError(field=name, reason="is not a single column")
    _refuse_row(np.isnan(column), name, column, "is missing")
    return column


def _labels(value: Numbers) -> Any:
    column = _column(value, "lot", at_least=-1.0)
    _refuse_row(column != np.floor(column), "lot", column, "is not a whole number")
    return column.astype(np.int64)


def _refuse_row(bad: Any, name: str, column: Array, reason: str) -> None:
    if np.any(bad):
        row = int(np.argmax(bad))
        raise FieldError(field=name, value=float(column[row]), reason=f"of check {row + 1} {reason}")
