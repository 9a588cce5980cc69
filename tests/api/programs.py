"""`sandtrack serve` as a program of its own, on loopback and a free port; only programs started here are ended here."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sandtrack_api.tokens import Tokens

START_S = 60


class Program:
    """One running server."""

    def __init__(self, shop: Path, *words: str, before: str = "") -> None:
        code = f"{before}\nfrom sandtrack.cli import main\nmain()"
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, "serve", "--shop", str(shop), "--port", "0", "--clock-is-right", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        assert self.process.stdout is not None
        self.first = self.process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/v1", self.first)
        assert found, self.first + self.end()[1]
        self.port = int(found.group(1))

    def end(self, how: int = signal.SIGTERM) -> tuple[int, str]:
        """End it; its exit code and what it said on standard error."""
        self.process.send_signal(how)
        _, said = self.process.communicate(timeout=START_S)
        return self.process.returncode, said


@contextmanager
def program(shop: Path, *words: str, before: str = "") -> Iterator[Program]:
    """A server that is ended with the block."""
    started = Program(shop, *words, before=before)
    try:
        yield started
    finally:
        if started.process.poll() is None:
            started.end()


def manager(shop: Path) -> dict[str, str]:
    """Headers of a manager."""
    return {"Authorization": f"Bearer {Tokens.beside(shop).make(role='manager', name='greta')[1]}"}


def call(port: int, method: str, path: str, headers: dict[str, str], body: Any = None) -> tuple[int, Any, Any]:
    """One request on a connection of its own: status, headers, JSON."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        connection.request(method, path, body, headers)
        answer = connection.getresponse()
        return answer.status, answer.headers, json.loads(answer.read())
    finally:
        connection.close()
