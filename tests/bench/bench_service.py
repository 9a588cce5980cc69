"""The service side by side with what it stands on: an empty route of the same server, the library's own bulk write.

Loopback only; servers are programs of their own on free ports, ended with the bench.
"""

from __future__ import annotations

import http.client
import itertools
import json
import re
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from history import PLANT, mixes, write_mixes
from measuring import Measure, Run
from sandtrack_api.tokens import Tokens

from sandtrack.shop import Shop

CLIENTS, REQUESTS = 4, 8_000
SOME, MIXED = 100, 4_000
RECORDS, PORTION = 20_000, 1_000

NewPath = Callable[[], Path]

_EMPTY = """
import sys
from flask import Flask
from waitress import create_server
import logging
logging.getLogger("waitress.queue").setLevel(logging.ERROR)
app = Flask("empty")
app.add_url_rule("/", view_func=lambda: "")
server = create_server(app, host="127.0.0.1", port=0, threads=4)
print(f"at http://127.0.0.1:{server.effective_port}", flush=True)
server.run()
"""
_SERVICE = "from sandtrack.cli import main; main()"


@contextmanager
def server(code: str, *words: str) -> Iterator[int]:
    """A server in a program of its own; its port."""
    with subprocess.Popen([sys.executable, "-P", "-c", code, *words], stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        try:
            port = re.search(r"127\.0\.0\.1:(\d+)", run.stdout.readline())
            assert port is not None
            yield int(port[1])
        finally:
            run.terminate()


def get(path: str, headers: str = "") -> bytes:
    """A request, as it goes over the wire."""
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n{headers}\r\n".encode()


def answered(connection: socket.socket) -> int:
    """Read one response; its status."""
    raw = b""
    while b"\r\n\r\n" not in raw:
        raw += connection.recv(65_536)
    head, _, body = raw.partition(b"\r\n\r\n")
    length = re.search(rb"(?i)content-length: (\d+)", head)
    left = int(length.group(1)) - len(body) if length else 0
    while left > 0:
        left -= len(connection.recv(65_536))
    return int(head[9:12])


def request_all(port: int, request: bytes) -> None:
    """Send so many requests over a few connections kept open, and read what is answered."""
    waiting = iter(range(REQUESTS))

    def client(_: int) -> None:
        with socket.create_connection(("127.0.0.1", port)) as connection:
            for _ in waiting:
                connection.sendall(request)
                assert answered(connection) == 200

    with ThreadPoolExecutor(CLIENTS) as pool:
        list(pool.map(client, range(CLIENTS)))


class Shops:
    """Shop files with nothing in them yet, and what lets in as their manager."""

    def __init__(self, new_path: NewPath) -> None:
        self.new_path = new_path
        self.names = itertools.count()
        self.first = new_path()
        Shop.create(self.first, PLANT).close()
        self.token = Tokens.beside(self.first).make(role="manager", name="bench")[1]
        self.gateway = Tokens.beside(self.first).make(role="gateway", name="net")[1]

    def more(self) -> str:
        """A further token."""
        return Tokens.beside(self.first).make(role="manager", name=f"bench-{next(self.names)}")[1]

    def new(self) -> Path:
        """One more of them."""
        copy = self.new_path()
        shutil.copy(self.first, copy)
        shutil.copy(f"{self.first}.tokens", f"{copy}.tokens")
        return copy


@pytest.fixture
def shops(new_path: NewPath) -> Shops:
    """Shop files with nothing in them yet."""
    return Shops(new_path)


def test_setting_over_http(measure: Measure, shops: Shops) -> None:
    """A set-point asked for over HTTP, and an empty route of the same server."""
    asked = get("/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=18", f"Authorization: Bearer {shops.token}\r\n")
    with server(_SERVICE, "serve", "--shop", str(shops.new()), "--port", "0") as ours, server(_EMPTY) as empty:
        measure(
            "GET of a set-point ÷ an empty Flask route",
            lambda: request_all(ours, asked),
            lambda: request_all(empty, get("/")),
            unit="requests/s", of=REQUESTS, aim="≥ 0.4",
        )  # fmt: skip


def busy(port: int, requests: Sequence[bytes], clients: int, stop: Callable[[], bool]) -> None:
    """Send some requests over and over from so many clients, until it is to stop."""

    def client(number: int) -> None:
        with socket.create_connection(("127.0.0.1", port)) as connection:
            for turn in itertools.count(number):
                if stop():
                    return
                connection.sendall(requests[turn % len(requests)])
                answered(connection)

    with ThreadPoolExecutor(clients) as pool:
        list(pool.map(client, range(clients)))


def levels(token: str, number: int) -> bytes:
    """A record sent, one of many."""
    body = json.dumps({"id": f"w{number}", "at": "2025-03-03 08:00", "place": "silo_new", "level_m": 4.33}).encode()
    head = f"POST /v1/records/level HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n{token}"
    return f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body


@pytest.mark.parametrize("beside", ["writes", "questions"])
def test_setting_beside(measure: Measure, shops: Shops, beside: str) -> None:
    """A set-point asked for while others write 18 records a second, or ask costly questions; and an empty route."""
    token = f"Authorization: Bearer {shops.token}\r\n"
    asked = get("/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=18", token)
    costly = [get(f"/v1/{name}", token) for name in ("brief", "attention", "moulds", "cover")]
    with (
        server(_SERVICE, "serve", "--shop", str(shops.new()), "--port", "0") as ours,
        server(_EMPTY) as empty,
        ThreadPoolExecutor(1) as pool,
    ):
        over = threading.Event()
        if beside == "questions":
            others = pool.submit(busy, ours, costly, CLIENTS, over.is_set)
        else:
            others = pool.submit(write_steadily, ours, token, over)
        try:
            measure(
                f"a set-point beside others' {beside}, against an empty Flask route",
                lambda: request_some(ours, asked),
                lambda: request_some(empty, get("/")),
                unit="ms", of=SOME,
            )  # fmt: skip
        finally:
            over.set()
            others.result()


def write_steadily(port: int, token: str, over: threading.Event) -> None:
    """Record 18 times a second."""
    with socket.create_connection(("127.0.0.1", port)) as connection:
        for number in itertools.count():
            connection.sendall(levels(token, number))
            assert answered(connection) == 201
            if over.wait(1 / 18):
                return


def request_some(port: int, request: bytes) -> None:
    """A few requests, one after the other."""
    with socket.create_connection(("127.0.0.1", port)) as connection:
        for _ in range(SOME):
            connection.sendall(request)
            assert answered(connection) == 200


def test_mixed_load(measure: Measure, shops: Shops) -> None:
    """20 clients that ask set-points, stocks and briefs and record now and then, and as many on an empty route."""
    token = f"Authorization: Bearer {shops.token}\r\n"
    setting = [get(f"/v1/setting?mixer=m1&binder_system=furan&sand_temp_c={18 + n / 10}", token) for n in range(10)]
    asked = [*setting * 2, get("/v1/stock", token), get("/v1/brief", token)]
    tokens = [f"Authorization: Bearer {shops.more()}\r\n" for _ in range(20)]

    def mixed(port: int) -> None:
        def client(number: int) -> None:
            with socket.create_connection(("127.0.0.1", port)) as connection:
                for turn in range(MIXED // 20):
                    sent = asked[(number + turn) % len(asked)].replace(token.encode(), tokens[number].encode())
                    if turn % 20 == number % 20:
                        sent = levels(tokens[number], next(numbers))
                    connection.sendall(sent)
                    assert answered(connection) in (200, 201)

        with ThreadPoolExecutor(20) as pool:
            list(pool.map(client, range(20)))

    def empty_all(port: int) -> None:
        def client(_: int) -> None:
            with socket.create_connection(("127.0.0.1", port)) as connection:
                for _ in range(MIXED // 20):
                    connection.sendall(get("/"))
                    assert answered(connection) == 200

        with ThreadPoolExecutor(20) as pool:
            list(pool.map(client, range(20)))

    numbers = itertools.count()
    with server(_SERVICE, "serve", "--shop", str(shops.new()), "--port", "0") as ours, server(_EMPTY) as empty:
        measure(
            "mixed load of 20 clients ÷ an empty Flask route",
            lambda: mixed(ours), lambda: empty_all(empty), unit="requests/s", of=MIXED,
        )  # fmt: skip


def test_upload(measure: Measure, shops: Shops) -> None:
    """Records uploaded, from the first byte sent to the last answer read, and the library's own bulk write of them."""
    contents = mixes(RECORDS)
    lines = ({"kind": "mix", "id": f"x{n}", "sender": "m1", **content} for n, content in enumerate(contents))
    body = "\n".join(json.dumps(line, default=float) for line in lines).encode()
    headers = {"Content-Type": "application/x-ndjson", "Authorization": f"Bearer {shops.gateway}"}

    @contextmanager
    def to_upload() -> Iterator[Run]:
        with server(_SERVICE, "serve", "--shop", str(shops.new()), "--port", "0") as port:

            def send(method: str, path: str, *more: Any) -> bytes:
                with closing(http.client.HTTPConnection("127.0.0.1", port)) as connection:
                    connection.request(method, path, *more)
                    answer = connection.getresponse()
                    told = answer.read()
                assert answer.status == 200
                return told

            def run() -> None:
                told = send("POST", "/v1/records", body, headers)
                assert told.count(b'"outcome":"new"') == RECORDS, told[:500]

            send("GET", "/v1/health")  # a first request is answered more slowly than the next
            yield run

    @contextmanager
    def to_write() -> Iterator[Run]:
        with Shop.open(shops.new()) as shop:
            yield lambda: write_mixes(shop.ledger, contents, PORTION)

    measure(
        "upload over HTTP ÷ the library's own bulk write",
        to_upload, to_write,
        unit="records/s", of=RECORDS, aim="≥ 0.5", warmups=0, anew=True,
    )  # fmt: skip
