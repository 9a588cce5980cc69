"""What is typed in a question, read by the shop's own notation before it is asked: units, numbers, dates, names."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import click

from sandtrack import units
from sandtrack.errors import FieldError, InputErrors
from sandtrack.records.notation import Notation
from sandtrack.shop import Shop

Command = TypeVar("Command", bound=Callable[..., Any])

_NAMES = {"mixer": "mixers", "binder_system": "binder_systems", "pattern": "patterns", "place": "places"}
_TIMES = ("at", "since", "until", "known_on")
_NUMBERS = ("chance", "catalyst_pct", "fast_share")
_QUANTITIES = {
    "sand_temp": "temperature",
    "pattern_temp": "temperature",
    "pattern_temp_c": "temperature",
    "room_temp": "temperature",
    "surroundings_c": "temperature",
    "lowest_c": "temperature",
    "highest_c": "temperature",
    "step_c": "temperature_difference",
    "box_sand_kg": "mass",
    "strip_time_min": "time",
    "time_constant_min": "time",
    "minutes_ago": "time",
    "filled_for_min": "time",
}


def resolving(command: Command) -> Command:
    """Hand a question over with keys, units and plain dates; without a shop as it was typed."""

    @functools.wraps(command)
    def run(*args: Any, **given: Any) -> Any:
        shop_file: Path | None = given.get("shop_file")
        if shop_file is not None and given.get("folder") is None:
            with Shop.open(shop_file) as shop:
                given = _resolved(given, shop.notation())
                if "units" in given:
                    given["units"] = given["units"] or shop.plant().shop.units
        return command(*args, **given)

    return run  # type: ignore[return-value]


def _resolved(given: Mapping[str, Any], notation: Notation) -> dict[str, Any]:
    """Options and arguments as the shop means them; what was taken in its units is said on the error output."""
    read, problems, bare = dict(given), [], []
    for name, value in given.items():
        if not isinstance(value, str):
            continue
        label = _label(name)
        try:
            if name in _NAMES:
                read[name] = notation.key(value, _NAMES[name], field=label)
            elif name in _TIMES:
                read[name] = notation.moment(value, field=label)
            elif name in _NUMBERS:
                read[name] = notation.number(value, field=label)
            elif name in _QUANTITIES:
                read[name] = notation.quantity(value, _QUANTITIES[name], field=label)
                if notation.is_bare(value) and _QUANTITIES[name] != "time":
                    bare.append(f"{label} {read[name]}")
        except FieldError as problem:
            problems.append(problem)
    if problems:
        raise InputErrors(problems, what="the question")
    if bare and notation.units != "metric":
        click.echo(f"read as {', '.join(bare)}", err=True)
    if isinstance(read.get("step_c"), str):
        read["step_c"] = units.parse(read["step_c"], "temperature_difference", field="--step")
    return read


def _label(name: str) -> str:
    """The option or argument as it was typed."""
    context = click.get_current_context(silent=True)
    for parameter in context.command.params if context is not None else ():
        if parameter.name == name and parameter.opts:
            return parameter.opts[0] if isinstance(parameter, click.Option) else name
    return name
