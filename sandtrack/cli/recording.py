"""Commands that write: init, load, log, undo, plant import; and template, which shows how to."""

from __future__ import annotations

import getpass
import json
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import click
import tomli_w

from sandtrack.cli import changing
from sandtrack.cli.common import BAD_INPUT, clock_option, explained, opened, progress_bar, shop_option, show_receipt
from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger import drives
from sandtrack.plant import read_toml
from sandtrack.records import KINDS, canonical, content_hash, flat, times
from sandtrack.records.notation import as_typed
from sandtrack.report import text
from sandtrack.shop import Shop, loading
from sandtrack.shop.mould_numbers import require_clear


def user() -> str:
    """Who is at the keyboard, as sender of what is logged."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "someone"


@click.command(short_help="Make a shop file.")
@click.argument("plant", type=click.Path(path_type=Path), metavar="PLANT.toml")
@shop_option
@explained
def init(plant: Path, shop_file: Path | None) -> None:
    """Make a shop file from a set-up.

    \b
    Example:
      sandtrack init --shop foundry.sandtrack plant.toml
    """
    if shop_file is None:
        raise InputErrors(
            [FieldError(field="--shop", reason="is missing", accepted="the file to make")], what="the command"
        )
    with Shop.create(shop_file, plant, sender=user()) as shop:
        made = shop.plant()
        click.echo(f"made {shop_file} for {made.shop.name}; next:")
        for line in text.first_steps(made):
            click.echo(f"  {line}")
    if doubt := drives.doubt(shop_file):
        click.echo(f"note: {doubt}", err=True)


@click.command(short_help="Load records from CSV or Excel.")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILES…")
@click.option("--sender", help="Sender of lines that name none; else the person in the column `by`.")
@click.option(
    "--decimal",
    type=click.Choice([".", ","]),
    help="Decimal mark of the files. If left out it is the point, and a number like 24.600 is refused where the mark "
    "is not sure.",
)
@click.option("--line-breaks", is_flag=True, help="Texts in CSV files may go over several lines.")
@click.option("--keep-good", is_flag=True, help="Load the good lines even if others are bad.")
@click.option(
    "--rejects",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write the bad lines with their reasons to files in this folder, to be corrected and loaded again.",
)
@clock_option
@shop_option
@explained
def load(
    paths: tuple[Path, ...],
    sender: str | None,
    decimal: str | None,
    line_breaks: bool,
    keep_good: bool,
    rejects: Path | None,
    shop_file: Path | None,
) -> None:
    """Load records from CSV or Excel files, or from folders of them. Loading again adds nothing.

    A file is named after its kind: delivery.csv, mix_2025.csv, count.xlsx. Nothing is loaded while a line is bad,
    unless --keep-good is given.

    \b
    Examples:
      sandtrack load --shop foundry.sandtrack demo_data
      sandtrack load --decimal , --sender weighbridge delivery.csv
      sandtrack load --keep-good --rejects bad mix.csv
    """
    with opened(shop_file, records=True) as shop, progress_bar("loading") as progress:
        result = loading.load(
            shop.ledger,
            paths,
            sender=sender,
            decimal=decimal,
            line_breaks=line_breaks,
            keep_good=keep_good,
            rejects=rejects,
            progress=progress,
        )
        made, zone = shop.plant(), shop.ledger.zone
    click.echo(text.load_result(result, made, zone))
    if result.problem_count:
        raise SystemExit(BAD_INPUT)


@click.group(name="log", short_help="Record one event.")
def log() -> None:
    """Record one event: `sandtrack log KIND --help` shows the fields of a kind.

    A number without a unit, as --mass 900, is in the shop's own units; the receipt repeats it. Further streams and
    catches go on as --stream7-place, --stream8-place …

    \b
    Examples:
      sandtrack log delivery --place silo_new --material new_sand --mass "24.6 t" --ticket 4711
      sandtrack log count --at 2025-06-30 --place silo_new --mass-kg 18200
      sandtrack log knock_out --moulds "118;119" --to heap_f
    """


MOST_PARTS = 16
"""How many streams or catches of one record can be typed as options; files take any number."""


def _log_command(kind: str) -> click.Command:
    columns = [column for column in flat.columns(kind, repeat=MOST_PARTS) if column.name != "sender"]
    shown = {column.name for column in flat.columns(kind)}

    @clock_option
    @shop_option
    @click.option("--json", "as_json", is_flag=True, help="Print the receipt as JSON.")
    @click.option("--sender", help="Who sends it; default: --by, else your user name.")
    @explained
    def command(shop_file: Path | None, as_json: bool, sender: str | None, **given: Any) -> None:
        cells = _cells(given)
        with opened(shop_file, records=True) as shop:
            if "at" not in cells and kind != "reversal":
                cells["at"] = times.show(shop.ledger.clock(), shop.ledger.zone, exact=True)
            notation = shop.notation()
            header, row, problems = as_typed(kind, cells, notation)
            content, record_id, _, wrong = flat.reader(kind, header, decimal=notation.decimal).parse(row)
            if problems or wrong:
                raise InputErrors([*problems, *wrong], what=kind)
            who = sender or cells.get("by") or user()
            require_clear(shop.ledger, kind, content, sender=who, record_id=record_id)
            show_receipt(shop.log(kind, content, sender=who, id=record_id or None), shop, as_json)

    made = click.command(name=kind, help=(KINDS[kind].__doc__ or "").strip())(command)
    listed = [option for column in columns for option in _options(column, column.name in shown)]
    made.params = listed + made.params
    return made


def _cells(given: dict[str, Any]) -> dict[str, str]:
    """Options as the cells of a row; NAME=VALUE ones each in a column of their own."""
    cells: dict[str, str] = {}
    for name, value in given.items():
        if isinstance(value, tuple):
            for named in value:
                label, sign, cell = named.partition("=")
                if not sign:
                    raise InputErrors(
                        [FieldError(field=name, value=named, reason="has no '='", accepted="NAME=VALUE")],
                        what="the command",
                    )
                cells[f"{name}_{label}"] = cell
        elif value is not None:
            cells[name] = value
    return cells


def _options(column: flat.Column, shown: bool) -> list[click.Option]:
    if column.path[-1] == "NAME":
        name = column.name.removesuffix("_NAME")
        return [click.Option([_dashed(name), name], multiple=True, metavar="NAME=VALUE", help=column.doc)]
    help_text = column.doc + (" (required)" if column.required else "")
    if column.name == "at":
        help_text = "when it happened, in the shop's time; default: now"
    if column.also:
        help_text += f"; or {_dashed(column.also[0])} with a unit, else in the shop's own"
    number = column.accepted.startswith("a number") and "true" not in column.accepted
    options = [
        click.Option(
            [_dashed(column.name), column.name],
            help=help_text,
            metavar="NUMBER" if number else "TEXT",
            hidden=not shown,
        )
    ]
    return options + [click.Option([_dashed(other), other], hidden=True) for other in column.also]


def _dashed(name: str) -> str:
    return "--" + name.replace("_", "-")


for _kind in KINDS:
    log.add_command(_log_command(_kind))


@click.command(short_help="Withdraw a record.")
@click.argument("record_id", metavar="ID")
@click.option("--sender", required=True, help="Sender of the record.")
@click.option("--reason", required=True, help="Why it is withdrawn.")
@click.option("--by", help="Who withdraws it; default: your user name.")
@click.option("--json", "as_json", is_flag=True, help="Print the receipt as JSON.")
@clock_option
@shop_option
@explained
def undo(record_id: str, sender: str, reason: str, by: str | None, as_json: bool, shop_file: Path | None) -> None:
    """Withdraw a record: the same, backwards, at its own time. Nothing is erased.

    \b
    Example:
      sandtrack undo d-0412 --sender weighbridge --reason "wrong silo"
    """
    with opened(shop_file, records=True) as shop:
        show_receipt(shop.undo(sender, record_id, reason=reason, by=by or user()), shop, as_json)


@click.command(short_help="An empty file of a kind.")
@click.argument("kind", type=click.Choice(list(KINDS)))
@click.option("--describe", is_flag=True, help="Say what each column is instead.")
@explained
def template(kind: str, describe: bool) -> None:
    """Print an empty file of a kind with the right columns.

    \b
    Examples:
      sandtrack template mix > mix.csv
      sandtrack template mix --describe
    """
    if describe:
        click.echo(text.columns(flat.columns(kind)))
    else:
        click.echo(flat.template(kind), nl=False)


@click.group(short_help="The set-up: show, import, export.")
def plant() -> None:
    """Show the set-up in force, bring in a new revision, or write it out."""


@plant.command(name="show")
@click.option("--at", metavar="TIME", help="The time asked about; default: now.")
@shop_option
@explained
def plant_show(at: str | None, shop_file: Path | None) -> None:
    """Show the set-up in force.

    \b
    Example:
      sandtrack plant show --at 2025-06-30
    """
    with opened(shop_file) as shop:
        click.echo(text.plant(shop.plant(at)))


@plant.command(name="import")
@click.argument("file", type=click.Path(path_type=Path), metavar="PLANT.toml")
@click.option("--by", help="Who brings it in; default: your user name.")
@click.option("--json", "as_json", is_flag=True, help="Print the receipt as JSON.")
@clock_option
@shop_option
@explained
def plant_import(file: Path, by: str | None, as_json: bool, shop_file: Path | None) -> None:
    """Bring in a revision of the set-up; it holds from its own valid_from.

    \b
    Example:
      sandtrack plant import plant.toml
    """
    content = read_toml(file)
    with opened(shop_file, records=True) as shop:
        record_id = f"plant-{content_hash(canonical(content))[:16]}"
        show_receipt(shop.log("plant", content, sender=by or user(), id=record_id), shop, as_json)


@plant.command(name="change")
@click.argument("changes", nargs=-1, metavar="NAME=VALUE …")
@click.option("--remove", multiple=True, metavar="NAME", help="Take this out; may be given several times.")
@click.option("--from", "valid_from", metavar="DAY", help="The day from which it holds; default: today.")
@click.option("--by", help="Who changes it; default: your user name.")
@click.option("--json", "as_json", is_flag=True, help="Print the receipt as JSON.")
@clock_option
@shop_option
@explained
def plant_change(
    changes: tuple[str, ...],
    remove: tuple[str, ...],
    valid_from: str | None,
    by: str | None,
    as_json: bool,
    shop_file: Path | None,
) -> None:
    """Change a single value of the set-up, such as the box sand of one pattern. The rest stays as it is.

    \b
    Examples:
      sandtrack plant change patterns.p12.box_sand_kg=950
      sandtrack plant change prices.new_sand.per_kg=0.048 --from 2026-01-01
      sandtrack plant change --remove patterns.p12
    """
    with opened(shop_file, records=True) as shop:
        receipt = shop.change_plant(changing.patch(changes, remove), by=by or user(), valid_from=valid_from)
        show_receipt(receipt, shop, as_json)


@plant.command(name="export")
@click.option("--at", metavar="TIME", help="The time asked about; default: now.")
@shop_option
@explained
def plant_export(at: str | None, shop_file: Path | None) -> None:
    """Write the set-up in force as TOML.

    \b
    Example:
      sandtrack plant export > plant.toml
    """
    with opened(shop_file) as shop:
        content = shop.plant_content(at)
        toml = tomli_w.dumps(json.loads(json.dumps(content)))
        tomllib.loads(toml, parse_float=Decimal)
        click.echo(toml, nl=False)
