"""One dosing answer, and strip times as arrays, side by side with NumPy alone.

    python tests/bench/bench_dosing.py

prints a table. The answers are those of the invented foundry's year in demo_data/.
"""

from __future__ import annotations

import math
import sys
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
from history import PLANT, bench_folder
from measuring import Table, in_turn, load, seconds

from sandtrack.shop import Shop
from sandtrack.shop.loading import open_folder
from sandtrack.trade.cure import CureLaw
from sandtrack.trade.learning import Belief, Learned, learn

NOW = "2025-12-15 10:00"
TIMES, RANGES, ROUNDS = 1_000_000, 1_000, 15
GAS_CONSTANT, ZERO_C = 8.314462618, 273.15
REFERENCE = {"strip_time_min": 45.0, "at_temp_c": 20.0, "at_lever": 35.0}


def bare(temp_c: Any, lever: Any) -> Any:
    """The cure law written down in NumPy, with nothing checked: ln t = ln t0 + E/R (1/T − 1/T0) − n ln(c/c0)."""
    warmth = 50.5e3 / GAS_CONSTANT * (1 / (temp_c + ZERO_C) - 1 / (20.0 + ZERO_C))
    return np.exp(math.log(45.0) + warmth - 1.4 * np.log(lever / 35.0))


def repeated(run: Callable[[], object], times: int) -> float:
    """Seconds of one of many calls in a row."""
    return seconds(lambda: [run() for _ in range(times)]) / times


def taught(checks: int = 200) -> Learned:
    """A law learned from invented checks around the formula, with lots."""
    chance = np.random.default_rng(1)
    temp, lever = chance.uniform(12, 28, checks), chance.uniform(28, 42, checks)
    strip = bare(temp, lever) * np.exp(chance.normal(0, 0.08, checks))
    return learn(
        Belief.default(**REFERENCE),
        temp_c=temp, lever=lever, earliest_min=0.95 * strip, latest_min=1.05 * strip,
        age_days=np.arange(checks, 0, -1.0), lot=np.arange(checks) // 20,
    )  # fmt: skip


def answers(table: Table) -> None:
    """The answer of `setting`, law at hand: with its reads of the ledger, and its calculation alone."""
    with tempfile.TemporaryDirectory(dir=bench_folder()) as folder:
        book, _ = open_folder(PLANT.parent, Path(folder) / "demo.sandtrack", sender="set-up")
        with closing(book):
            shop = Shop(book)

            def asked(**more: Any) -> Callable[[], float]:
                return lambda: 1e3 * seconds(lambda: shop.setting("m1", "furan", 18.0, at=NOW, **more))

            first, *second = [asked()() for _ in range(21)]
            wanted = [asked(strip_time_min=60.0)() for _ in range(21)][1:]
        table.figure("`setting`, first call: reads and fits 500 checks", [first], "ms")
        table.figure("`setting`, law at hand, with its reads of the ledger", second, "ms", "≤ 5")
        table.figure("`setting` for a wanted strip time, the same", wanted, "ms", "≤ 5")


def calculations(table: Table) -> None:
    """What a learned law costs by itself: one setting, a thousand ranges, a million times."""
    learned = taught()
    chance = np.random.default_rng(2)

    def one() -> object:
        lever = learned.lever_for(60.0, 18.0, chance=0.9)
        return lever, learned.strip_range_min(18.0, 35.0 if lever is None else lever)

    temp_c, lever_pct = np.float64(18.0), np.float64(35.0)
    took = in_turn(
        [
            lambda: 1e3 * repeated(one, 50),
            lambda: 1e3 * repeated(lambda: bare(temp_c, lever_pct), 500),
        ],
        ROUNDS,
    )
    table.ratio("one setting from a learned law and its range ÷ the bare formula", took, "ms", "stated; this ≤ 1")

    temps, levers = chance.uniform(10, 30, RANGES), chance.uniform(28, 42, RANGES)
    for what, lots in (("lot not said", None), ("ten lots", np.arange(RANGES) % 10)):
        each = [1e6 * seconds(lambda lots=lots: learned.strip_range_min(temps, levers, lot=lots)) / RANGES
                for _ in range(ROUNDS)]  # fmt: skip
        table.figure(f"a thousand learned ranges as arrays, {what}, each", each[1:], "µs", "≤ 20")

    law = CureLaw(**REFERENCE, activation_energy_kj_mol=50.5, exponent=1.4)
    temps, levers = chance.uniform(10, 30, TIMES), chance.uniform(28, 42, TIMES)
    assert np.allclose(law.strip_time_min(temps, levers), bare(temps, levers))  # the same formula
    sides = [lambda: 1e3 * seconds(lambda: law.strip_time_min(temps, levers)),
             lambda: 1e3 * seconds(lambda: bare(temps, levers))]  # fmt: skip
    table.ratio("a million strip times of the cure law ÷ bare NumPy", in_turn(sides, ROUNDS)[1:], "ms", "≤ 2")


def main() -> None:
    """Measure and print."""
    print(f"load at the start {load()}, Python {sys.version.split()[0]}, NumPy {np.__version__}")
    table = Table()
    calculations(table)
    answers(table)
    table.show()


if __name__ == "__main__":
    main()
