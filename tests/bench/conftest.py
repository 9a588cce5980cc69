"""What the benches share, and one table of all rows at the end."""

from __future__ import annotations

import platform
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from history import bench_folder
from measuring import Measure, Row, load, table
from pytest_benchmark.fixture import BenchmarkFixture

_ROWS: pytest.StashKey[list[Row]] = pytest.StashKey()


@pytest.fixture
def measure(benchmark: BenchmarkFixture, pytestconfig: pytest.Config) -> Measure:
    """What a bench measures with."""
    return Measure(benchmark, pytestconfig.stash.setdefault(_ROWS, []))


@pytest.fixture
def new_path() -> Iterator[Callable[[], Path]]:
    """Paths of shop files that are not there yet, each in a folder of its own, on the disk of everything large."""
    with tempfile.TemporaryDirectory(dir=bench_folder()) as folder:
        yield lambda: Path(tempfile.mkdtemp(dir=folder)) / "shop.sandtrack"


def pytest_report_header() -> str:
    """What is measured on."""
    versions = f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, NumPy {np.__version__}"
    return f"load at the start {load()}, {versions}, large files in {bench_folder()}"


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """All rows, measured in this run."""
    rows = config.stash.get(_ROWS, [])
    if rows:
        terminalreporter.write_line("\n" + table(rows))
