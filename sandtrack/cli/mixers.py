"""Commands about the mixers: calibration, audit."""

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


@click.command(short_help="What mixes held against what they should.")
@click.option("--mixer", metavar="KEY", help="Only this mixer.")
@click.option("--since", metavar="TIME", help="Start of the period; default: 35 days before its end.")
@click.option("--until", metavar="TIME", help="End of the period; default: now.")
@click.option("--known-on", metavar="DAY", help="As known by the end of that day.")
@answer_options
@explained
def audit(
    mixer: str | None,
    since: str | None,
    until: str | None,
    known_on: str | None,
    as_json: bool,
    units: str,
    why: bool,
    shop_file: Path | None,
) -> None:
    """What mixes really held against what they should have: drifts found and dated, tanks against doses.

    \b
    Example:
      sandtrack audit --mixer m2 --since 2025-05-01 --until 2025-05-31
    """
    with opened(shop_file) as shop:
        show(shop.audit(mixer, since, until, known_on), shop, as_json=as_json, units=units, why=why)
