"""Measuring side by side: pytest-benchmark times ours, and the other side is timed in the setup of each round.

So both sides meet what else the machine does.
"""

from __future__ import annotations

import operator
import os
import statistics
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack, nullcontext
from functools import reduce
from typing import Any

from pytest_benchmark.fixture import BenchmarkFixture
from tabulate import tabulate

Run = Callable[[], object]
Side = Run | Callable[[], AbstractContextManager[Run]]
Row = dict[str, Any]

_UNITS_A_SECOND = {"ms": 1e3, "µs": 1e6}


class Measure:
    """What a bench measures with; each row also goes into the `extra_info` of pytest-benchmark."""

    def __init__(self, benchmark: BenchmarkFixture, rows: list[Row]) -> None:
        self.benchmark = benchmark
        self.rows = rows

    def __call__(
        self,
        what: str,
        ours: Side,
        theirs: Side | None = None,
        *,
        unit: str,
        of: int | tuple[int, int] = 1,
        aim: str = "",
        rounds: int = 5,
        warmups: int = 1,
        anew: bool = False,
    ) -> None:
        """Both sides in turn. `of` is how many of what the unit counts one run does, of each side if they differ.

        `anew`: a side makes what it needs for a round outside of the timed part, and gives what is timed.
        """
        made_for: Callable[..., AbstractContextManager[Run]] = operator.call if anew else nullcontext
        their_seconds: list[float] = []
        with ExitStack() as made:

            def setup() -> tuple[tuple[Run], dict[str, Any]]:
                made.close()  # what the round before needed
                if theirs is not None:
                    with made_for(theirs) as run:
                        their_seconds.append(_seconds(run))
                return (made.enter_context(made_for(ours)),), {}

            self.benchmark.pedantic(operator.call, setup=setup, rounds=rounds, warmup_rounds=warmups)
        if self.benchmark.enabled:
            numbers = of if isinstance(of, tuple) else (of, of)
            sides = [[_in(unit, took, numbers[0]) for took in self.benchmark.stats["data"]]]
            if theirs is not None:
                sides += [[_in(unit, took, numbers[1]) for took in their_seconds[warmups : warmups + rounds]]]
            self.row(what, list(zip(*sides, strict=True)), unit, aim)

    def row(self, what: str, rounds: Sequence[tuple[float, ...]], unit: str, aim: str = "") -> None:
        """What was measured of ours, or of ours and of the other side; then the median is that of their ratio."""
        results = [reduce(operator.truediv, one) for one in rounds]
        sides = [statistics.median(side) for side in zip(*rounds, strict=True)]
        row = {
            "what": what,
            "this": sides[0],
            "against": sides[1] if len(sides) > 1 else None,
            "unit": unit,
            "median": statistics.median(results),
            "spread": (min(results), max(results)),
            "aim": aim,
            "load": load(),
        }
        self.rows.append(row)
        self.benchmark.extra_info.setdefault("rows", []).append({**row, "rounds": rounds})
        print("\n" + "  ".join(cell for cell in _cells(row) if cell), flush=True)


def table(rows: Sequence[Row]) -> str:
    """Rows as they were measured, under each other."""
    aligned = ("left", "right", "right", "left", "right")
    return tabulate([_cells(row) for row in rows], list(rows[0]), disable_numparse=True, colalign=aligned)


def load() -> str:
    """How busy the machine was over the last minute: processes, of so many cores."""
    return f"{os.getloadavg()[0]:.1f} of {os.cpu_count()}" if hasattr(os, "getloadavg") else ""


def _seconds(run: Run) -> float:
    began = time.perf_counter()
    run()
    return time.perf_counter() - began


def _in(unit: str, seconds: float, number: int) -> float:
    """A run of so many as so many a second, or as the time of one."""
    return number / seconds if unit.endswith("/s") else _UNITS_A_SECOND[unit] * seconds / number


def _cells(row: dict[str, Any]) -> list[str]:
    told = {**row, "spread": " to ".join(_digits(end) for end in row["spread"])}
    return [_digits(value) if isinstance(value, float) else value or "" for value in told.values()]


def _digits(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
