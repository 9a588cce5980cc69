"""What the cure law and the belief about it share: constants, temperature, the two levers."""

from __future__ import annotations

from typing import Literal

import numpy as np

from sandtrack.errors import FieldError
from sandtrack.trade._numbers import Numbers, given

GAS_CONSTANT_J_MOL_K = 8.314462618  # CODATA 2018, exact from the SI
ZERO_C_IN_K = 273.15  # SI Brochure, 9th ed., 2.3.1

LeverKind = Literal["amount", "grade"]


def kelvin(temp_c: Numbers, *, field: str = "temp_c") -> Numbers:
    """Absolute temperature of a temperature in degrees Celsius. [K]"""
    return given(temp_c, field=field, above=-ZERO_C_IN_K) + ZERO_C_IN_K


def checked_lever(lever: Numbers, lever_kind: str, *, field: str = "lever") -> Numbers:
    """Amount above 0, or share of the fast grade from 0 to 1, ready for arithmetic. [% or share]"""
    if lever_kind == "amount":
        return given(lever, field=field, above=0.0)
    if lever_kind == "grade":
        return given(lever, field=field, at_least=0.0, at_most=1.0)
    raise FieldError(field="lever_kind", value=lever_kind, reason="is not known", accepted="amount, grade")


def lever_distance(lever: Numbers, at_lever: float, lever_kind: str) -> Numbers:
    """How far a lever stands from its reference: ln(c/c0) of an amount, x - x0 of a share. [-]"""
    checked = checked_lever(lever, lever_kind)
    return checked - at_lever if lever_kind == "grade" else np.log(checked / at_lever)


def lever_at(distance: Numbers, at_lever: float, lever_kind: str) -> Numbers:
    """Lever that stands at this distance from its reference; the inverse of `lever_distance`. [% or share]"""
    return distance + at_lever if lever_kind == "grade" else np.exp(distance) * at_lever
