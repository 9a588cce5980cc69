"""A server that is killed while it writes: what it acknowledged is there once, and clients may repeat the rest."""

from __future__ import annotations

import http.client
import json
import random
import signal
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from sandtrack.shop import Shop

from .programs import Program, manager

SMALL_PORTIONS = "from sandtrack_api import portions; portions.LINES_AT_ONCE = 25"
LINES = 100
GIVE_UP_S = 120


def delivery(record_id: str, mass_kg: int) -> dict[str, Any]:
    """A delivery of so much new sand."""
    return {"id": record_id, "at": "2025-03-03 08:00", "place": "silo_new", "mass_kg": mass_kg}


class Server:
    """The server of one shop, killed and started again by its owner."""

    def __init__(self, shop: Path) -> None:
        self.shop = shop
        self.now = Program(shop, before=SMALL_PORTIONS)

    def kill(self) -> None:
        """Kill it and start another."""
        self.now.end(signal.SIGKILL)
        self.now = Program(self.shop, before=SMALL_PORTIONS)


class Client(threading.Thread):
    """Sends records until it is told to stop, each again until it is acknowledged."""

    def __init__(self, name: str, server: Server, headers: dict[str, str], by_lines: bool) -> None:
        super().__init__(name=name)
        self.server, self.headers, self.by_lines = server, headers, by_lines
        self.stopping = threading.Event()
        self.acknowledged: dict[str, int] = {}
        self.new: Counter[str] = Counter()
        self.cut_off = 0
        self.failed: list[Any] = []

    def run(self) -> None:
        """Send."""
        sent = 0
        try:
            while not self.stopping.is_set():
                count = LINES if self.by_lines else 1
                batch = {f"{self.name}-{number}": number + 1 for number in range(sent, sent + count)}
                sent += count
                until = time.monotonic() + GIVE_UP_S
                while waiting := {name: mass for name, mass in batch.items() if name not in self.acknowledged}:
                    assert time.monotonic() < until, "no server answered in time"
                    try:
                        self.send(waiting)
                    except (OSError, http.client.HTTPException):
                        self.cut_off += 1
                        time.sleep(0.02)
        except Exception as problem:
            self.failed.append(problem)

    def send(self, waiting: dict[str, int]) -> None:
        """Send what waits; note what is acknowledged, line by line, as far as answers come."""
        connection = http.client.HTTPConnection("127.0.0.1", self.server.now.port, timeout=30)
        try:
            if self.by_lines:
                lines = [json.dumps({"kind": "delivery", **delivery(*one)}) for one in waiting.items()]
                headers = {**self.headers, "Content-Type": "application/x-ndjson"}
                connection.request("POST", "/v1/records", "\n".join(lines), headers)
                answer = connection.getresponse()
                assert answer.status == 200
                while line := answer.readline():
                    if line.endswith(b"\n"):
                        told = json.loads(line)
                        assert told["outcome"] in ("new", "known"), told
                        self.note(told["id"], told["outcome"] == "new", waiting)
            else:
                ((name, mass),) = waiting.items()
                headers = {**self.headers, "Content-Type": "application/json"}
                connection.request("POST", "/v1/records/delivery", json.dumps(delivery(name, mass)), headers)
                answer = connection.getresponse()
                receipt = json.loads(answer.read())
                assert answer.status in (200, 201), receipt
                self.note(name, receipt["new"], waiting)
        finally:
            connection.close()

    def note(self, name: str, new: bool, waiting: dict[str, int]) -> None:
        """An acknowledgement came."""
        self.acknowledged[name] = waiting[name]
        self.new[name] += new


def kill_and_repeat(shop: Path, kills: int, seed: int) -> int:
    """Kill the server at random moments; return how often a client was cut off."""
    moments = random.Random(seed)
    headers = manager(shop)
    server = Server(shop)
    clients = [Client(f"one{n}", server, headers, False) for n in range(2)]
    clients += [Client(f"many{n}", server, headers, True) for n in range(2)]
    for client in clients:
        client.start()
    try:
        for _ in range(kills):
            time.sleep(moments.uniform(0.05, 0.5))
            server.kill()
    finally:
        for client in clients:
            client.stopping.set()
        for client in clients:
            client.join(GIVE_UP_S)
        code, _ = server.now.end()
    assert code == 0
    acknowledged: dict[str, int] = {}
    for client in clients:
        assert client.failed == []
        assert max(client.new.values()) == 1, "acknowledged twice as new"
        acknowledged |= client.acknowledged
    with Shop.open(shop) as opened:
        assert opened.verify() == []
        with opened.ledger.reader() as reader:
            kept = Counter(name for (name,) in reader.connection.execute("SELECT id FROM record WHERE seq > 1"))
        stock = opened.stock("2025-03-31").values["stock_kg"]["silo_new"]["new_sand"]
    # All that was sent was acknowledged in the end: the ledger holds each once, and the sand of each once.
    assert kept == Counter(acknowledged.keys())
    assert stock == sum(acknowledged.values())
    return sum(client.cut_off for client in clients)


def test_a_killed_server_loses_and_doubles_nothing(new_shop: Path):
    """After three kills every acknowledged record is there exactly once, and the book is whole."""
    assert kill_and_repeat(new_shop, 3, 3) > 0


@pytest.mark.soak
def test_a_server_killed_often_loses_and_doubles_nothing(new_shop: Path):
    """The same for thirty kills."""
    assert kill_and_repeat(new_shop, 30, 30) >= 10
