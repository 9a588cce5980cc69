"""The server: waitress, on loopback until told otherwise."""

from __future__ import annotations

import ipaddress
import logging
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

from waitress import create_server
from waitress.channel import HTTPChannel
from waitress.task import ErrorTask

from . import create_app, strict_json
from .problems import CODES, MEDIA_TYPE, body
from .recording import LONGEST_UPLOAD

HOST, PORT, THREADS = "127.0.0.1", 8377, 4


class _ProblemTask(ErrorTask):  # type: ignore[misc]
    """What the server itself refuses, before the application sees it, in the shape of every other failure."""

    def execute(self) -> None:
        error = self.request.error
        code = CODES.get(error.code) or error.reason.lower().replace(" ", "_")
        content = strict_json.write(
            body(error.code, code, str(error.body) if error.code < 500 else "the service failed")
        )
        self.status = f"{error.code} {error.reason}"
        self.response_headers.append(("Content-Type", MEDIA_TYPE))
        self.set_close_on_finish()
        self.content_length = len(content)
        self.write(content)


class _Channel(HTTPChannel):  # type: ignore[misc]
    error_task_class = _ProblemTask


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach an address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def serve(
    shop: str | Path, *, host: str = HOST, port: int = PORT, threads: int = THREADS, clock_is_right: bool = False,
    told: Callable[[str], Any],
) -> None:  # fmt: skip
    """Serve one shop file until interrupted; `told` is called with the address. Raises ShopFileError, OSError."""
    app = create_app({"SANDTRACK_SHOP": str(shop), "SANDTRACK_CLOCK_IS_RIGHT": clock_is_right})
    server: Any = create_server(
        app, host=host, port=port, threads=threads, ident="sandtrack", max_request_body_size=LONGEST_UPLOAD,
        clear_untrusted_proxy_headers=True,
    )  # fmt: skip
    for dispatcher in server._map.values() if hasattr(server, "_map") else server.map.values():
        if hasattr(dispatcher, "channel_class"):
            dispatcher.channel_class = _Channel
    # Every request that waits for a thread, however shortly, would be a line in the log.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    signal.signal(signal.SIGTERM, _stop)
    listening = getattr(server, "effective_listen", None) or [(server.effective_host, server.effective_port)]
    for where, number in listening:
        told(f"http://{f'[{where}]' if ':' in where else where}:{number}")
    server.run()


def _stop(_signal: int, _frame: Any) -> None:
    raise SystemExit(0)
