"""Usual numbers, read in a fraction of the time; what is not plainly usual is left to `units`, for the same result."""

from __future__ import annotations

from decimal import Context, Decimal, InvalidOperation, Overflow, Rounded
from typing import Any

MOST_DIGITS = 40
MOST_MG = 9_000_000_000_000_000
# Of any size that is read at all; as milligrams, while a float of kilograms is known to 0.05 of one.
_LEAST, _MOST, _MOST_KG = 1e-15, 1e15, 1e8
_CLEAR_OF_HALF = 0.4
_readable = Context(prec=MOST_DIGITS, traps=[InvalidOperation, Overflow, Rounded]).plus
"""Raises for a Decimal of more digits than are read."""


def plain_number(value: Any) -> float | None:
    """The float nearest to a usual float or Decimal, 0 or more; None where `units.number` has to look closer. [-]"""
    near = _nearest(value)
    if near is None or _LEAST < near < _MOST:
        return near
    return None if value else 0.0


def plain_mass_mg(value: Any) -> int | None:
    """A usual number of kilograms as whole milligrams; None where `units.mass_mg` has to look closer. [mg]"""
    if type(value) is int:
        return value * 1_000_000 if 0 <= value <= MOST_MG // 1_000_000 else None
    near = _nearest(value)
    if near is not None and 0.0 <= near < _MOST_KG:
        # No half is near, so a float that is not quite what was told is rounded to the same whole number.
        near_mg = near * 1e6
        whole = round(near_mg)
        if -_CLEAR_OF_HALF < near_mg - whole < _CLEAR_OF_HALF and (whole or not value):
            return whole
    return None


def _nearest(value: Any) -> float | None:
    """The float nearest to a float or a Decimal of so few digits; None for all else."""
    if type(value) is Decimal:
        try:
            return float(_readable(value))
        except ArithmeticError:
            return None
    return value if type(value) is float else None
