"""The gate of the server: whose request it is, before any of its body is taken in, and how long a connection may wait.

Without a token in force no body is read: the request goes on without it, to be refused as every other, and its
connection is closed. So a stranger fills no disk and holds no thread.
"""

from __future__ import annotations

import functools
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.task import ErrorTask
from waitress.utilities import RequestEntityTooLarge

from sandtrack.errors import SandtrackError

from . import strict_json
from .problems import CODES, MEDIA_TYPE, body
from .recording import LONGEST_BODY, LONGEST_UPLOAD
from .tokens import Token, bearer

HEADER_S = 8.0
"""For a request's head to arrive, from its first byte; for its first byte, of who showed no token yet."""
IDLE_S = 120.0
"""Between two requests of who showed a token: devices ask again within a minute or two."""
STALLED_S = 30.0
"""Without a byte of a body arriving, or of an answer being taken."""
SLOWEST_BYTES_S, SLOW_FOR_S = 200, 60.0
"""A body may come slowly, not for ever: after the first minute it has to have come at such a pace."""
CHECK_EVERY_S = 2
MOST_CONNECTIONS = 400
MOST_STRANGERS = 64
"""Connections from one address that have shown no token; the oldest goes when another comes."""
LINGER_S, LINGER_BYTES = 2.0, 262_144
"""What is still read, and thrown away, after a refusal, so that it reaches who is still sending (RFC 9112, 9.6)."""

RECEIVE_BYTES = 131_072
"""What the system takes in of a connection before we read it: it would go on by itself to megabytes."""

Find = Callable[[str], Token | None]


class _ProblemTask(ErrorTask):  # type: ignore[misc]
    """What the server itself refuses, before the application sees it, in the shape of every other failure."""

    def execute(self) -> None:
        error = self.request.error
        code = getattr(error, "problem", "") or CODES.get(error.code) or error.reason.lower().replace(" ", "_")
        detail = str(error.body) if error.code != 500 else "the service failed"
        content = strict_json.write(body(error.code, code, detail))
        self.status = f"{error.code} {error.reason}"
        self.response_headers.append(("Content-Type", MEDIA_TYPE))
        self.response_headers.append(("Cache-Control", "no-store"))
        if retry := getattr(error, "retry_after_s", 0):
            self.response_headers.append(("Retry-After", str(retry)))
        self.set_close_on_finish()
        self.content_length = len(content)
        self.write(content)


class Parser(HTTPRequestParser):  # type: ignore[misc]
    """A request as it arrives: judged once its head is there, and read no further where nobody vouches for it."""

    body_rcv: Any
    content_length: int

    def __init__(self, adj: Any, channel: Channel) -> None:
        super().__init__(adj)
        self.channel = channel
        self.token_id = ""
        self.begun = time.time()
        self.longest = LONGEST_UPLOAD

    def received(self, data: bytes) -> int:
        """Take in what came; how much of it."""
        in_head = self.body_rcv is None
        consumed: int = super().received(data)
        if in_head and self.headers_finished and self.error is None and not self.empty:
            if not self._judge():
                return len(data)  # what follows is the rest of its body, never a request
        elif self.body_bytes_received > self.longest:
            self._refuse_size()
        if self.error is not None:
            self.expect_continue = False  # or the server would ask for the body that it has refused
        return consumed

    def _judge(self) -> bool:
        """Find whose request it is; whether its body is read."""
        try:
            token = self.channel.find(self.headers.get("AUTHORIZATION", ""))
        except SandtrackError:  # the file of tokens cannot be used: the application says so
            token = None
        self.token_id = self.channel.token_id = token.id if token else ""
        if token is not None and (self.body_rcv is None or self.command == "POST"):
            self.longest = LONGEST_UPLOAD if self.path == "/v1/records" else LONGEST_BODY
            if self.content_length > self.longest:
                self._refuse_size()
            return True
        self.channel.lingers = self.body_rcv is not None
        self.close()
        self.body_rcv, self.chunked, self.content_length = None, False, 0
        self.headers.pop("CONTENT_LENGTH", None)
        self.headers["CONNECTION"] = "close"
        self.expect_continue, self.connection_close, self.completed = False, True, True
        return False

    def _refuse_size(self) -> None:
        self.error = RequestEntityTooLarge(f"the body is longer than {self.longest} bytes; many are sent as lines")
        self.channel.lingers = self.completed = True


class Channel(HTTPChannel):  # type: ignore[misc]
    """One connection."""

    error_task_class = _ProblemTask

    def __init__(self, server: Any, *args: Any, **kwargs: Any) -> None:
        self.find: Find = server.find
        self.token_id = ""
        """Of the last request; "" while nobody known has asked."""
        self.lingers = False
        self._lingering_since = 0.0
        self._thrown_away = 0
        self.parser_class = functools.partial(Parser, channel=self)
        super().__init__(server, *args, **kwargs)
        _make_room(server, self)

    # -- closed so that a refusal arrives ---------------------------------------------------------------------------

    def readable(self) -> bool:
        if self._lingering_since:
            return self._thrown_away < LINGER_BYTES
        return bool(super().readable())

    def writable(self) -> bool:
        return bool(self.will_close or (not self._lingering_since and super().writable()))

    def handle_read(self) -> None:
        if not self._lingering_since:
            super().handle_read()
            return
        with suppress(OSError):
            self._thrown_away += len(self.recv(self.adj.recv_bytes))

    def handle_close(self) -> None:
        if not self.lingers or not self.connected or self._lingering_since:
            super().handle_close()
            return
        self._lingering_since, self.will_close = time.time(), False
        try:
            self.socket.shutdown(socket.SHUT_WR)
        except OSError:
            super().handle_close()

    # -- closed because it keeps others waiting -----------------------------------------------------------------------

    def is_late(self, now: float) -> bool:
        """Whether it has waited for longer than it may."""
        if self._lingering_since:
            return now - self._lingering_since > LINGER_S
        quiet_s = now - self.last_activity
        if self.requests or self.total_outbufs_len:
            return bool(self.total_outbufs_len and quiet_s > STALLED_S)
        if self.request is None:
            return bool(quiet_s > (IDLE_S if self.token_id else HEADER_S))
        taking_s = now - self.request.begun
        if not self.request.headers_finished:
            return bool(taking_s > HEADER_S)
        slow = taking_s > SLOW_FOR_S and self.request.body_bytes_received < SLOWEST_BYTES_S * taking_s
        return bool(slow or quiet_s > STALLED_S)

    def drop(self) -> None:
        """Close it as soon as the server's loop comes by, whether or not the other side takes what is left."""
        self.will_close, self.lingers = True, False
        with suppress(OSError):
            self.socket.shutdown(socket.SHUT_RDWR)


def guard(server: Any, find: Callable[[str], Token | None], proxy: str = "") -> None:
    """Put the gate before one listening socket; `proxy` is the address whose connections are many people's."""

    def find_bearer(authorization: str) -> Token | None:
        text = bearer(authorization)
        return None if text is None else find(text)

    server.find, server.proxy = find_bearer, proxy
    server.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BYTES)  # connections have it from here
    server.channel_class = Channel
    server.maintenance = functools.partial(_drop_late, server)


def _drop_late(server: Any, now: float) -> None:
    for channel in list(server.active_channels.values()):
        if channel.is_late(now):
            channel.drop()


def _make_room(server: Any, new: Channel) -> None:
    """Let the oldest stranger go where there are many: whoever has shown a token or is being answered stays."""
    if len(server.active_channels) <= MOST_STRANGERS:
        return
    strangers = [
        channel
        for channel in list(server.active_channels.values())
        if channel is not new and not channel.token_id and not channel.requests and not channel.will_close
    ]
    host = new.addr[0]
    if host != server.proxy:
        here = [channel for channel in strangers if channel.addr[0] == host]
        if len(here) >= MOST_STRANGERS:
            here[0].drop()
            return
    if strangers and len(server.active_channels) >= MOST_CONNECTIONS - 10:
        strangers[0].drop()
