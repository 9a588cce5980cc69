"""Pictures beside an answer: `--picture FILE` of the commands that have one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from sandtrack.cli.common import Command
from sandtrack.shop import Answer, Shop
from sandtrack.shop.dosing import drawn
from sandtrack.shop.picture import picture


def picture_option(name: str, what: str) -> Callable[[Command], Command]:
    """An option that takes the file of a picture."""
    return click.option(
        f"--{name}",
        f"{name.replace('-', '_')}_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help=f"Draw {what}: .png, .svg or .pdf.",
    )


def of_setting(shop: Shop, answer: Answer, path: Path | None, at: str | None, known_on: str | None) -> None:
    """Where the box can be filled and strips in time."""
    if path is not None:
        with picture(shop.ledger, at, known_on) as seen:
            found = drawn.region(seen, answer)
        _save("feasible_region", found, path)


def of_learned(
    shop: Shop, binder_system: str, definition: str | None, path: Path | None, at: str | None, known_on: str | None
) -> None:
    """Strip time over the sand's temperature, with the shop's checks."""
    if path is not None:
        with picture(shop.ledger, at, known_on) as seen:
            found = drawn.curve(seen, binder_system, definition=definition)
        _save("strip_against_temperature", found, path)


def of_foretold(
    shop: Shop, binder_system: str, definition: str | None, path: Path | None, at: str | None, known_on: str | None
) -> None:
    """Strip times foretold against those measured."""
    if path is not None:
        with picture(shop.ledger, at, known_on) as seen:
            found = drawn.foretold(seen, binder_system, definition)
        _save("foretold_against_measured", found, path)


def _save(kind: str, found: dict[str, Any] | None, path: Path) -> None:
    if found is None:
        click.echo("no picture: no strip time is known, or none was asked for", err=True)
        return
    from sandtrack.report import drawing, pictures

    drawing.save(getattr(pictures, kind)(**found), path)
    click.echo(f"written: {path}", err=True)
