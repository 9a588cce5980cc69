"""The fixed list of units: how people spell them, the suffixes of columns, and their factors, asked of pint.

Only `sandtrack.units` reads this module; everything public is offered there.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal, localcontext
from types import MappingProxyType
from typing import Any


@dataclass(frozen=True)
class Quantity:
    """What can be measured: its noun, its canonical unit, how its units are spelled, what an error offers."""

    name: str
    canonical: str
    spellings: Mapping[str, str]
    accepted: str


# quantity: (noun, canonical unit, {unit: (name in pint, spellings with the one to offer first)})
_Units = dict[str, tuple[str, tuple[str, ...]]]
_VOLUMES: _Units = {
    "m3": ("meter**3", ("m3", "m³")),
    "l": ("liter", ("l", "L", "litre", "litres", "liter", "liters")),
    "ml": ("milliliter", ("ml", "mL", "millilitre", "millilitres", "milliliter", "milliliters")),
    "us_gal": ("US_liquid_gallon", ("us gal", "us gallon", "us gallons")),
    "imp_gal": (
        "imperial_gallon",
        ("imp gal", "imperial gal", "imp gallon", "imp gallons", "imperial gallon", "imperial gallons"),
    ),
    "ft3": ("foot**3", ("ft3", "ft³")),
}
_TEMPERATURES: _Units = {"degC": ("degC", ("°C", "C", "degC")), "degF": ("degF", ("°F", "F", "degF"))}
_TABLE: dict[str, tuple[str, str, _Units]] = {
    "mass": ("mass", "kg", {
        "kg": ("kilogram", ("kg", "kilogram", "kilograms")),
        "g": ("gram", ("g", "gram", "grams")),
        "t": ("tonne", ("t", "tonne", "tonnes", "metric ton", "metric tons")),
        "lb": ("pound", ("lb", "lbs", "pound", "pounds")),
        "oz": ("ounce", ("oz",)),
        "short_ton": ("short_ton", ("short ton", "short tons")),
        "long_ton": ("long_ton", ("long ton", "long tons")),
    }),
    "temperature": ("temperature", "degC", _TEMPERATURES),
    "temperature_difference": ("temperature difference", "degC", {
        unit: (f"delta_{name}", spellings) for unit, (name, spellings) in _TEMPERATURES.items()
    }),
    "time": ("time", "min", {
        "s": ("second", ("s", "sec", "secs", "second", "seconds")),
        "min": ("minute", ("min", "mins", "minute", "minutes")),
        "h": ("hour", ("h", "hr", "hrs", "hour", "hours")),
        "d": ("day", ("d", "day", "days")),
    }),
    "percent": ("percentage", "%", {"%": ("percent", ("%", "percent", "pct"))}),
    "volume": ("volume", "m3", _VOLUMES),
    "liquid_volume": ("volume", "l", _VOLUMES),
    "density": ("density", "kg/m3", {
        "kg/m3": ("kilogram/meter**3", ("kg/m3", "kg/m³")),
        "kg/l": ("kilogram/liter", ("kg/l", "kg/L", "g/cm3", "g/cm³")),
        "lb/ft3": ("pound/foot**3", ("lb/ft3", "lb/ft³")),
    }),
    "mass_flow": ("mass flow", "kg/min", {
        "kg/min": ("kilogram/minute", ("kg/min",)),
        "kg/h": ("kilogram/hour", ("kg/h",)),
        "t/h": ("tonne/hour", ("t/h",)),
        "lb/min": ("pound/minute", ("lb/min",)),
    }),
    "length": ("length", "m", {
        "m": ("meter", ("m", "metre", "metres", "meter", "meters")),
        "cm": ("centimeter", ("cm",)),
        "mm": ("millimeter", ("mm",)),
        "ft": ("foot", ("ft", "foot", "feet")),
        "in": ("inch", ("in", "inch", "inches")),
    }),
    "energy": ("energy", "kWh", {
        "kWh": ("kilowatt_hour", ("kWh",)),
        "MJ": ("megajoule", ("MJ",)),
    }),
}  # fmt: skip

QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
    {
        key: Quantity(
            name=noun,
            canonical=canonical,
            spellings=MappingProxyType({text: unit for unit, (_, texts) in units.items() for text in texts}),
            accepted=", ".join(texts[0] for _, texts in units.values()),
        )
        for key, (noun, canonical, units) in _TABLE.items()
    }
)

_SUFFIX_UNITS = {
    "mass": "kg t lb g short_ton long_ton", "temperature": "c=degC f=degF", "time": "min h s d",
    "percent": "pct=%", "volume": "m3", "liquid_volume": "l ml",
    "density": "kg_m3=kg/m3 kg_l=kg/l lb_ft3=lb/ft3",
    "mass_flow": "kg_min=kg/min kg_h=kg/h t_h=t/h lb_min=lb/min",
    "length": "m cm mm ft in", "energy": "kwh=kWh mj=MJ",
}  # fmt: skip
SUFFIXES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        suffix: (quantity, unit or suffix)
        for quantity, listed in _SUFFIX_UNITS.items()
        for suffix, _, unit in (entry.partition("=") for entry in listed.split())
    }
)

# In another case these would be other symbols (T tesla, S siemens, mj millijoule): read as written.
_CASE_MATTERS = frozenset({
    "t", "g", "h", "d", "s", "m", "cm", "mm", "m3", "m³", "l", "L", "ml", "mL", "C", "F", "MJ",
    "t/h", "kg/h", "kg/l", "kg/L", "g/cm3", "g/cm³",
})  # fmt: skip
ANY_CASE = {
    key: {text.casefold(): unit for text, unit in quantity.spellings.items() if text not in _CASE_MATTERS}
    for key, quantity in QUANTITIES.items()
}
# What the `unit=` argument may be besides a spelling: a unit's key or the suffix of a column.
ARGUMENTS = {
    key: {unit: unit for unit in units} | {text: unit for text, (_, unit) in SUFFIXES.items() if unit in units}
    for key, (_, _, units) in _TABLE.items()
}

_FACTORS: dict[tuple[str, str], tuple[Decimal, Decimal]] = {
    (quantity, known.canonical): (Decimal(1), Decimal(0)) for quantity, known in QUANTITIES.items()
}
_REGISTRY: list[Any] = []
_LOCK = threading.Lock()


def factor(quantity: str, unit: str) -> tuple[Decimal, Decimal]:
    """Return (scale, zero) with canonical = (amount - zero) * scale, asked of pint once for each unit."""
    found = _FACTORS.get((quantity, unit))
    if found is None:
        with _LOCK:
            found = _FACTORS[quantity, unit] = _derived(quantity, unit)
    return found


def _derived(quantity: str, unit: str) -> tuple[Decimal, Decimal]:
    _, canonical, units = _TABLE[quantity]
    # Ten digits more than are kept, so that 273.15 * 9 / 5 - 459.67 leaves no dust behind 32.
    with localcontext(Context(prec=60, rounding=ROUND_HALF_EVEN)):
        if not _REGISTRY:
            from pint import UnitRegistry

            _REGISTRY.append(UnitRegistry(non_int_type=Decimal))
        measure, home, away = _REGISTRY[0].Quantity, units[canonical][0], units[unit][0]
        one, nought = (measure(Decimal(n), away).to(home).magnitude for n in (1, 0))
        zero = measure(Decimal(0), home).to(away).magnitude
        scale = one - nought
    kept = Context(prec=50, rounding=ROUND_HALF_EVEN)
    return kept.plus(scale).normalize(kept), kept.plus(zero).normalize(kept)
