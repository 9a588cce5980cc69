"""The server: waitress, on loopback until told otherwise."""

from __future__ import annotations

import ipaddress
import logging
import select
import signal
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from waitress import create_server

from . import create_app, gate
from .lanes import Lanes
from .questions import QUICK
from .recording import LONGEST_UPLOAD

HOST, PORT, THREADS = "127.0.0.1", 8377, 4


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach an address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def serve(
    shop: str | Path,
    *,
    host: str = HOST,
    port: int = PORT,
    threads: int = THREADS,
    clock_is_right: bool = False,
    proxy: str = "",
    told: Callable[[str], Any],
) -> None:
    """Serve one shop file until interrupted; `told` is called with the address. Raises ShopFileError, OSError.

    `proxy` is the address of a proxy before it, which alone is believed when it says for whom it asks.
    """
    app = create_app({"SANDTRACK_SHOP": str(shop), "SANDTRACK_CLOCK_IS_RIGHT": clock_is_right})
    _let_files_be_open()
    trusted = {"trusted_proxy": proxy, "trusted_proxy_count": 1, "trusted_proxy_headers": {"x-forwarded-for"}}
    quick = [f"/v1/{name}" for name in ("health", "openapi.json", *QUICK)]
    server: Any = create_server(
        app, _dispatcher=Lanes(threads, quick), host=host, port=port, ident="sandtrack",
        max_request_body_size=LONGEST_UPLOAD, clear_untrusted_proxy_headers=True,
        cleanup_interval=gate.CHECK_EVERY_S, connection_limit=gate.MOST_CONNECTIONS,
        asyncore_use_poll=hasattr(select, "poll"), **(trusted if proxy else {}),
    )  # fmt: skip
    for dispatcher in server._map.values() if hasattr(server, "_map") else server.map.values():
        if hasattr(dispatcher, "channel_class"):
            gate.guard(dispatcher, app.extensions["sandtrack"].tokens.find, proxy)
    # Every request that waits for a thread, however shortly, would be a line in the log.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    signal.signal(signal.SIGTERM, _stop)
    listening = getattr(server, "effective_listen", None) or [(server.effective_host, server.effective_port)]
    for where, number in listening:
        told(f"http://{f'[{where}]' if ':' in where else where}:{number}")
    server.run()


def _stop(_signal: int, _frame: Any) -> None:
    raise SystemExit(0)


def _let_files_be_open() -> None:
    """A connection and the body it brings are two files; some systems let a program open 256."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        wanted = 3 * gate.MOST_CONNECTIONS
        if 0 <= soft < wanted:
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted if hard < 0 else min(hard, wanted), hard))
