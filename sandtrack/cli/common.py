"""What all commands share: finding the shop, saying no in the right way, printing."""

from __future__ import annotations

import functools
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from sandtrack.cli import edge
from sandtrack.errors import ClockAhead, FieldError, InputErrors, SandtrackError, ShopFileError
from sandtrack.report import answers, booked, numerals, text
from sandtrack.shop import Answer, Receipt, Shop

_CLOCK = "sandtrack.clock_is_right"
ANSWERED, NO, BAD_INPUT, SHOP_FILE, VERIFY_FAILED = 0, 1, 2, 3, 4

ANY_FILE = click.Path(path_type=Path, readable=False)
"""A file that the library is to complain of, with its own words and exit code, not click."""

Command = TypeVar("Command", bound=Callable[..., Any])


def shop_option(command: Command) -> Command:
    """`--shop FILE`, or SANDTRACK_SHOP."""
    return click.option(
        "--shop",
        "shop_file",
        envvar="SANDTRACK_SHOP",
        metavar="FILE",
        type=ANY_FILE,
        help="The shop file; or set SANDTRACK_SHOP.",
    )(command)


def answer_options(command: Command) -> Command:
    """Options of every question: the shop, how to print; what is typed is read by the shop's own notation."""
    command = explained(edge.resolving(command))
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the whole answer as JSON."),
        click.option(
            "--units",
            type=click.Choice(["metric", "us"]),
            help="Units to print in, else the shop's own; JSON is always metric.",
        ),
        click.option("--why", is_flag=True, help="Print also what the answer rests on."),
        shop_option,
    ):
        command = option(command)
    return command


def time_options(command: Command) -> Command:
    """Options of questions that can be asked of another time."""
    for option in (
        click.option("--known-on", metavar="DAY", help="As known by the end of that day."),
        click.option("--at", metavar="TIME", help="The time asked about; default: now. A date is its end."),
    ):
        command = option(command)
    return command


def period_options(command: Command) -> Command:
    """Options of questions about a period."""
    for option in (
        click.option("--known-on", metavar="DAY", help="As known by the end of that day."),
        click.option("--until", metavar="TIME", required=True, help="End of the period; a date is its end."),
        click.option("--since", metavar="TIME", required=True, help="Start of the period; a date is its start."),
    ):
        command = option(command)
    return command


def clock_option(command: Command) -> Command:
    """`--clock-is-right` of commands that record: they ask before they record far past the last record."""

    def keep(context: click.Context, _: click.Parameter, given: bool) -> None:
        context.meta[_CLOCK] = given

    return click.option(
        "--clock-is-right",
        is_flag=True,
        expose_value=False,
        callback=keep,
        help="This computer's clock is right, although the last record is over 400 days old.",
    )(command)


def on_terminal() -> bool:
    """Whether somebody can be asked."""
    return sys.stdin.isatty()


def look_at_clock(shop: Shop) -> None:
    """Raise ClockAhead where a command is to record far past the last record, unless somebody confirms the clock."""
    shop.ledger.clock_is_right = click.get_current_context().meta[_CLOCK]
    ahead = shop.ledger.clock_ahead()
    if ahead is None:
        return
    clock_question = (
        f"This computer's clock shows {ahead.details['now']}; the last record is of {ahead.details['last']}"
    )
    if not on_terminal():
        raise ClockAhead(f"{ahead}: --clock-is-right", **ahead.details)
    if not click.confirm(f"{clock_question}. Is the clock right?", err=True):
        raise ahead
    shop.ledger.clock_is_right = True


@contextmanager
def opened(shop_file: Path | None, *, records: bool = False) -> Iterator[Shop]:
    """Open the shop that a command was given; one that `records` has the `clock_option`."""
    if shop_file is None:
        raise InputErrors(
            [
                FieldError(
                    field="--shop", reason="is missing", accepted="--shop FILE, or the environment's SANDTRACK_SHOP"
                )
            ],
            what="the command",
        )
    with Shop.open(shop_file) as shop:
        if records:
            look_at_clock(shop)
        yield shop


def explained(command: Command) -> Command:
    """Turn the library's errors into a message and an exit code."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> Any:
        try:
            return command(*args, **kwargs)
        except ShopFileError as error:
            click.echo(f"sandtrack: {error}", err=True)
            raise SystemExit(SHOP_FILE) from None
        except SandtrackError as error:
            click.echo(f"sandtrack: {error}", err=True)
            raise SystemExit(BAD_INPUT) from None

    return run  # type: ignore[return-value]


def show(answer: Answer, shop: Shop, *, as_json: bool, units: str | None, why: bool) -> None:
    """Print an answer, in the shop's own units if none are asked for; end with 1 where it is "no"."""
    if as_json:
        click.echo(json.dumps(answer.as_dict(), ensure_ascii=False, allow_nan=False, indent=2))
    else:
        click.echo(answers.text(answer, text.Names(shop.plant()), units=units or shop.plant().shop.units, why=why))
    if not answer.possible:
        raise SystemExit(NO)


def show_receipt(receipt: Receipt, shop: Shop, as_json: bool) -> None:
    """Print what became of a record, and what was booked in the shop's own units."""
    if as_json:
        click.echo(json.dumps(receipt.as_dict(), ensure_ascii=False, indent=2))
        return
    click.echo(
        f"{'recorded' if receipt.new else 'known already'}: {receipt.kind} {receipt.id} of {receipt.sender}, "
        f"{text.day(receipt.recorded_at)}"
    )
    plant = shop.plant()
    lines = booked.booked(receipt.booked, text.Names(plant), plant.shop.units) + text.flags(receipt.flags)
    for line in numerals.written(lines, plant.shop.decimal) + text.cautions(receipt.cautions):
        click.echo(line)


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None] | None]:
    """A bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=100, label=label, file=sys.stderr) as bar:
        yield lambda done, total: bar.update(int(100 * done / max(total, 1)) - bar.pos)
