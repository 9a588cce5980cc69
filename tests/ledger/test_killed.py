"""The program is killed while it writes: what it had acknowledged is there, whole, and nothing else is."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sandtrack.ledger import Ledger

from .appender import BATCH, records
from .shops import new_shop

APPENDER = Path(__file__).with_name("appender.py")


def run(path: Path, total: int, *, kill_after: tuple[int, float] | None = None) -> int:
    """Run the appender, killed some commits and seconds after it is ready; return how much it had acknowledged."""
    command = [sys.executable, str(APPENDER), str(path), str(total)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        lines = []
        if kill_after is not None:
            lines = [child.stdout.readline() for _ in range(kill_after[0])]
            time.sleep(kill_after[1])
            child.send_signal(signal.SIGKILL)
        lines += child.stdout.readlines()
    if kill_after is None:
        assert child.returncode == 0
    return max((int(line) for line in lines if line.endswith("\n")), default=0)


def check(path: Path, total: int, acknowledged: int) -> int:
    """The file is clean, holds whole batches, and all that was acknowledged; return how many records it holds."""
    ledger = Ledger.open(path)
    try:
        assert list(ledger.verify()) == []
        with ledger.store.reading() as connection:
            there = [name for (name,) in connection.execute("SELECT id FROM record WHERE seq > 1 ORDER BY seq")]
    finally:
        ledger.close()
    assert there == [name for _, name, _ in records(total)][: len(there)]
    assert len(there) % BATCH == 0
    assert len(there) >= acknowledged
    return len(there)


def killed_many_times(folder: Path, *, kills: int, total: int, seed: int) -> None:
    """Kill again and again, then let the program finish: the book is that of a program that was never killed."""
    chance = random.Random(seed)
    ledger, _ = new_shop(folder)
    ledger.close()
    path, cut_short, there = ledger.store.path, 0, 0
    for number in range(kills):
        # each run first sends again what is there, and is then killed at some moment of a batch or between two
        commits = there // BATCH + chance.randint(0, (total - there) // BATCH // (kills - number) // 2)
        acknowledged = run(path, total, kill_after=(commits, chance.uniform(0, 0.01)))
        there = max(there, acknowledged)
        cut_short += acknowledged < total
        there = check(path, total, there)
    assert cut_short > kills // 2
    assert run(path, total) == total
    assert check(path, total, total) == total
    undisturbed, _ = new_shop(folder / "undisturbed")
    undisturbed.close()
    run(undisturbed.store.path, total)
    assert totals(path) == totals(undisturbed.store.path)


def totals(path: Path) -> list[tuple[object, ...]]:
    """All totals by day, way and material."""
    ledger = Ledger.open(path)
    try:
        with ledger.store.reading() as connection:
            return connection.execute(
                "SELECT day, source, target, material, kind, SUM(records), SUM(mass_mg), SUM(mass_g2) FROM flow "
                "GROUP BY day, source, target, material, kind"
            ).fetchall()
    finally:
        ledger.close()


def test_killed_three_times(tmp_path: Path):
    """The short form."""
    (tmp_path / "undisturbed").mkdir()
    killed_many_times(tmp_path, kills=3, total=1200, seed=1)


@pytest.mark.soak
@pytest.mark.parametrize("seed", [2, 3])
def test_killed_many_times(tmp_path: Path, seed: int):
    """The long form: twice 20 kills."""
    (tmp_path / "undisturbed").mkdir()
    killed_many_times(tmp_path, kills=20, total=6000, seed=seed)
