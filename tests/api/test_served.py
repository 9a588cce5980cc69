"""The service behind its server: threads, what the server itself refuses, how it starts and ends."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sandtrack_api import create_app, serving

from sandtrack.cli import main
from sandtrack.shop import Shop

from .clients import is_problem_body
from .programs import Program, call, manager, program
from .samples import record


@pytest.fixture(scope="module")
def served(_new_shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Program, Path, dict[str, str]]]:
    """A server of a new shop, the shop file, and the headers of a manager."""
    path = tmp_path_factory.mktemp("served") / "shop.sandtrack"
    path.write_bytes(_new_shop.read_bytes())
    headers = manager(path)
    with program(path) as started:
        yield started, path, headers


def raw(port: int, sent: bytes) -> tuple[bytes, bytes]:
    """Send bytes as they are; the head and the body of what comes back until the server closes."""
    with socket.create_connection(("127.0.0.1", port), timeout=30) as connection:
        connection.sendall(sent)
        connection.shutdown(socket.SHUT_WR)
        got = b""
        while part := connection.recv(65_536):
            got += part
    head, _, body = got.partition(b"\r\n\r\n")
    return head, body


def test_four_threads_at_once(served: tuple[Program, Path, dict[str, str]]):
    """Eight clients that record and ask at once through four threads: each record once, each answer whole."""
    started, path, headers = served
    failed: list[Any] = []

    def work(number: int) -> None:
        try:
            for turn in range(10):
                # Each record is sent by two of the clients.
                sent = record("level", f"t{number // 2}-{turn}")
                body = json.dumps(sent)
                status, _, _ = call(
                    started.port, "POST", "/v1/records/level", {**headers, "Content-Type": "application/json"}, body
                )
                assert status in (200, 201), status
                status, _, answer = call(started.port, "GET", "/v1/stock", headers)
                assert status == 200
                assert answer["question"] == "stock"
        except Exception as problem:
            failed.append(problem)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with Shop.open(path) as shop:
        found = shop.records(kind="level", limit=1000).values["records"]
        assert sorted(one["id"] for one in found) == sorted(f"t{n}-{turn}" for n in range(4) for turn in range(10))
        assert shop.verify() == []


def test_two_threads_of_one_application(new_shop: Path):
    """Without a server, too: two threads that record through one application have a connection each."""
    headers = manager(new_shop)
    app = create_app({"SANDTRACK_SHOP": str(new_shop), "SANDTRACK_CLOCK_IS_RIGHT": True, "TESTING": True})
    statuses: list[int] = []

    def work(name: str) -> None:
        client = app.test_client()
        for turn in range(10):
            answer = client.post("/v1/records/level", json=record("level", f"{name}-{turn}"), headers=headers)
            statuses.append(answer.status_code)
            statuses.append(client.get("/v1/health").status_code)

    threads = [threading.Thread(target=work, args=(name,)) for name in "ab"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [200] * 20 + [201] * 20


def test_an_upload_of_unknown_length(served: tuple[Program, Path, dict[str, str]]):
    """Lines sent in chunks, their number not known beforehand, are answered one by one (RFC 9112, 7.1)."""
    started, _, headers = served
    lines = [json.dumps({"kind": "level", **record("level", f"c-{n}")}).encode() + b"\n" for n in range(50)]
    head = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
    chunks = b"".join(b"%x\r\n%s\r\n" % (len(line), line) for line in lines) + b"0\r\n\r\n"
    said, body = raw(
        started.port,
        f"POST /v1/records HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Type: application/x-ndjson\r\n"
        f"Transfer-Encoding: chunked\r\n{head}\r\n".encode()
        + chunks,
    )
    assert b" 200 " in said.splitlines()[0]
    assert body.count(b'"outcome":"new"') == 50


@pytest.mark.parametrize(
    ("sent", "status", "code"),
    [
        (b"NONSENSE\r\n\r\n", 400, "bad_request"),
        (b"GET /v1/health HTTP/1.1\r\nHost: x\r\nBad Header\r\n\r\n", 400, "bad_request"),
        (b"POST /v1/records HTTP/1.1\r\nHost: x\r\nContent-Length: none\r\n\r\n", 400, "bad_request"),
        (b"POST /v1/records HTTP/1.1\r\nHost: x\r\nContent-Length: 9999999999\r\n\r\n", 413, "too_large"),
        (b"POST /v1/records HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: gzip\r\n\r\n", 501, "not_implemented"),
    ],
)
def test_what_the_server_refuses_has_the_same_shape(
    served: tuple[Program, Path, dict[str, str]], sent: bytes, status: int, code: str
):
    """What is refused before it reaches the application is a problem like every other."""
    head, body = raw(served[0].port, sent)
    assert b" %d " % status in head.splitlines()[0], head
    assert b"content-type: application/problem+json" in head.lower()
    is_problem_body(json.loads(body), status, code)


def test_it_tells_where_it_is_and_ends_when_told(new_shop: Path):
    """It prints its address once it listens, warns that there is no token, and ends with 0 on SIGTERM."""
    with program(new_shop) as started:
        assert started.first.startswith(f"serving {new_shop} at http://127.0.0.1:{started.port}/v1")
        status, headers, answer = call(started.port, "GET", "/v1/health", {})
        assert (status, answer["status"], headers["Server"]) == (200, "ok", "sandtrack")
        code, said = started.end()
    assert code == 0, said
    assert "there is no token yet" in said
    assert "Traceback" not in said
    assert "CAUTION" not in said


@pytest.mark.parametrize(
    ("host", "warned"),
    [("127.0.0.1", False), ("127.0.0.2", False), ("::1", False), ("localhost", False),
     ("0.0.0.0", True), ("::", True), ("192.168.1.20", True), ("plant.example", True)],
)  # fmt: skip
def test_beyond_this_computer_with_a_caution(new_shop: Path, monkeypatch: pytest.MonkeyPatch, host: str, warned: bool):
    """An address that other computers can reach is served with a caution; nothing is listened on in this test."""
    asked: list[Any] = []
    monkeypatch.setattr(serving, "serve", lambda *words, **options: asked.append(options["host"]))
    done = CliRunner().invoke(main, ["serve", "--shop", str(new_shop), "--host", host])
    assert done.exit_code == 0
    assert asked == [host]
    assert ("CAUTION  other computers can reach this service" in done.stderr) is warned


def test_loopback_unless_told_otherwise(new_shop: Path, monkeypatch: pytest.MonkeyPatch):
    """Without --host only this computer can reach the service."""
    asked: list[Any] = []
    monkeypatch.setattr(serving, "serve", lambda *words, **options: asked.append(options["host"]))
    assert CliRunner().invoke(main, ["serve", "--shop", str(new_shop)]).exit_code == 0
    assert asked == ["127.0.0.1"]


def test_a_port_that_is_taken(new_shop: Path):
    """A port that another program listens on ends with exit code 2 and says so."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "sandtrack", "serve", "--shop", str(new_shop), "--port", str(port)],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
    assert done.returncode == 2
    assert f"127.0.0.1 port {port} cannot be listened on" in done.stderr
    assert "Traceback" not in done.stderr


def test_no_shop_no_server(tmp_path: Path):
    """A shop file that is not there ends with exit code 3."""
    done = CliRunner().invoke(main, ["serve", "--shop", str(tmp_path / "none")])
    assert done.exit_code == 3
