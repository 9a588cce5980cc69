"""Commands that ask: brief, stock, moulds, dose, reclaim, balance, attention, records, verify."""

from __future__ import annotations

import functools
import json
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from sandtrack.cli import drawing
from sandtrack.cli.common import (
    VERIFY_FAILED,
    answer_options,
    explained,
    opened,
    period_options,
    progress_bar,
    shop_option,
    show,
    time_options,
)
from sandtrack.records import KINDS, times
from sandtrack.records.events import PURPOSES
from sandtrack.report import text
from sandtrack.shop import Answer, Shop, loading
from sandtrack.shop.wording import several


@click.command(short_help="The whole circuit on one screen.")
@click.argument("folder", required=False, type=click.Path(path_type=Path), metavar="[FOLDER]")
@click.option("--at", metavar="TIME", help="The time asked about; now, or the last record of a folder.")
@answer_options
@explained
def brief(folder: Path | None, at: str | None, as_json: bool, units: str, why: bool, shop_file: Path | None) -> None:
    """The morning brief on one screen: what is where, what to set, what came back, what to look at.

    Given a folder (plant.toml and a CSV file a kind), it loads that into a shop of its own and asks that.

    \b
    Examples:
      sandtrack brief demo_data
      sandtrack brief --shop foundry.sandtrack
    """
    if folder is None:
        with opened(shop_file) as shop:
            show(shop.brief(at), shop, as_json=as_json, units=units, why=why)
        return
    with tempfile.TemporaryDirectory() as temporary:
        with progress_bar("loading") as progress:
            ledger, result = loading.open_folder(folder, Path(temporary) / "brief.sandtrack", progress=progress)
        with Shop(ledger) as shop:
            last = None if result.last_at is None else times.from_microseconds(result.last_at, ledger.zone)
            show(shop.brief(at or last), shop, as_json=as_json, units=units, why=why)


@click.command(short_help="What is where, how sure, what fits.")
@time_options
@answer_options
@explained
def stock(at: str | None, known_on: str | None, as_json: bool, units: str, why: bool, shop_file: Path | None) -> None:
    """What is in each place, how sure, and how much more would fit.

    \b
    Examples:
      sandtrack stock
      sandtrack stock --at 2025-06-30 --known-on 2025-07-05 --json
    """
    with opened(shop_file) as shop:
        show(shop.stock(at, known_on), shop, as_json=as_json, units=units, why=why)


@click.command(short_help="How long stock lasts, when to order.")
@time_options
@answer_options
@explained
def cover(at: str | None, known_on: str | None, as_json: bool, units: str, why: bool, shop_file: Path | None) -> None:
    """How many days stock lasts at the shop's own draw, and by when to order.

    \b
    Example:
      sandtrack cover --json
    """
    with opened(shop_file) as shop:
        show(shop.cover(at, known_on), shop, as_json=as_json, units=units, why=why)


@click.command(short_help="Moulds standing and when they strip.")
@time_options
@answer_options
@explained
def moulds(at: str | None, known_on: str | None, as_json: bool, units: str, why: bool, shop_file: Path | None) -> None:
    """Moulds standing: since when, with what, and when they strip.

    \b
    Example:
      sandtrack moulds --at "2025-06-30 14:00"
    """
    with opened(shop_file) as shop:
        show(shop.moulds(at, known_on), shop, as_json=as_json, units=units, why=why)


@click.command(short_help="What to set, and when it strips.")
@click.argument("mixer")
@click.argument("binder_system")
@click.option(
    "--sand-temp",
    metavar="TEMP",
    help="Temperature of the mixed sand, as 12, '12 °C' or '54 °F'; default: the last one measured.",
)
@click.option("--strip", "strip_time_min", metavar="MINUTES", help="Strip time wanted, as 60 or '1.5 h'.")
@click.option("--chance", metavar="SHARE", help="Chance of having stripped by then, as 0.9.")
@click.option("--box", "box_sand_kg", metavar="KG", help="Sand that the box takes, as 900, '1.2 t' or '800 lb'.")
@click.option("--pattern", metavar="KEY", help="Pattern card: its box and usual strip time.")
@click.option("--purpose", type=click.Choice(PURPOSES), help="What the sand is in the mould.")
@click.option("--pattern-temp", metavar="TEMP", help="Temperature of the pattern: its face strips last or sets first.")
@click.option("--room-temp", metavar="TEMP", help="Temperature that the mould stands in.")
@click.option(
    "--time-constant", "time_constant_min", metavar="MINUTES", help="How fast the mould follows; default: a cube's."
)
@click.option("--catalyst-pct", metavar="PCT", help="Ask what this amount of catalyst would do.")
@click.option("--fast-share", metavar="SHARE", help="Ask what this share of the fast grade would do.")
@drawing.picture_option("picture", "where, by setting and sand temperature, the box fits and strips in time")
@time_options
@answer_options
@explained
def dose(
    mixer: str,
    binder_system: str,
    sand_temp: str | None,
    pattern_temp: str | None,
    room_temp: str | None,
    picture_file: Path | None,
    at: str | None,
    known_on: str | None,
    as_json: bool,
    units: str,
    why: bool,
    shop_file: Path | None,
    **asked: Any,
) -> None:
    """What to set at a mixer for this sand, how long it can be filled, and when it strips.

    \b
    Examples:
      sandtrack dose m1 furan --sand-temp 12 --box 900
      sandtrack dose m2 ester --sand-temp "54 °F" --strip 60 --json
    """
    with opened(shop_file) as shop:
        answer = shop.setting(
            mixer,
            binder_system,
            sand_temp,
            pattern_temp_c=pattern_temp,
            surroundings_c=room_temp,
            at=at,
            known_on=known_on,
            **asked,
        )
        drawing.of_setting(shop, answer, picture_file, at, known_on)
        show(answer, shop, as_json=as_json, units=units, why=why)


@click.command(short_help="How much sand came back.")
@period_options
@answer_options
@explained
def reclaim(
    since: str, until: str, known_on: str | None, as_json: bool, units: str, why: bool, shop_file: Path | None
) -> None:
    """How much sand came back in a period, by rates that each say what they are.

    \b
    Example:
      sandtrack reclaim --since 2025-06-01 --until 2025-06-30
    """
    with opened(shop_file) as shop:
        show(shop.rates(since, until, known_on), shop, as_json=as_json, units=units, why=why)


@click.command(short_help="Every place's balance, what is unexplained.")
@period_options
@answer_options
@explained
def balance(
    since: str, until: str, known_on: str | None, as_json: bool, units: str, why: bool, shop_file: Path | None
) -> None:
    """The balance of every place in a period, with what nothing recorded explains.

    \b
    Example:
      sandtrack balance --since 2025-06-01 --until 2025-06-30
    """
    with opened(shop_file) as shop:
        show(shop.balance(since, until, known_on), shop, as_json=as_json, units=units, why=why)


@click.command(short_help="What needs a look.")
@time_options
@answer_options
@explained
def attention(
    at: str | None, known_on: str | None, as_json: bool, units: str, why: bool, shop_file: Path | None
) -> None:
    """Everything that needs a look, most urgent first.

    \b
    Example:
      sandtrack attention
    """
    with opened(shop_file) as shop:
        show(shop.attention(at, known_on), shop, as_json=as_json, units=units, why=why)


@click.command(short_help="Find records again.")
@click.option("--kind", type=click.Choice([*KINDS, "plant"]), help="Only this kind.")
@click.option("--sender", help="Only of this sender.")
@click.option("--id", "record_id", help="Only this id.")
@click.option("--since", metavar="TIME", help="From this time on; a date is its start.")
@click.option("--until", metavar="TIME", help="Up to this time; a date is its end.")
@click.option("--place", help="Only records that name this place.")
@click.option("--mould", help="Only records about this mould.")
@click.option("--text", "words", help="Only records that hold this text.")
@click.option("--limit", default=20, show_default=True, type=click.IntRange(1, 10_000), help="How many at the most.")
@click.option("--after", metavar="NEXT", help="Go on from `next` of the answer before.")
@click.option("--known-on", metavar="DAY", help="As known by the end of that day.")
@answer_options
@explained
def records(
    kind: str | None,
    sender: str | None,
    record_id: str | None,
    since: str | None,
    until: str | None,
    place: str | None,
    mould: str | None,
    words: str | None,
    limit: int,
    after: str | None,
    known_on: str | None,
    as_json: bool,
    units: str,
    why: bool,
    shop_file: Path | None,
) -> None:
    """Find records again, the latest first.

    \b
    Examples:
      sandtrack records --kind delivery --place silo_new
      sandtrack records --mould 1180 --json
    """
    with opened(shop_file) as shop:
        ask = functools.partial(
            shop.records, kind=kind, sender=sender, id=record_id, since=since, until=until, place=place, mould=mould,
            text=words, known_on=known_on,
        )  # fmt: skip
        show(_searched_through(ask, limit, after), shop, as_json=as_json, units=units, why=why)


def _searched_through(ask: Callable[..., Answer], limit: int, after: str | None) -> Answer:
    """Ask on until there are as many records as wanted, or no more: one question looks back only so far."""
    answer = ask(limit=limit, after=after)
    records = answer.values["records"]
    while answer.values["searched_back_to"] and len(records) < limit:
        answer = ask(limit=limit - len(records), after=answer.values["next"])
        records = [*records, *answer.values["records"]]
    basis = tuple(
        replace(part, value=f"{len(records)} shown, content as sent") if part.what == "records" else part
        for part in answer.basis
    )
    return replace(answer, values={**answer.values, "records": records}, basis=basis)


@click.command(short_help="Recompute the book.")
@click.option("--head", "heads", multiple=True, metavar="TEXT", help='A printed head: "302 records, c44a73233dd6b388".')
@click.option("--whole", is_flag=True, help="Work out everything again, not only what came since the last clean run.")
@click.option("--json", "as_json", is_flag=True, help="Print the violations as JSON.")
@shop_option
@explained
def verify(heads: tuple[str, ...], whole: bool, as_json: bool, shop_file: Path | None) -> None:
    """Recompute the book, and list everything that does not agree.

    Every row is read. What a clean run worked out is kept beside the shop file, and the next run compares with it;
    --whole works out everything again. A head that a report has printed, or that was kept with a backup, is checked
    with --head.

    \b
    Examples:
      sandtrack verify --shop foundry.sandtrack
      sandtrack verify --whole --head "302 records, c44a73233dd6b388"
    """
    with opened(shop_file) as shop:
        with progress_bar("verifying") as progress:
            run = shop.verification(heads, whole=whole, progress=progress)
            violations = list(run)
        head = shop.ledger.head()
        if as_json:
            click.echo(
                json.dumps(
                    {
                        "records": head.records,
                        "head": head.digest,
                        "compared_up_to": run.since,
                        "whole_at": run.before.whole_at if run.before else None,
                        "violations": [
                            {"code": one.code, "text": one.text, "subject": one.subject} for one in violations
                        ],
                    },
                    indent=2,
                )
            )
        else:
            for one in violations:
                click.echo(f"! {one.subject}: {one.text}")
            if run.before is not None:
                click.echo(text.from_checkpoint(run.since, run.before.whole_at))
            click.echo(
                f"{head.records:,} records, {several(len(violations), 'violation')}, head of the chain {head.digest}"
            )
    if violations:
        raise SystemExit(VERIFY_FAILED)
