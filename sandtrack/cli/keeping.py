"""Commands that keep a shop file safe: backup and restore."""

from __future__ import annotations

import time
from pathlib import Path

import click

from sandtrack.cli.common import ANY_FILE, explained, opened, shop_option
from sandtrack.errors import FieldError, InputErrors
from sandtrack.shop import Shop


@click.command()
@click.argument("file", required=False, type=ANY_FILE, metavar="[FILE]")
@click.option(
    "--to",
    type=ANY_FILE,
    metavar="PATH",
    help="The copy to make, or a folder for it; else beside the shop file, under a name with the time.",
)
@shop_option
@explained
def backup(file: Path | None, to: Path | None, shop_file: Path | None) -> None:
    """Copy a shop file while others read and write it, and check the copy.

    The copy is one file that can be kept anywhere, also on a network drive. Note the head that is printed: it tells
    later whether a file is that copy.

    \b
    Examples:
      sandtrack backup foundry.sandtrack --to /media/backups
      sandtrack backup --to friday.sandtrack
    """
    with opened(file or shop_file) as shop:
        head, made = shop.backup(_named(shop.ledger.store.path, to))
    click.echo(f"backup {made}: {head.records:,} records, head of the chain {head.digest}")


def _named(shop_file: Path, to: Path | None) -> Path:
    name = f"{shop_file.stem}-{time.strftime('%Y%m%d-%H%M%S')}{shop_file.suffix}"
    if to is None:
        return shop_file.with_name(name)
    return to / name if to.is_dir() else to


@click.command()
@click.argument("backup_file", type=ANY_FILE, metavar="BACKUP")
@click.option("--older-too", is_flag=True, help="Also put back an older state over a newer one.")
@shop_option
@explained
def restore(backup_file: Path, older_too: bool, shop_file: Path | None) -> None:
    """Verify a backup and put it in the place of a shop file, which is kept beside it.

    Refused if the backup is damaged, is of another shop, or lacks records that the shop file holds.

    \b
    Example:
      sandtrack restore friday.sandtrack --shop foundry.sandtrack
    """
    if shop_file is None:
        problem = FieldError(field="--shop", reason="is missing", accepted="the shop file to put it in place of")
        raise InputErrors([problem], what="the command")
    done = Shop.restore(backup_file, shop_file, older_too=older_too)
    click.echo(f"restored {shop_file}: {done.head.records:,} records, head of the chain {done.head.digest}")
    click.echo(done.note + (f"; that file is kept as {done.kept}" if done.kept else ""))
