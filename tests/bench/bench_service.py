"""The service side by side with what it stands on: an empty route of the same server, the library's own bulk write.

Loopback only; servers are programs of their own on free ports, ended with the bench.
"""

from __future__ import annotations

import http.client
import json
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
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
        self.first = new_path()
        Shop.create(self.first, PLANT).close()
        self.token = Tokens.beside(self.first).make(role="manager", name="bench")[1]
        self.gateway = Tokens.beside(self.first).make(role="gateway", name="net")[1]

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
