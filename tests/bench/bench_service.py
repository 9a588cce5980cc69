"""The service side by side with what it stands on: an empty route of the same server, the library's own bulk write.

    python tests/bench/bench_service.py

prints, for several rounds taken in turn, requests and records per second and their ratios. Loopback only; servers are
programs of their own on free ports, ended when it ends.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any

from sandtrack_api.tokens import Tokens

from sandtrack.shop import Shop

ROOT = Path(__file__).parents[2]
PLANT = ROOT / "demo_data" / "plant.toml"
CLIENTS, SECONDS, ROUNDS = 4, 3.0, 5
RECORDS = 20_000
PORTION = 1_000

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
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), *sys.path])}
    with subprocess.Popen(
        [sys.executable, "-c", code, *words], stdout=subprocess.PIPE, text=True, env=environment
    ) as run:
        assert run.stdout is not None
        try:
            yield int(re.search(r"127\.0\.0\.1:(\d+)", run.stdout.readline()).group(1))  # type: ignore[union-attr]
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


def requests_s(port: int, request: bytes, expected: int) -> float:
    """Requests answered per second over a few connections kept open."""
    counts = [0] * CLIENTS
    until = time.perf_counter() + SECONDS

    def client(number: int) -> None:
        with socket.create_connection(("127.0.0.1", port)) as connection:
            while time.perf_counter() < until:
                connection.sendall(request)
                assert answered(connection) == expected
                counts[number] += 1

    threads = [threading.Thread(target=client, args=(number,)) for number in range(CLIENTS)]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(counts) / (time.perf_counter() - began)


def mixes(count: int) -> list[dict[str, Any]]:
    """Mix records of four streams into one mould each."""
    streams = [("silo_new", "100.5"), ("silo_f", "400.25"), ("tank_resin_f", "5.5"), ("tank_acid", "1.9")]
    return [
        {
            "at": f"2025-02-{1 + n // 1000 % 28:02d}T{6 + n % 1000 // 60:02d}:{n % 60:02d}:00+01:00",
            "mixer": "m1", "binder_system": "furan", "moulds": [str(n % 500)],
            "sand_temp_c": Decimal("18.5"),
            "streams": [{"place": place, "mass_kg": Decimal(mass)} for place, mass in streams],
        }
        for n in range(count)
    ]  # fmt: skip


def library_s(shop: Path, records: list[dict[str, Any]]) -> float:
    """Records per second of the library's own bulk write, in portions as large as an upload's."""
    with Shop.open(shop) as opened:
        began = time.perf_counter()
        for start in range(0, len(records), PORTION):
            entries = [
                opened.ledger.entry("mix", content, sender="m1", record_id=f"x{start + number}")
                for number, content in enumerate(records[start : start + PORTION])
            ]
            accepted, refused = opened.ledger.append_all(entries)
            assert not refused
            assert all(one is not None and one.new for one in accepted)
        return len(records) / (time.perf_counter() - began)


def upload_s(port: int, token: str, body: bytes, count: int) -> float:
    """Records per second of an upload, from its first byte sent to the last answer read."""
    import http.client

    connection = http.client.HTTPConnection("127.0.0.1", port)
    began = time.perf_counter()
    connection.request(
        "POST", "/v1/records", body,
        {"Content-Type": "application/x-ndjson", "Authorization": f"Bearer {token}"},
    )  # fmt: skip
    answer = connection.getresponse()
    told = answer.read()
    took = time.perf_counter() - began
    connection.close()
    assert answer.status == 200
    assert told.count(b'"outcome":"new"') == count, told[:500]
    return count / took


def compare(name: str, pairs: list[tuple[float, float]], unit: str, aim: float) -> None:
    """Print one row: both sides and the ratio, medians over the rounds."""
    ours, theirs = (statistics.median(side) for side in zip(*pairs, strict=True))
    ratios = sorted(one / other for one, other in pairs)
    print(
        f"{name:52} {ours:9,.0f} {theirs:9,.0f} {unit:11} ratio {statistics.median(ratios):.2f} "
        f"({ratios[0]:.2f} to {ratios[-1]:.2f}), aim {aim}"
    )


def rounds(ours: Callable[[], float], theirs: Callable[[], float]) -> list[tuple[float, float]]:
    """Both sides in turn, so that what else the machine does meets both."""
    return [(ours(), theirs()) for _ in range(ROUNDS)]


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.sandtrack"
        Shop.create(path, PLANT).close()
        token = Tokens.beside(path).make(role="manager", name="bench")[1]
        records = mixes(RECORDS)
        lines = [{"kind": "mix", "id": f"x{n}", "sender": "m1", **record} for n, record in enumerate(records)]
        body = "\n".join(json.dumps(line, default=float) for line in lines).encode()

        def fresh() -> Path:
            copy = Path(tempfile.mkdtemp(dir=folder)) / "shop.sandtrack"
            shutil.copy(path, copy)
            shutil.copy(f"{path}.tokens", f"{copy}.tokens")
            return copy

        def uploaded() -> float:
            with server(_SERVICE, "serve", "--shop", str(fresh()), "--port", "0") as port:
                requests_s_once(port)
                return upload_s(port, token, body, RECORDS)

        def requests_s_once(port: int) -> None:
            with socket.create_connection(("127.0.0.1", port)) as connection:
                connection.sendall(get("/v1/health"))
                assert answered(connection) == 200

        with (
            server(_EMPTY) as empty,
            server(_SERVICE, "serve", "--shop", str(fresh()), "--port", "0") as ours,
        ):
            bearer = f"Authorization: Bearer {token}\r\n"
            asked = get("/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=18", bearer)
            compare(
                "GET of a set-point ÷ an empty Flask route",
                rounds(lambda: requests_s(ours, asked, 200), lambda: requests_s(empty, get("/"), 200)),
                "requests/s", 0.4,
            )  # fmt: skip
        compare(
            "upload over HTTP ÷ the library's own bulk write",
            rounds(uploaded, lambda: library_s(fresh(), records)),
            "records/s", 0.5,
        )  # fmt: skip


if __name__ == "__main__":
    main()
