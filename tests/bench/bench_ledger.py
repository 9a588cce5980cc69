"""The ledger side by side with bare SQLite, and large books with small ones."""

from __future__ import annotations

import gc
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from history import (
    COUNTED,
    KNOWN_WITHOUT_COUNTS,
    LAST,
    MOVEMENTS_A_MIX,
    MOVEMENTS_A_PORTION,
    Book,
    book,
    mix,
    mixes,
    plant,
    write_mixes,
)
from measuring import Measure, Run

from sandtrack.ledger import Ledger
from sandtrack.ledger.reading import Reader
from sandtrack.plant import OUTSIDE
from sandtrack.records import times
from sandtrack.shop import Shop

MOVEMENTS = int(os.environ.get("SANDTRACK_BENCH_MOVEMENTS", "200000"))
LINES = int(os.environ.get("SANDTRACK_BENCH_LINES", "100000"))
YEARS, MONTH, SMALL = 10, 31, 10_000
RECORDS = 20_000
PORTION = MOVEMENTS_A_PORTION // MOVEMENTS_A_MIX
YEAR = ("2024-01-01", "2024-12-31")
NOW = f"{LAST.isoformat()} 23:30"

NewPath = Callable[[], Path]


@pytest.fixture(scope="module")
def large() -> Iterator[Book]:
    """Ten years."""
    with book(MOVEMENTS, (LAST - LAST.replace(year=LAST.year - YEARS)).days) as built:
        yield built


@pytest.fixture(scope="module")
def small() -> Iterator[Book]:
    """The last month."""
    with book(SMALL, MONTH) as built:
        yield built


# -- writing ------------------------------------------------------------------------------------------------------


@contextmanager
def to_write(path: Path, contents: list[dict[str, Any]]) -> Iterator[Run]:
    """A new shop file, and the mixes to be checked and appended to it."""
    with closing(Ledger.create(path, plant(LAST), sender="bench")) as ledger:
        yield lambda: write_mixes(ledger, contents, PORTION)


class Bare:
    """The rows of a shop file, to be written again by nothing but SQLite."""

    def __init__(self, shop: Path) -> None:
        with closing(sqlite3.connect(shop)) as connection:
            self.into_record, self.records = _rows(connection, "record", "WHERE kind = 'mix' ORDER BY seq")
            self.into_movement, self.movements = _rows(connection, "movement", "ORDER BY record")
            self.tables, self.indexes = (
                [sql for (sql,) in connection.execute(_MADE_BY, (kind,))] for kind in ("table", "index")
            )
        assert (len(self.tables), len(self.records)) == (2, RECORDS)
        assert len(self.movements) == MOVEMENTS_A_MIX * RECORDS

    @contextmanager
    def to_write(self, path: Path, *, indexed: bool) -> Iterator[Run]:
        """A new file of the same two tables, and the rows to be written into them by `executemany`."""
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
                connection.execute(f"PRAGMA {pragma}")
            for sql in [*self.tables, *(self.indexes if indexed else ())]:
                connection.execute(sql)

            def run() -> None:
                for start in range(0, RECORDS, PORTION):
                    connection.execute("BEGIN IMMEDIATE")
                    connection.executemany(self.into_record, self.records[start : start + PORTION])
                    first, last = MOVEMENTS_A_MIX * start, MOVEMENTS_A_MIX * (start + PORTION)
                    connection.executemany(self.into_movement, self.movements[first:last])
                    connection.execute("COMMIT")

            yield run


_MADE_BY = "SELECT sql FROM sqlite_master WHERE tbl_name IN ('record', 'movement') AND type = ? AND sql IS NOT NULL"


def _rows(connection: sqlite3.Connection, table: str, which: str) -> tuple[str, list[tuple[Any, ...]]]:
    """How a row is written, and the rows; of columns that are not computed."""
    names = [name for _, name, *_ in connection.execute(f"PRAGMA table_info({table})")]
    columns, places = ", ".join(names), ", ".join("?" * len(names))
    rows = connection.execute(f"SELECT {columns} FROM {table} {which}").fetchall()
    return f"INSERT INTO {table} ({columns}) VALUES ({places})", rows


@pytest.fixture(scope="module")
def contents() -> Iterator[list[dict[str, Any]]]:
    """Mixes of one day, which the collector of garbage does not walk: no caller holds so many at once."""
    made = mixes(RECORDS)
    gc.collect()
    gc.freeze()
    yield made
    gc.unfreeze()


@pytest.mark.parametrize(
    ("which", "indexed", "aim"),
    [("same keys and indexes", True, "≥ 0.4"), ("no secondary indexes", False, "")],
    ids=["indexed", "not_indexed"],
)
def test_writing(
    measure: Measure, new_path: NewPath, contents: list[dict[str, Any]], which: str, indexed: bool, aim: str
) -> None:
    """Mixes through the library, and bare `executemany` of the rows that come of them."""
    written = new_path()
    with to_write(written, contents) as run:
        run()
    bare = Bare(written)
    measure(
        f"bulk writing ÷ bare executemany, {which}; records of {MOVEMENTS_A_MIX} movements",
        lambda: to_write(new_path(), contents),
        lambda: bare.to_write(new_path(), indexed=indexed),
        unit="records/s", of=RECORDS, aim=aim, warmups=0, anew=True,
    )  # fmt: skip


# -- stock --------------------------------------------------------------------------------------------------------


def one_place(reader: Reader, at: int) -> None:
    """What is in the silo that most is drawn from."""
    reader.stock_mg("silo_f", "reclaimed_f", at)


def counted_places(reader: Reader, at: int) -> None:
    """Every material of every place that is counted."""
    for place, material in reader.holdings():
        if place in COUNTED:
            reader.stock_mg(place, material, at)


def all_places(reader: Reader, at: int) -> None:
    """Every material of every place on site: moulds and the reclaimer are never counted."""
    for place, material in reader.holdings():
        if place in COUNTED or place not in OUTSIDE:
            reader.stock_mg(place, material, at)


ASKED = [
    pytest.param("one place", one_place, "≤ 5", id="one_place"),
    pytest.param("all counted places", counted_places, "≤ 40", id="counted_places"),
    pytest.param("all places", all_places, "≤ 40", id="all_places"),
]


@pytest.mark.parametrize(("what", "ask", "_"), ASKED)
def test_stock(measure: Measure, large: Book, small: Book, what: str, ask: Callable[..., None], _: str) -> None:
    """Stock now in a large book, and in a small one of the same places and materials, with a count a month in both."""
    at = times.instant(NOW, large.ledger.zone)
    with large.ledger.reader() as long, small.ledger.reader() as short:
        assert set(long.holdings()) == set(short.holdings())
        measure(
            f"stock now, {what}, a count a month, {_sizes(large, small)}",
            lambda: ask(long, at),
            lambda: ask(short, at),
            unit="ms", aim="≤ 1.5", rounds=24,
        )  # fmt: skip


@pytest.mark.parametrize(("what", "ask", "aim"), ASKED)
def test_stock_without_a_count(measure: Measure, large: Book, what: str, ask: Callable[..., None], aim: str) -> None:
    """Stock now in a large book that was never counted."""
    at = times.instant(NOW, large.ledger.zone)
    with large.ledger.reader(KNOWN_WITHOUT_COUNTS) as reader:
        assert reader.anchor("silo_f", "reclaimed_f", at) is None
        measure(
            f"stock now, {what}, no count in ten years, {large.movements:,} movements",
            lambda: ask(reader, at),
            unit="ms", aim=aim, rounds=14,
        )  # fmt: skip


def test_answer_of_stock(measure: Measure, large: Book, small: Book) -> None:
    """The whole answer of `stock` for a large book and for a small one."""
    long, short = Shop(large.ledger), Shop(small.ledger)
    measure(
        f"the whole answer of `stock`, {_sizes(large, small)}",
        lambda: long.stock(NOW),
        lambda: short.stock(NOW),
        unit="ms", rounds=7,
    )  # fmt: skip


def test_answer_of_stock_without_a_count(measure: Measure, large: Book) -> None:
    """The whole answer of `stock` for a large book that was never counted."""
    shop = Shop(large.ledger)
    measure(
        f"the whole answer of `stock`, no count in ten years, {large.movements:,} movements",
        lambda: shop.stock(NOW, KNOWN_WITHOUT_COUNTS),
        unit="ms",
    )


def _sizes(large: Book, small: Book) -> str:
    return f"{large.movements:,} ÷ {small.movements:,} movements"


# -- report -------------------------------------------------------------------------------------------------------

_BY_HAND = (
    "SELECT r.kind, m.source, m.target, m.material, SUM(m.mass_mg) FROM movement m JOIN record r ON r.seq = m.event "
    "WHERE m.at >= ? AND m.at <= ? GROUP BY r.kind, m.source, m.target, m.material"
)


@pytest.mark.parametrize("what", ["flows", "rates", "balance"])
def test_report(measure: Measure, large: Book, what: str) -> None:
    """A year's flows, or an answer made of them, and SQL by hand over the year's movements."""
    ledger, shop = large.ledger, Shop(large.ledger)
    start = times.day_start(times.day(YEAR[0]), ledger.zone)
    end = times.day_end(times.day(YEAR[1]), ledger.zone)
    with ledger.reader() as reader:
        ours: dict[tuple[str, ...], int] = {}
        for flow in reader.flows(start - 1, end):
            key = (flow.kind, flow.source, flow.target, flow.material)
            ours[key] = ours.get(key, 0) + flow.mass_mg
        by_hand = reader.connection.execute(_BY_HAND, (start, end)).fetchall()
        assert ours == {tuple(key): mass for *key, mass in by_hand}  # the same question
        asked = {
            "flows": lambda: reader.flows(start - 1, end),
            "rates": lambda: shop.rates(*YEAR),
            "balance": lambda: shop.balance(*YEAR),
        }
        measure(
            f"a year's {what} ÷ SQL by hand, out of {large.movements:,} movements",
            asked[what],
            lambda: reader.connection.execute(_BY_HAND, (start, end)).fetchall(),
            unit="answers/s", aim="≥ 20", rounds=3,
        )  # fmt: skip


# -- memory -------------------------------------------------------------------------------------------------------

_LOADING = """
import sys
from contextlib import closing
from pathlib import Path
from sandtrack.ledger import Ledger
from sandtrack.shop.loading import load
def peak_mb():
    # Not getrusage: what that says of a new program begins with the peak of the one that started it.
    status = Path("/proc/self/status").read_text()
    return float(status.split("VmHWM:")[1].split()[0]) / 1024
with closing(Ledger.open(sys.argv[1])) as ledger:
    before = peak_mb()
    result = load(ledger, [sys.argv[2]])
    assert result.new == int(sys.argv[3]), result
    print(before, peak_mb())
"""


@contextmanager
def to_load(shop: Path, lines: int, told_mb: list[float]) -> Iterator[Run]:
    """A new shop file and a file of mixes, to be loaded by a program that tells its memory before and at most."""
    Ledger.create(shop, plant(LAST.replace(year=LAST.year - YEARS)), sender="bench").close()
    file = shop.with_name("mix.csv")
    content = mix("", "1")
    header = [f"stream{n}_{what}" for n in range(1, MOVEMENTS_A_MIX + 1) for what in ("place", "mass_kg")]
    cells = [str(stream[what]) for stream in content["streams"] for what in ("place", "mass_kg")]
    first = datetime(LAST.year - YEARS + 1, 1, 1)
    with file.open("w", encoding="utf-8") as out:
        print("id,sender,at,mixer,binder_system,moulds,sand_temp_c", *header, sep=",", file=out)
        for n in range(lines):
            at = (first + timedelta(seconds=200 * n)).isoformat() + "+00:00"
            print(f"m1-{n},m1,{at},m1,furan,{n % 500},18.5", *cells, sep=",", file=out)
    words = [sys.executable, "-P", "-c", _LOADING, str(shop), str(file), str(lines)]

    def run() -> None:
        told = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout
        told_mb.extend(map(float, told.split()))

    yield run


def test_memory_of_loading(measure: Measure, new_path: NewPath) -> None:
    """Loading a long file and a short one, each by a program of its own: lines a second, and most memory."""
    few = max(20_000, LINES // 10)
    long_mb: list[float] = []
    short_mb: list[float] = []
    sizes = f"{LINES:,} ÷ {few:,} lines"
    measure(
        f"loading of a file, {sizes}",
        lambda: to_load(new_path(), LINES, long_mb),
        lambda: to_load(new_path(), few, short_mb),
        unit="lines/s", of=(LINES, few), rounds=1, warmups=0, anew=True,
    )  # fmt: skip
    (long_before, long), (short_before, short) = long_mb, short_mb
    measure.row(f"peak memory of loading, {sizes}", [(long, short)], "MB", "≤ 1.2")
    measure.row(
        f"peak memory above what the program takes before it, {sizes}",
        [(long - long_before, short - short_before)], "MB",
    )  # fmt: skip


# -- growth -------------------------------------------------------------------------------------------------------

YESTERDAY = (LAST - timedelta(days=1)).isoformat()
GROWING = [
    pytest.param("moulds as known yesterday", lambda shop, _: shop.moulds(NOW, YESTERDAY), id="moulds_known"),
    pytest.param("moulds in the middle of the history", lambda shop, mid: shop.moulds(mid), id="moulds_mid"),
    pytest.param("records by place", lambda shop, _: shop.records(place="silo_new", limit=50), id="by_place"),
    pytest.param("records by a text that is nowhere", lambda shop, _: shop.records(text="zzqx"), id="by_text"),
]


@pytest.mark.parametrize(("what", "ask"), GROWING)
def test_growth(measure: Measure, large: Book, small: Book, what: str, ask: Callable[[Shop, str], Any]) -> None:
    """Questions that show as much of a large book as of a small one."""
    long, short = Shop(large.ledger), Shop(small.ledger)
    of_long = f"{(LAST - timedelta(days=365 * YEARS // 2)).isoformat()} 12:00"
    of_short = f"{(LAST - timedelta(days=MONTH // 2)).isoformat()} 12:00"
    measure(
        f"{what}, {_sizes(large, small)}",
        lambda: ask(long, of_long),
        lambda: ask(short, of_short),
        unit="ms", aim="≤ 1.5", rounds=7,
    )  # fmt: skip


def test_balance_of_all_time(measure: Measure, large: Book) -> None:
    """The balance of ten years in a large book and in one of as many days and counts with few movements."""
    with book(max(SMALL, MOVEMENTS // 100), (LAST - LAST.replace(year=LAST.year - YEARS)).days) as thin:
        long, short = Shop(large.ledger), Shop(thin.ledger)
        span = (LAST.replace(year=LAST.year - YEARS).isoformat(), LAST.isoformat())
        measure(
            f"balance of ten years, {_sizes(large, thin)}",
            lambda: long.balance(*span),
            lambda: short.balance(*span),
            unit="ms", aim="≤ 3", rounds=5,
        )  # fmt: skip
