"""The gate of the server: nothing is read of who shows no token, and nobody who waits shuts others out."""

from __future__ import annotations

import http.client
import json
import select
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path

import pytest
from sandtrack_api import gate
from sandtrack_api.recording import LONGEST_BODY
from sandtrack_api.tokens import Tokens

from .clients import is_problem_body
from .programs import Program, call, manager, program

MB = 1_000_000
SET_POINT = "/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=18"
SOON_S = 5
"""More than the second that a device waits: the test may run on a busy machine. Before, it waited for minutes."""
Started = tuple[Program, dict[str, str]]


@pytest.fixture(scope="module")
def started(_new_shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Started]:
    """A server of a new shop, and the headers of a device that has asked before."""
    path = tmp_path_factory.mktemp("gate") / "shop.sandtrack"
    path.write_bytes(_new_shop.read_bytes())
    headers = {"Authorization": f"Bearer {Tokens.beside(path).make(role='device', name='m1', mixer='m1')[1]}"}
    with program(path) as running:
        assert call(running.port, "GET", SET_POINT, headers)[0] == 200
        yield running, headers


@contextmanager
def connected(port: int, sent: bytes = b"") -> Iterator[socket.socket]:
    """A connection on which something was sent."""
    with socket.create_connection(("127.0.0.1", port), timeout=30) as connection:
        connection.sendall(sent)
        yield connection


def all_of(connection: socket.socket) -> bytes:
    """What comes until the server closes."""
    got = b""
    while part := connection.recv(65_536):
        got += part
    return got


def is_open(connection: socket.socket) -> bool:
    """Whether the server has neither closed it nor sent anything."""
    return not select.select([connection], [], [], 0)[0]


def answered_soon(started: Started) -> None:
    """A device's set-point is answered."""
    running, headers = started
    with socket.create_connection(("127.0.0.1", running.port), timeout=SOON_S) as connection:
        head = f"GET {SET_POINT} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n"
        connection.sendall(f"{head}Authorization: {headers['Authorization']}\r\n\r\n".encode())
        assert b" 200 " in all_of(connection).split(b"\r\n", 1)[0]


@pytest.mark.parametrize("length", ["Content-Length: 300000000", "Transfer-Encoding: chunked"])
@pytest.mark.parametrize(
    "token",
    ["", "Authorization: Bearer 3f2a9c1b.false\r\n", "Authorization: Basic bTE6\r\n"],
    ids=["none", "false", "other"],
)
def test_a_body_without_a_token_is_not_taken_in(started: Started, token: str, length: str):
    """300 MB without a token in force are refused with 401 before 1 MB of them has gone out."""
    running, _ = started
    with socket.socket() as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 65_536)
        connection.settimeout(SOON_S)
        connection.connect(("127.0.0.1", running.port))
        head = f"POST /v1/records HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-ndjson\r\n{length}\r\n{token}\r\n"
        connection.sendall(head.encode())
        sent, part = 0, b"10000\r\n" + b" " * 65_536 + b"\r\n"
        while sent < 2 * MB and is_open(connection):
            sent += connection.send(part)
        head_back, _, body = all_of(connection).partition(b"\r\n\r\n")
    assert sent < MB
    assert b" 401 " in head_back.split(b"\r\n", 1)[0]
    assert b"www-authenticate: bearer" in head_back.lower()
    is_problem_body(json.loads(body), 401, "unauthorized")


def test_nor_where_its_sender_does_not_listen(started: Started):
    """Who sends on without reading the refusal is cut off before 1 MB, too."""
    sent = 0
    with socket.socket() as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 65_536)
        connection.settimeout(30)
        connection.connect(("127.0.0.1", started[0].port))
        connection.sendall(b"POST /v1/records/mix HTTP/1.1\r\nHost: x\r\nContent-Length: 300000000\r\n\r\n")
        with suppress(OSError):  # reset or closed, as the system has it
            while sent < 2 * MB:
                sent += connection.send(b" " * 65_536)
    assert sent < MB


def test_no_body_is_asked_for(started: Started):
    """`Expect: 100-continue` without a token is answered with 401, not with 100 (RFC 9110, 10.1.1)."""
    head = b"POST /v1/records HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nExpect: 100-continue\r\n\r\n"
    with connected(started[0].port, head) as connection:
        assert all_of(connection).startswith(b"HTTP/1.1 401 ")


def test_a_body_that_was_not_read_is_no_request(started: Started):
    """What follows the head of a refused request is its body, even where it looks like a request with a token."""
    running, headers = started
    inner = f"GET /v1/health HTTP/1.1\r\nHost: x\r\nAuthorization: {headers['Authorization']}\r\n\r\n".encode()
    head = f"POST /v1/records HTTP/1.1\r\nHost: x\r\nContent-Length: {len(inner)}\r\n\r\n".encode()
    with connected(running.port, head + inner) as connection:
        got = all_of(connection)
    assert got.count(b"HTTP/1.1 ") == 1
    assert got.startswith(b"HTTP/1.1 401 ")


@pytest.mark.parametrize("length", ["Content-Length: 900000000", "Transfer-Encoding: chunked"])
def test_one_record_is_no_upload(started: Started, length: str):
    """With a token, too, a body that is too long for one record is refused as it comes."""
    running, headers = started
    head = f"POST /v1/records/mix HTTP/1.1\r\nHost: x\r\n{length}\r\nAuthorization: {headers['Authorization']}\r\n\r\n"
    sent, part = 0, b"10000\r\n" + b" " * 65_536 + b"\r\n"
    with connected(running.port, head.encode()) as connection:
        while sent < LONGEST_BODY + 4 * MB and is_open(connection):
            sent += connection.send(part)
        head_back, _, body = all_of(connection).partition(b"\r\n\r\n")
    assert sent < LONGEST_BODY + 4 * MB
    assert b" 413 " in head_back.split(b"\r\n", 1)[0]
    is_problem_body(json.loads(body), 413, "too_large")


def test_half_open_connections_shut_nobody_out(started: Started):
    """With 120 connections that never finish a request, some of which sent nothing, a device is answered."""
    begun = [b"", b"GET /v1/stock HTTP/1.1\r\nHost: x\r\n", b"POST /v1/records HTTP/1.1\r\nContent-Length: 9\r\n"]
    with ExitStack() as stack:
        for number in range(120):
            stack.enter_context(connected(started[0].port, begun[number % 3]))
        answered_soon(started)


def test_bodies_that_trickle_in_hold_no_thread(started: Started):
    """With 20 bodies of known senders that come byte by byte, a device is answered."""
    running, headers = started
    head = f"POST /v1/records/mix HTTP/1.1\r\nHost: x\r\nAuthorization: {headers['Authorization']}\r\n"
    with ExitStack() as stack:
        slow = [
            stack.enter_context(connected(running.port, f"{head}Content-Length: 5000\r\n\r\n{{".encode()))
            for _ in range(20)
        ]
        for connection in slow:
            connection.sendall(b" ")
        answered_soon(started)
        assert all(is_open(connection) for connection in slow)


def test_half_open_connections_are_dropped(new_shop: Path):
    """Who sends nothing, or a byte of a head now and then, is dropped; who showed a token may wait for the next."""
    assert gate.HEADER_S + gate.CHECK_EVERY_S + 1 < 15  # the server's loop comes by each second
    before = "from sandtrack_api import gate; gate.HEADER_S, gate.CHECK_EVERY_S = 0.5, 1"
    with program(new_shop, before=before) as running, ExitStack() as stack:
        silent = stack.enter_context(connected(running.port))
        slow = stack.enter_context(connected(running.port, b"GET /v1/health HT"))
        known = stack.enter_context(closing(http.client.HTTPConnection("127.0.0.1", running.port)))
        known.request("GET", "/v1/tables", headers=manager(new_shop))
        assert known.getresponse().read()
        until = time.monotonic() + 15
        with suppress(OSError):  # reset or closed, as the system has it
            while time.monotonic() < until:
                slow.sendall(b"T")
                time.sleep(0.1)
        assert time.monotonic() < until
        silent.settimeout(15)
        assert silent.recv(1) == b""
        assert is_open(known.sock)


@pytest.mark.parametrize(("words", "left"), [((), gate.MOST_STRANGERS), (("--proxy", "127.0.0.1"), 100)])
def test_strangers_of_one_address(new_shop: Path, words: tuple[str, ...], left: int):
    """Of one address so many may wait unknown, and the oldest goes; a named proxy stands for many people."""
    with program(new_shop, *words) as running, ExitStack() as stack:
        waiting = [stack.enter_context(connected(running.port)) for _ in range(100)]
        assert call(running.port, "GET", "/v1/health", {})[0] == 200
        until = time.monotonic() + 5
        while sum(map(is_open, waiting)) > left and time.monotonic() < until:
            time.sleep(0.05)
        assert left - 2 <= sum(map(is_open, waiting)) <= left


def test_a_reader_that_stalls_is_let_go():
    """Whoever takes nothing of an answer keeps no thread waiting for good; who is waiting for one is not late."""
    channel = gate.Channel.__new__(gate.Channel)
    channel.last_activity, channel.requests, channel.total_outbufs_len = 1000.0, [object()], 0
    channel._lingering_since, channel.token_id = 0.0, "t"
    assert not channel.is_late(5000.0)
    channel.total_outbufs_len = 1
    assert not channel.is_late(1000.0 + gate.STALLED_S)
    assert channel.is_late(1001.0 + gate.STALLED_S)


def test_a_body_may_be_slow_not_for_ever():
    """A body has to keep a pace of 200 bytes a second after its first minute: 200 x 70 = 14,000 bytes by then."""
    channel = gate.Channel.__new__(gate.Channel)
    channel.requests, channel.total_outbufs_len, channel._lingering_since, channel.token_id = [], 0, 0.0, "t"
    channel.last_activity = 1069.0
    channel.request = request = gate.Parser.__new__(gate.Parser)
    request.begun, request.headers_finished = 1000.0, True
    request.body_bytes_received = 13_999
    assert not channel.is_late(1059.0)
    assert channel.is_late(1070.0)
    request.body_bytes_received = 14_000
    assert not channel.is_late(1070.0)


@pytest.mark.parametrize(
    ("words", "address"),
    [((), "127.0.0.1"), (("--proxy", "127.0.0.1"), "192.0.2.7"), (("--proxy", "::1"), "127.0.0.1")],
)
def test_only_a_named_proxy_is_believed(new_shop: Path, words: tuple[str, ...], address: str):
    """The address that a refusal is logged with is a forwarded one only where the named proxy forwards it."""
    with program(new_shop, *words) as running:
        assert call(running.port, "GET", "/v1/stock", {"X-Forwarded-For": "192.0.2.7"})[0] == 401
        _, log = running.end()
    assert f"401 GET /v1/stock from {address}: no token" in log
