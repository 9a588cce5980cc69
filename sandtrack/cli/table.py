"""Commands about tables of settings by sand temperature: table, and tables given out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from sandtrack.cli.common import (
    NO,
    Command,
    answer_options,
    clock_option,
    explained,
    look_at_clock,
    opened,
    show,
    show_receipt,
    time_options,
)
from sandtrack.cli.recording import user
from sandtrack.errors import FieldError, InputErrors
from sandtrack.records.events import PURPOSES
from sandtrack.report import sheet, tables
from sandtrack.report.text import Names
from sandtrack.shop import Shop


def _sheet_options(command: Command) -> Command:
    for option in (
        click.option(
            "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper of the sheet."
        ),
        click.option(
            "--sheet",
            "sheet_file",
            type=click.Path(path_type=Path),
            metavar="FILE",
            help="Write it as a sheet for the wall: .html, .pdf, .png or .svg.",
        ),
        click.option("--csv", "csv_file", type=click.Path(path_type=Path), metavar="FILE", help="Write it as CSV."),
    ):
        command = option(command)
    return command


@click.command(short_help="Settings by sand temperature.")
@click.argument("mixer")
@click.argument("binder_system")
@click.option("--from", "lowest_c", metavar="TEMP", required=True, help="Coldest sand, as 5, '5 °C' or '41 °F'.")
@click.option("--to", "highest_c", metavar="TEMP", required=True, help="Warmest sand.")
@click.option("--step", "step_c", metavar="DEGREES", help="Step of the rows, as 2 or '4 °F'; default: 2 °C.")
@click.option("--strip", "strip_time_min", metavar="MINUTES", help="Strip time wanted, as 60 or '1.5 h'.")
@click.option("--chance", metavar="SHARE", help="Chance of having stripped by then, as 0.9.")
@click.option("--box", "box_sand_kg", metavar="KG", help="Sand that the box takes, as 900, '1.2 t' or '800 lb'.")
@click.option("--pattern", metavar="KEY", help="Pattern card: its box and usual strip time.")
@click.option("--purpose", type=click.Choice(PURPOSES), help="What the sand is in the mould.")
@_sheet_options
@click.option("--issue", is_flag=True, help="Give it out: number it and keep it in the book; always a table of now.")
@click.option("--by", help="Who gives it out; default: your user name.")
@time_options
@answer_options
@clock_option
@explained
def table(
    mixer: str,
    binder_system: str,
    sheet_file: Path | None,
    csv_file: Path | None,
    paper: sheet.Paper,
    issue: bool,
    by: str | None,
    at: str | None,
    known_on: str | None,
    as_json: bool,
    units: str,
    why: bool,
    shop_file: Path | None,
    **asked: Any,
) -> None:
    """What to set at each sand temperature: for a device to keep, or for the wall.

    \b
    Examples:
      sandtrack table m1 furan --from 5 --to 35 --step 2
      sandtrack table m1 furan --from 9 --to 27 --issue --sheet furan.pdf
    """
    if issue and (at or known_on):
        problem = FieldError(field="--issue", reason="cannot stand beside --at or --known-on", accepted="one of them")
        raise InputErrors([problem], what="the command")
    with opened(shop_file) as shop:
        number = None
        if issue:
            look_at_clock(shop)
            given = shop.issue_table(mixer, binder_system, by=by or user(), **asked)
            answer, number = given.table, given.number
            if as_json and given.receipt is not None:
                click.echo(json.dumps(given.as_dict(), ensure_ascii=False, allow_nan=False, indent=2))
            elif given.receipt is not None:
                show_receipt(given.receipt, shop, as_json)
        else:
            answer = shop.table(mixer, binder_system, **asked, at=at, known_on=known_on)
        if "rows" in answer.values:
            _write(shop, tables.as_kept(answer, number), units, csv_file, sheet_file, paper)
        if not (as_json and number is not None):
            show(answer, shop, as_json=as_json, units=units, why=why)


@click.command(name="tables", short_help="Tables given out.")
@click.option(
    "--number", type=int, metavar="NUMBER", help="Only this one; --sheet and --csv write it again, as it was."
)
@_sheet_options
@time_options
@answer_options
@explained
def given_out(
    number: int | None,
    sheet_file: Path | None,
    csv_file: Path | None,
    paper: sheet.Paper,
    at: str | None,
    known_on: str | None,
    as_json: bool,
    units: str,
    why: bool,
    shop_file: Path | None,
) -> None:
    """Tables of settings that were given out, and which may still be used.

    \b
    Examples:
      sandtrack tables
      sandtrack tables --number 7 --sheet furan.pdf
    """
    with opened(shop_file) as shop:
        answer = shop.tables(at, known_on, number)
        if number is None and (sheet_file or csv_file):
            problem = FieldError(field="--number", reason="is missing", accepted="the number of the table to write")
            raise InputErrors([problem], what="the command")
        if number is None:
            show(answer, shop, as_json=as_json, units=units, why=why)
            return
        if not answer.possible:
            click.echo(f"No: {answer.because}")
            raise SystemExit(NO)
        (one,) = answer.values["tables"]
        if as_json:
            click.echo(json.dumps(one, ensure_ascii=False, allow_nan=False, indent=2))
        else:
            click.echo("\n".join(tables.kept(one, Names(shop.plant()), units)))
        _write(shop, one, units, csv_file, sheet_file, paper)


def _write(
    shop: Shop,
    one: Mapping[str, Any],
    units: str,
    csv_file: Path | None,
    sheet_file: Path | None,
    paper: sheet.Paper,
) -> None:
    if csv_file is not None:
        csv_file.write_text(tables.as_csv(one), encoding="utf-8", newline="")
        click.echo(f"written: {csv_file}", err=True)
    if sheet_file is not None:
        drawn = sheet.of_issued(one, Names(shop.plant()), units=units)
        for path in sheet.write(drawn, sheet_file, paper=paper):
            click.echo(f"written: {path}", err=True)
