"""Commands of the service: serve, and token make, list and revoke."""

from __future__ import annotations

import json
from pathlib import Path

import click
from sandtrack_api.access import ROLES
from sandtrack_api.tokens import Tokens

from sandtrack.cli.common import BAD_INPUT, explained, opened, shop_option
from sandtrack.records import times


@click.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on; this computer alone.")
@click.option("--port", default=8377, show_default=True, type=click.IntRange(0, 65_535), help="Port; 0 for any free.")
@click.option("--threads", default=4, show_default=True, type=click.IntRange(1, 64), help="Requests at one time.")
@shop_option
@explained
def serve(host: str, port: int, threads: int, shop_file: Path | None) -> None:
    """Serve the shop over HTTP: records in, answers out, under /v1.

    Whoever asks needs a token of `sandtrack token make`. /v1/openapi.json says what there is.

    \b
    Examples:
      sandtrack serve --shop foundry.sandtrack
      sandtrack serve --shop foundry.sandtrack --host 192.168.1.20 --port 8080
    """
    from sandtrack_api import serving

    with opened(shop_file) as shop:
        path = shop.ledger.store.path
    if not any(token.revoked is None for token in Tokens.beside(path).listed()):
        click.echo("there is no token yet: nobody can ask anything; see `sandtrack token make --help`", err=True)
    if not serving.is_loopback(host):
        click.echo(
            "CAUTION  other computers can reach this service. Records, answers and tokens go over the network as they "
            "are: put a proxy with TLS before it, or keep it to a network that you trust.",
            err=True,
        )
    try:
        serving.serve(
            path, host=host, port=port, threads=threads,
            told=lambda address: click.echo(f"serving {path} at {address}/v1; Ctrl-C ends it"),
        )  # fmt: skip
    except (OSError, ValueError) as problem:
        click.echo(f"sandtrack: {host} port {port} cannot be listened on ({problem}); choose another", err=True)
        raise SystemExit(BAD_INPUT) from None


@click.group()
def token() -> None:
    """Make, list and revoke the tokens of the service; they are kept in a file of their own beside the shop file."""


@token.command(name="make")
@click.option(
    "--role",
    required=True,
    type=click.Choice(list(ROLES)),
    help="What it may do.",
)
@click.option("--name", required=True, help="The device or person it is for: the sender of records that name none.")
@click.option("--mixer", metavar="KEY", default="", help="The one mixer of a device.")
@click.option("--json", "as_json", is_flag=True, help="Print the token as JSON.")
@shop_option
@explained
def token_make(role: str, name: str, mixer: str, as_json: bool, shop_file: Path | None) -> None:
    """Make a token. It is shown this once: only its hash is kept.

    \b
    Examples:
      sandtrack token make --role manager --name greta
      sandtrack token make --role device --name m1 --mixer m1
    """
    with opened(shop_file) as shop:
        if mixer:
            shop.ledger.setups().require("mixers", mixer)
        made, text = Tokens.beside(shop.ledger.store.path).make(role=role, name=name, mixer=mixer)
    if as_json:
        shown = {"id": made.id, "name": made.name, "role": made.role, "mixer": made.mixer or None, "token": text}
        click.echo(json.dumps(shown))
    else:
        bound = f", bound to mixer {made.mixer}" if made.mixer else ""
        click.echo(f"made token {made.id} for {made.name} ({made.role}{bound}); it is shown this once:", err=True)
        click.echo(text)


@token.command(name="list")
@click.option("--json", "as_json", is_flag=True, help="Print the tokens as JSON.")
@shop_option
@explained
def token_list(as_json: bool, shop_file: Path | None) -> None:
    """List the tokens, without their secrets; the last use is noted every ten minutes.

    \b
    Example:
      sandtrack token list
    """
    from tabulate import tabulate

    with opened(shop_file) as shop:
        zone = shop.ledger.zone
        rows = [
            {
                "id": one.id,
                "name": one.name,
                "role": one.role,
                "mixer": one.mixer or None,
                **{
                    name: None if at is None else times.show(at, zone)
                    for name, at in (("made", one.made), ("last_used", one.last_used), ("revoked", one.revoked))
                },
            }
            for one in Tokens.beside(shop.ledger.store.path).listed()
        ]
    if as_json:
        click.echo(json.dumps(rows, indent=2))
    elif rows:
        plain = [{name.replace("_", " "): value or "" for name, value in row.items()} for row in rows]
        click.echo(tabulate(plain, headers="keys", tablefmt="plain", disable_numparse=True))
    else:
        click.echo("there is no token yet")


@token.command(name="revoke")
@click.argument("token_id", metavar="ID")
@shop_option
@explained
def token_revoke(token_id: str, shop_file: Path | None) -> None:
    """Revoke a token, for good: a service that runs refuses it from its next request on.

    \b
    Example:
      sandtrack token revoke 3f2a9c1b
    """
    with opened(shop_file) as shop:
        gone = Tokens.beside(shop.ledger.store.path).revoke(token_id)
    click.echo(f"revoked token {gone.id} of {gone.name} ({gone.role})")
