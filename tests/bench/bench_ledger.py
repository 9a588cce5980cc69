"""The ledger side by side with bare SQLite, and large books with small ones.

    python tests/bench/bench_ledger.py [writing] [stock] [report] [memory]

prints a table of the parts named, or of all. A quick run takes some minutes; SANDTRACK_BENCH_MOVEMENTS=10000000 and
SANDTRACK_BENCH_LINES=1000000 make the full one. Large books are kept in SANDTRACK_BENCH_FOLDER.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from history import (
    COUNTED,
    LAST,
    MOVEMENTS_A_MIX,
    MOVEMENTS_A_PORTION,
    bench_folder,
    built,
    mix,
    plant,
)
from measuring import Table, in_turn, load, seconds

from sandtrack.ledger import Ledger, migrations
from sandtrack.ledger.reading import Reader
from sandtrack.plant import OUTSIDE
from sandtrack.records import times
from sandtrack.shop import Shop

ROOT = Path(__file__).parents[2]
MOVEMENTS = int(os.environ.get("SANDTRACK_BENCH_MOVEMENTS", "200000"))
LINES = int(os.environ.get("SANDTRACK_BENCH_LINES", "100000"))
YEARS, MONTH, SMALL = 10, 31, 10_000
RECORDS, ROUNDS = 20_000, 5
YEAR = ("2024-01-01", "2024-12-31")
PORTION = MOVEMENTS_A_PORTION // MOVEMENTS_A_MIX

Ask = Callable[[Reader, int], float]

# -- writing ------------------------------------------------------------------------------------------------------


def written(path: Path, contents: list[dict[str, Any]]) -> float:
    """Seconds to check and append so many mixes, a portion a transaction, into a new shop file."""
    with closing(Ledger.create(path, plant(LAST), sender="bench")) as ledger:

        def run() -> None:
            for start in range(0, len(contents), PORTION):
                entries = [
                    ledger.entry("mix", content, sender="m1", record_id=f"m1-{start + number}")
                    for number, content in enumerate(contents[start : start + PORTION])
                ]
                accepted, refused = ledger.append_all(entries)
                assert not refused
                assert all(one is not None and one.new for one in accepted)

        return seconds(run)


class Bare:
    """The rows of a shop file, to be written again by nothing but SQLite."""

    def __init__(self, shop: Path) -> None:
        with closing(sqlite3.connect(shop)) as book:
            self.records = book.execute("SELECT * FROM record WHERE kind = 'mix' ORDER BY seq").fetchall()
            self.movements = book.execute("SELECT * FROM movement ORDER BY rowid").fetchall()
        tables = [sql for sql in migrations.statements() if "TRIGGER" not in sql and "VIEW" not in sql]
        self.tables = [sql for sql in tables if "CREATE TABLE record " in sql or "CREATE TABLE movement " in sql]
        self.indexes = [sql for sql in tables if "INDEX record_" in sql or "INDEX movement_" in sql]
        assert (len(self.tables), len(self.movements)) == (2, MOVEMENTS_A_MIX * len(self.records))

    def written(self, path: Path, *, indexed: bool) -> float:
        """Seconds to write them by `executemany`, a portion a transaction, into a new file."""
        with closing(sqlite3.connect(path, isolation_level=None)) as book:
            for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
                book.execute(f"PRAGMA {pragma}")
            for sql in [*self.tables, *(self.indexes if indexed else ())]:
                book.execute(sql)

            def run() -> None:
                into_record, into_movement = _insert("record", self.records), _insert("movement", self.movements)
                for start in range(0, len(self.records), PORTION):
                    book.execute("BEGIN IMMEDIATE")
                    book.executemany(into_record, self.records[start : start + PORTION])
                    first, last = MOVEMENTS_A_MIX * start, MOVEMENTS_A_MIX * (start + PORTION)
                    book.executemany(into_movement, self.movements[first:last])
                    book.execute("COMMIT")

            return seconds(run)


def _insert(table: str, rows: list[tuple[Any, ...]]) -> str:
    return f"INSERT INTO {table} VALUES ({', '.join('?' * len(rows[0]))})"


def writing(table: Table) -> None:
    """Mixes through the library, against bare `executemany` of the rows that come of them."""
    noon = datetime(LAST.year, LAST.month, LAST.day)
    contents = [
        mix((noon + timedelta(seconds=4 * n)).isoformat(sep=" "), str(n % 500))  # all within the day
        for n in range(RECORDS)
    ]
    with tempfile.TemporaryDirectory(dir=bench_folder()) as folder:
        number = iter(range(1_000))

        def fresh() -> Path:
            return Path(folder) / f"{next(number)}.sandtrack"

        first = fresh()
        written(first, contents)
        bare = Bare(first)
        sides: list[Callable[[], float]] = [
            lambda: written(fresh(), contents),
            lambda: bare.written(fresh(), indexed=True),
            lambda: bare.written(fresh(), indexed=False),
        ]
        took = in_turn(sides, ROUNDS)
    rates = [tuple(RECORDS / side for side in one) for one in took]
    moved = [tuple(MOVEMENTS_A_MIX * rate for rate in one) for one in rates]
    table.ratio("bulk writing ÷ bare executemany, same keys and indexes", _pairs(rates, 1), "records/s", "≥ 0.4")
    table.ratio("  the same in movements", _pairs(moved, 1), "movements/s", "≥ 0.4")
    table.ratio("bulk writing ÷ bare executemany, no secondary indexes", _pairs(moved, 2), "movements/s")


def _pairs(rounds: list[tuple[float, ...]], other: int) -> list[tuple[float, float]]:
    return [(one[0], one[other]) for one in rounds]


# -- stock --------------------------------------------------------------------------------------------------------


def _days() -> int:
    return (LAST - LAST.replace(year=LAST.year - YEARS)).days


def one_place(reader: Reader, at: int) -> float:
    """Seconds for what is in the silo that most is drawn from."""
    return seconds(lambda: reader.stock_mg("silo_f", "reclaimed_f", at))


def places(*, counted: bool) -> Ask:
    """Every material of every place that is counted, or of all on site: moulds and the reclaimer are never counted."""

    def ask(reader: Reader, at: int) -> float:
        def run() -> None:
            for place, material in reader.holdings():
                if place in COUNTED or not (counted or place in OUTSIDE):
                    reader.stock_mg(place, material, at)

        return seconds(run)

    return ask


def stock(table: Table) -> None:
    """Stock now in a large book and in a small one."""
    large, small = built(MOVEMENTS, _days()), built(SMALL, MONTH)
    now = f"{LAST.isoformat()} 23:30"
    asked: list[tuple[str, Ask, str]] = [
        ("one place", one_place, "≤ 5"),
        ("all counted places", places(counted=True), "≤ 40"),
        ("all places", places(counted=False), "≤ 40"),
    ]
    with closing(large.open()) as big, closing(small.open()) as little:
        at = times.instant(now, big.zone)
        named = f"{large.movements:,} ÷ {small.movements:,} movements"
        for what, ask, _ in asked:
            with big.reader() as long, little.reader() as short:
                took = in_turn([_ms(ask, long, at), _ms(ask, short, at)], 25)[1:]
            table.ratio(f"stock now, {what}, a count a month, {named}", took, "ms", "≤ 1.5")
        for what, ask, aim in asked:
            with big.reader(large.known_without_counts) as long:
                took = in_turn([_ms(ask, long, at)], 15)[1:]
            table.figure(f"stock now, {what}, no count in ten years", [one for (one,) in took], "ms", aim)
        long_shop, short_shop = Shop(big), Shop(little)
        took = in_turn(
            [
                lambda: 1e3 * seconds(lambda: long_shop.stock(now)),
                lambda: 1e3 * seconds(lambda: short_shop.stock(now)),
            ],
            8,
        )[1:]
        table.ratio(f"the whole answer of `stock`, {named}", took, "ms")
        unknown = [1e3 * seconds(lambda: long_shop.stock(now, large.known_without_counts)) for _ in range(6)][1:]
        table.figure("the whole answer of `stock`, no count in ten years", unknown, "ms")


def _ms(ask: Ask, reader: Reader, at: int) -> Callable[[], float]:
    return lambda: 1e3 * ask(reader, at)


# -- report -------------------------------------------------------------------------------------------------------

_BY_HAND = (
    "SELECT r.kind, m.source, m.target, m.material, SUM(m.mass_mg) FROM movement m JOIN record r ON r.seq = m.event "
    "WHERE m.at >= ? AND m.at <= ? GROUP BY r.kind, m.source, m.target, m.material"
)


def report(table: Table) -> None:
    """A year's flows, and the answers made of them, against SQL by hand over the year's movements."""
    large = built(MOVEMENTS, _days())
    with closing(large.open()) as ledger:
        shop = Shop(ledger)
        start = times.day_start(times.day(YEAR[0]), ledger.zone)
        end = times.day_end(times.day(YEAR[1]), ledger.zone)
        with ledger.reader() as reader:
            by_hand = {tuple(key): mass for *key, mass in reader.connection.execute(_BY_HAND, (start, end))}
            ours: dict[tuple[str, ...], int] = {}
            for flow in reader.flows(start - 1, end):
                key = (flow.kind, flow.source, flow.target, flow.material)
                ours[key] = ours.get(key, 0) + flow.mass_mg
            assert ours == by_hand  # the same question
            took = in_turn(
                [
                    lambda: 1e3 * seconds(lambda: reader.connection.execute(_BY_HAND, (start, end)).fetchall()),
                    lambda: 1e3 * seconds(lambda: reader.flows(start - 1, end)),
                    lambda: 1e3 * seconds(lambda: shop.rates(*YEAR)),
                    lambda: 1e3 * seconds(lambda: shop.balance(*YEAR)),
                ],
                4,
            )[1:]
    named = f"a year out of {large.movements:,} movements, SQL by hand ÷"
    for side, what in enumerate(("flows", "answer of `rates`", "answer of `balance`"), 1):
        table.ratio(f"{named} {what}", [(one[0], one[side]) for one in took], "ms", "≥ 20")


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


def peak_mb(folder: Path, lines: int) -> tuple[float, float, float]:
    """Memory of a program before and at most while it loads so many lines of mixes, and its seconds. [MB, MB, s]"""
    shop, file = folder / f"{lines}.sandtrack", folder / f"mix_{lines}.csv"
    Ledger.create(shop, plant(LAST.replace(year=LAST.year - YEARS)), sender="bench").close()
    content = mix("", "1")
    streams = range(1, MOVEMENTS_A_MIX + 1)
    header = [f"stream{number}_{what}" for number in streams for what in ("place", "mass_kg")]
    cells = [str(stream[what]) for stream in content["streams"] for what in ("place", "mass_kg")]
    first = datetime(LAST.year - YEARS + 1, 1, 1)
    with file.open("w", encoding="utf-8") as out:
        print("id,sender,at,mixer,binder_system,moulds,sand_temp_c", *header, sep=",", file=out)
        for n in range(lines):
            at = (first + timedelta(seconds=200 * n)).isoformat() + "+00:00"
            print(f"m1-{n},m1,{at},m1,furan,{n % 500},18.5", *cells, sep=",", file=out)
    words = [sys.executable, "-c", _LOADING, str(shop), str(file), str(lines)]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), *sys.path])}
    told: list[str] = []

    def run() -> None:
        told.append(subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True, env=environment).stdout)

    took = seconds(run)
    before, peak = (float(word) for word in told[0].split())
    return before, peak, took


def memory(table: Table) -> None:
    """Most memory while loading a long file and a short one, each in a program of its own."""
    small = max(20_000, LINES // 10)
    with tempfile.TemporaryDirectory(dir=bench_folder()) as folder:
        short, long = peak_mb(Path(folder), small), peak_mb(Path(folder), LINES)
    named = f"{LINES:,} ÷ {small:,} lines"
    table.ratio(f"peak memory of loading, {named}", [(long[1], short[1])], "MB", "≤ 1.2")
    table.ratio("  above what the program takes before it", [(long[1] - long[0], short[1] - short[0])], "MB")
    table.ratio("  lines loaded per second", [(LINES / long[2], small / short[2])], "lines/s")


PARTS = {"writing": writing, "stock": stock, "report": report, "memory": memory}


def main(names: list[str]) -> None:
    """Measure and print."""
    print(f"load at the start {load()}, Python {sys.version.split()[0]}, SQLite {sqlite3.sqlite_version}")
    table = Table()
    for name in names or PARTS:
        PARTS[name](table)
    table.show()


if __name__ == "__main__":
    main(sys.argv[1:])
