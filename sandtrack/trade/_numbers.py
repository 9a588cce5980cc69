"""How every calculation of the trade reads its numbers.

One rule for all: a single value must be a finite number inside its bounds, otherwise it is refused. A column
(array or Series) is refused for a value outside the bounds, while a NaN in it means "missing" and comes out
as NaN. Nothing is ever clipped to a bound.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from numbers import Real
from typing import Any, TypeAlias

import numpy as np

from sandtrack.errors import FieldError

# A float, an array, or anything that NumPy's functions give back as its own kind (a Series does).
Numbers: TypeAlias = Any


def given(
    value: Numbers,
    *,
    field: str,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
    below: float | None = None,
    may_be_infinite: bool = False,
) -> Numbers:
    """Return `value` ready for arithmetic (a float, or the column itself), or raise `FieldError`."""
    bounds = (above, at_least, at_most, below)
    if is_single(value):
        number = _single(value, field)
        if math.isnan(number) or (math.isinf(number) and not may_be_infinite):
            raise FieldError(field=field, value=value, reason="is not a finite number")
        _check_bounds(number, number, bounds, field)
        return number
    column = np.asarray(value) if isinstance(value, list | tuple) else value
    numbers = _plain(column, field)
    if numbers.size:
        low, high = float(np.fmin.reduce(numbers, axis=None)), float(np.fmax.reduce(numbers, axis=None))
        if not may_be_infinite and (math.isinf(low) or math.isinf(high)):
            raise FieldError(field=field, value=high, reason="holds a number that is not finite")
        _check_bounds(low, high, bounds, field)
    return column


def single(
    value: Numbers,
    *,
    field: str,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
    below: float | None = None,
) -> float:
    """Return one finite number inside its bounds; a column is refused."""
    if not is_single(value):
        raise FieldError(field=field, reason="is a column; one number is wanted here")
    return float(given(value, field=field, above=above, at_least=at_least, at_most=at_most, below=below))


def is_single(value: Numbers) -> bool:
    """Say whether `value` is one number (or no number at all) rather than a column."""
    return isinstance(value, str) or value is None or np.ndim(value) == 0


def tidy(result: Numbers) -> Numbers:
    """Turn a NumPy number into a plain float; leave a column as it is."""
    return float(result) if np.ndim(result) == 0 else result


def like(result: Any, *inputs: Numbers) -> Numbers:
    """Give `result` the kind of the inputs: a float, an array, or a Series with its index."""
    if all(is_single(value) for value in inputs):
        return float(result)
    for value in inputs:
        if hasattr(value, "__array_ufunc__") and not isinstance(value, np.ndarray | np.generic):
            return np.add(np.multiply(value, 0.0), result)
    return np.asarray(result, dtype=float)


def plain(value: Numbers) -> Any:
    """Return the bare float array (of no dimension for one number), missing values as NaN."""
    return _plain(value, "value") if not is_single(value) else np.asarray(float(value))


def elementwise(function: Callable[[float], float], value: Numbers) -> Numbers:
    """Apply a function of one number to one number or to each row."""
    if is_single(value):
        return function(float(value))
    rows = plain(value)
    result = np.fromiter((function(row) for row in rows.flat), dtype=float, count=rows.size)
    return like(result.reshape(rows.shape), value)


def _single(value: Numbers, field: str) -> float:
    if isinstance(value, np.ndarray):
        value = value.item()
    if isinstance(value, bool | np.bool_) or not (isinstance(value, Real) or hasattr(value, "as_integer_ratio")):
        raise FieldError(field=field, value=value, reason="is not a number")
    return float(value)


def _plain(column: Numbers, field: str) -> Any:
    if getattr(getattr(column, "dtype", None), "kind", "?") not in "fiu":
        raise FieldError(field=field, reason="holds something that is not a number")
    if hasattr(column, "to_numpy"):
        return column.to_numpy(dtype=float, na_value=np.nan)
    return np.asarray(column, dtype=float)


def _check_bounds(
    low: float, high: float, bounds: tuple[float | None, float | None, float | None, float | None], field: str
) -> None:
    above, at_least, at_most, below = bounds
    if above is not None and low <= above:
        _refuse(low, bounds, field)
    if at_least is not None and low < at_least:
        _refuse(low, bounds, field)
    if at_most is not None and high > at_most:
        _refuse(high, bounds, field)
    if below is not None and high >= below:
        _refuse(high, bounds, field)


def _refuse(value: float, bounds: tuple[float | None, float | None, float | None, float | None], field: str) -> None:
    words = ("above {:g}", "{:g} or more", "{:g} or less", "below {:g}")
    accepted = ", ".join(word.format(bound) for word, bound in zip(words, bounds, strict=True) if bound is not None)
    raise FieldError(field=field, value=value, reason="is out of range", accepted=accepted)
