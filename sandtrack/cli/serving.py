"""Commands of the service: serve, and token make, list, rotate and revoke."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from zoneinfo import ZoneInfo

import click
from sandtrack_api.roles import ROLES
from sandtrack_api.tokens import Token, Tokens

from sandtrack.cli.common import BAD_INPUT, explained, opened, shop_option
from sandtrack.errors import FieldError, InputErrors
from sandtrack.records import times
from sandtrack.shop import Shop

_HOUR_US = 3_600_000_000
_DAY_US = 24 * _HOUR_US


@click.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on; this computer alone.")
@click.option("--port", default=8377, show_default=True, type=click.IntRange(0, 65_535), help="Port; 0 for any free.")
@click.option(
    "--threads",
    default=4,
    show_default=True,
    type=click.IntRange(1, 64),
    help="Set-points and records answered at a time.",
)
@click.option("--clock-is-right", is_flag=True, help="This computer's clock may be over 400 days past the last record.")
@click.option(
    "--proxy",
    metavar="ADDRESS",
    default="",
    help="Address of a proxy before it: it alone is believed when it says for whom it asks (X-Forwarded-For).",
)
@shop_option
@explained
def serve(host: str, port: int, threads: int, clock_is_right: bool, proxy: str, shop_file: Path | None) -> None:
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
    tokens = Tokens.beside(path)
    if all(token.is_over(tokens.clock()) for token in tokens.listed()):
        click.echo("there is no token yet: nobody can ask anything; see `sandtrack token make --help`", err=True)
    if not serving.is_loopback(host):
        click.echo(
            "CAUTION  other computers can reach this service. Records, answers and tokens go over the network as they "
            "are: put a proxy with TLS before it, or keep it to a network that you trust.",
            err=True,
        )
    logging.basicConfig(format="%(asctime)s %(levelname)s %(message)s", level=logging.WARNING)
    try:
        serving.serve(
            path, host=host, port=port, threads=threads, clock_is_right=clock_is_right, proxy=proxy,
            told=lambda address: click.echo(f"serving {path} at {address}/v1; Ctrl-C ends it"),
        )  # fmt: skip
    except (OSError, ValueError) as problem:
        click.echo(f"sandtrack: {host} port {port} cannot be listened on ({problem}); choose another", err=True)
        raise SystemExit(BAD_INPUT) from None


@click.group()
def token() -> None:
    """Make, list, rotate and revoke tokens of the service; they are kept in a file beside the shop file."""


@token.command(name="make")
@click.option(
    "--role",
    required=True,
    type=click.Choice(list(ROLES)),
    help="What it may do: " + "; ".join(f"{name}, {role.about}" for name, role in ROLES.items()) + ".",
)
@click.option("--name", required=True, help="The device or person it is for: the sender of records that name none.")
@click.option("--mixer", metavar="KEY", default="", help="The one mixer of a device or tablet.")
@click.option("--place", metavar="KEY", default="", help="The one place of a sensor; a reclaimer's own.")
@click.option("--days", type=click.IntRange(1, 3660), help="In force for this many days; without an end if left out.")
@click.option("--json", "as_json", is_flag=True, help="Print the token as JSON.")
@shop_option
@explained
def token_make(
    role: str, name: str, mixer: str, place: str, days: int | None, as_json: bool, shop_file: Path | None
) -> None:
    """Make a token. It is shown this once: only its hash is kept.

    \b
    Examples:
      sandtrack token make --role manager --name greta
      sandtrack token make --role device --name m1 --mixer m1
      sandtrack token make --role sensor --name silo-1 --place silo_new
      sandtrack token make --role operator --name ida --days 365
    """
    with opened(shop_file) as shop:
        zone = shop.ledger.zone
        _require_bound(shop, role, mixer, place)
        tokens = Tokens.beside(shop.ledger.store.path)
        expires = None if days is None else tokens.clock() + days * _DAY_US
        made, text = tokens.make(role=role, name=name, mixer=mixer, place=place, expires=expires)
    _show(made, text, as_json, zone)


def _require_bound(shop: Shop, role: str, mixer: str, place: str) -> None:
    """Raise UnknownName, InputErrors where the set-up has not what the token is bound to, or it is of another kind."""
    setups = shop.ledger.setups()
    for section, key in (("mixers", mixer), ("places", place)):
        if key:
            setups.require(section, key)
    if place and ROLES[role].bound_field == "reclaimer":
        kind = setups.on(shop.ledger.clock()).find("places", place).kind
        if kind != "reclaimer":
            problem = FieldError(field="place", value=place, reason=f"is a {kind}", accepted="a reclaimer")
            raise InputErrors([problem], what="the token")


def _show(made: Token, text: str, as_json: bool, zone: ZoneInfo) -> None:
    """Print a new token, its text alone where it can be piped."""
    if as_json:
        shown = {
            "id": made.id,
            "name": made.name,
            "role": made.role,
            "mixer": made.mixer or None,
            "place": made.place or None,
            "expires": None if made.expires is None else times.show(made.expires, zone),
            "token": text,
        }
        click.echo(json.dumps(shown))
        return
    bound = f", bound to mixer {made.mixer}" if made.mixer else f", bound to place {made.place}" if made.place else ""
    until = "" if made.expires is None else f", until {times.minute(made.expires, zone)}"
    click.echo(f"made token {made.id} for {made.name} ({made.role}{bound}{until}); it is shown this once:", err=True)
    click.echo(text)


@token.command(name="rotate")
@click.argument("token_id", metavar="ID")
@click.option(
    "--overlap-h",
    type=click.FloatRange(0, 24 * 90),
    default=24.0,
    show_default=True,
    help="For how long the old one goes on, so that its device can be changed over.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the new token as JSON.")
@shop_option
@explained
def token_rotate(token_id: str, overlap_h: float, as_json: bool, shop_file: Path | None) -> None:
    """Make a new token for the same name and role; the old one goes on for a while and then expires.

    \b
    Example:
      sandtrack token rotate 3f2a9c1b --overlap-h 8
    """
    with opened(shop_file) as shop:
        zone = shop.ledger.zone
        made, text, old = Tokens.beside(shop.ledger.store.path).rotate(token_id, overlap_us=round(overlap_h * _HOUR_US))
    click.echo(f"token {old.id} expires on {times.minute(old.expires or 0, zone)}", err=True)
    _show(made, text, as_json, zone)


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
                "place": one.place or None,
                **{
                    name: None if at is None else times.show(at, zone)
                    for name, at in (
                        ("made", one.made),
                        ("last_used", one.last_used),
                        ("expires", one.expires),
                        ("revoked", one.revoked),
                    )
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
