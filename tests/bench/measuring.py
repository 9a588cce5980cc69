"""Measuring side by side: both sides in turn, medians of their ratios, and one table at the end."""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable, Sequence

from tabulate import tabulate

Side = Callable[[], float]
_HEADER = ("what", "this", "against", "unit", "median", "spread", "aim", "load")


def load() -> str:
    """How busy the machine was over the last minute: processes, of so many cores."""
    return f"{os.getloadavg()[0]:.1f} of {os.cpu_count()}" if hasattr(os, "getloadavg") else ""


def seconds(run: Callable[[], object]) -> float:
    """How long one call takes."""
    began = time.perf_counter()
    run()
    return time.perf_counter() - began


def in_turn(sides: Sequence[Side], rounds: int) -> list[tuple[float, ...]]:
    """All sides, one after the other, in each round, so that what else the machine does meets all of them."""
    return [tuple(side() for side in sides) for _ in range(rounds)]


class Table:
    """Rows as they are measured; printed at once, and again as a table."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, ...]] = []

    def ratio(self, what: str, pairs: Sequence[tuple[float, float]], unit: str, aim: str = "") -> None:
        """One side ÷ the other: medians of both, median and spread of the ratio over the rounds."""
        ours, theirs = (statistics.median(side) for side in zip(*pairs, strict=True))
        ratios = sorted(one / other for one, other in pairs)
        spread = f"{_digits(ratios[0])} to {_digits(ratios[-1])}"
        self._add(what, _digits(ours), _digits(theirs), unit, _digits(statistics.median(ratios)), spread, aim)

    def figure(self, what: str, values: Sequence[float], unit: str, aim: str = "") -> None:
        """One figure: its median and spread over the rounds."""
        middle = _digits(statistics.median(values))
        self._add(what, middle, "", unit, middle, f"{_digits(min(values))} to {_digits(max(values))}", aim)

    def _add(self, *cells: str) -> None:
        self.rows.append((*cells, load()))
        print("  ".join(cell for cell in self.rows[-1] if cell), flush=True)

    def show(self) -> None:
        """The whole table."""
        print("\n" + tabulate(self.rows, _HEADER, disable_numparse=True, colalign=("left", "right", "right")))


def _digits(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
