"""What is typed to change the set-up: NAME=VALUE, with names as in plant.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from sandtrack.errors import FieldError, InputErrors


def patch(changes: Iterable[str], removed: Iterable[str]) -> dict[str, Any]:
    """Changes as a part of the set-up, None for what is to go; raises InputErrors."""
    problems: list[FieldError] = []
    whole: dict[str, Any] = {}
    for text in changes:
        name, equals, value = text.partition("=")
        if not equals or not value.strip():
            problems.append(
                FieldError(
                    field="change", value=text, reason="is not NAME=VALUE",
                    accepted="such as patterns.p12.box_sand_kg=950; to take one out, --remove NAME",
                )
            )  # fmt: skip
            continue
        _put(whole, name, _value(value.strip()), problems)
    for name in removed:
        _put(whole, name, None, problems)
    if problems:
        raise InputErrors(problems, what="the change")
    return whole


def _value(text: str) -> Any:
    """A value as TOML writes it; what is no TOML is a text, so that names need no quotation marks in a shell."""
    try:
        return tomllib.loads(f"value = {text}", parse_float=Decimal)["value"]
    except tomllib.TOMLDecodeError:
        return text


def _put(whole: dict[str, Any], name: str, value: Any, problems: list[FieldError]) -> None:
    parts = [part.strip() for part in name.split(".")]
    if not all(parts) or len(parts) < 2:
        accepted = "section and name, such as limits.loss_warn_pct or patterns.p12.box_sand_kg"
        problems.append(FieldError(field="change", value=name, reason="names no single value", accepted=accepted))
        return
    table = whole
    for part in parts[:-1]:
        inner = table.setdefault(part, {})
        if not isinstance(inner, dict):
            problems.append(FieldError(field=name, reason="is changed twice", accepted="one change of a value"))
            return
        table = inner
    if parts[-1] in table:
        problems.append(FieldError(field=name, reason="is changed twice", accepted="one change of a value"))
        return
    table[parts[-1]] = value
