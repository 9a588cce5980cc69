"""Commands about the mixers: calibration."""

from __future__ import annotations

from pathlib import Path

import click

from sandtrack.cli.common import answer_options, explained, opened, show, time_options


@click.command(short_help="Rates and settings of a mixer's pumps.")
@click.argument("mixer")
@time_options
@answer_options
@explained
def calibration(
    mixer: str, at: str | None, known_on: str | None, as_json: bool, units: str, why: bool, shop_file: Path | None
) -> None:
    """What the latest calibrations of a mixer say: rates, settings for the usual mix, drift, and when due.

    \b
    Example:
      sandtrack calibration m2
    """
    with opened(shop_file) as shop:
        show(shop.calibration(mixer, at, known_on), shop, as_json=as_json, units=units, why=why)
