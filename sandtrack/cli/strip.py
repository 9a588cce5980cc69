"""Commands about strip times: what the checks have taught, and a fill that stopped."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sandtrack.cli import drawing
from sandtrack.cli.common import answer_options, explained, opened, show, time_options
from sandtrack.records.events import PURPOSES
from sandtrack.records.observations import DEFINITIONS


@click.command(short_help="What the strip checks have taught.")
@click.argument("binder_system")
@click.option(
    "--definition", type=click.Choice(DEFINITIONS), help="How strip is judged; as for the reference, if unsaid."
)
@drawing.picture_option("picture", "strip time over the sand's temperature, with the checks")
@drawing.picture_option("foretold", "strip times foretold against those measured")
@time_options
@answer_options
@explained
def learned(
    binder_system: str,
    definition: str | None,
    picture_file: Path | None,
    foretold_file: Path | None,
    at: str | None,
    known_on: str | None,
    as_json: bool,
    units: str,
    why: bool,
    shop_file: Path | None,
) -> None:
    """What the strip checks of a binder system have taught, how far to trust it, and what to check next.

    \b
    Example:
      sandtrack learned furan --why
      sandtrack learned furan --picture strip.png --foretold foretold.png
    """
    with opened(shop_file) as shop:
        answer = shop.learned(binder_system, at, known_on, definition)
        drawing.of_learned(shop, binder_system, definition, picture_file, at, known_on)
        drawing.of_foretold(shop, binder_system, definition, foretold_file, at, known_on)
        show(answer, shop, as_json=as_json, units=units, why=why)


@click.command(short_help="A fill stopped: carry on or dump?")
@click.argument("mixer")
@click.argument("binder_system")
@click.argument("minutes_ago")
@click.option("--sand-temp", metavar="TEMP", help="Temperature of the mixed sand; default: the last one measured.")
@click.option("--filled-for", "filled_for_min", metavar="MINUTES", help="How long the fill had run.")
@click.option("--purpose", type=click.Choice(PURPOSES), help="What the sand is in the mould.")
@click.option("--catalyst-pct", metavar="PCT", help="What was set; default: as the last mix drew it.")
@click.option("--fast-share", metavar="SHARE", help="Share of the fast grade that was set.")
@click.option(
    "--pattern-temp", "pattern_temp_c", metavar="TEMP", help="Temperature of the pattern: its face may set first."
)
@click.option("--room-temp", "surroundings_c", metavar="TEMP", help="Temperature that the mould stands in.")
@click.option(
    "--time-constant", "time_constant_min", metavar="MINUTES", help="How fast the mould follows; default: a cube's."
)
@time_options
@answer_options
@explained
def stopped(
    mixer: str,
    binder_system: str,
    minutes_ago: str,
    sand_temp: str | None,
    at: str | None,
    known_on: str | None,
    as_json: bool,
    units: str,
    why: bool,
    shop_file: Path | None,
    **asked: Any,
) -> None:
    """The mixer stopped in mid-fill, MINUTES_AGO: is the surface still live, carry on or dump?

    \b
    Example:
      sandtrack stopped m1 furan 12 --sand-temp 14 --filled-for 5
    """
    with opened(shop_file) as shop:
        answer = shop.stopped(
            mixer,
            binder_system,
            sand_temp,
            minutes_ago,
            at=at,
            known_on=known_on,
            **asked,
        )
        show(answer, shop, as_json=as_json, units=units, why=why)
