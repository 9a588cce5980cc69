"""Several threads and processes on one shop file: every record once, each wait bounded, the one who writes named."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from sandtrack.errors import ShopBusy, ShopFileError
from sandtrack.ledger import Ledger

from .shops import PLANT, Clock, micros, new_shop, revised, stock_kg, tell

ROOT = Path(__file__).parents[2]

WRITER = """
import sys, threading
from sandtrack.ledger import Ledger
path, name, records, rounds = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
ledger = Ledger.open(path, wait_s=120)
ledger.clock_is_right = True
new, wrong = [], []
def write(thread):
    try:
        for round in range(rounds):
            for number in range(records):
                # the even ones are sent by every thread of every process, the odd ones by one thread alone
                sender = "all" if number % 2 == 0 else f"{name}{thread}"
                content = {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1 + number}
                entry = ledger.entry("delivery", content, sender=sender, record_id=f"r{number}")
                new.append(ledger.append(entry).new)
    except BaseException as problem:
        wrong.append(problem)
        raise
    finally:
        ledger.close()
threads = [threading.Thread(target=write, args=(thread,)) for thread in range(4)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
print(sum(new), len(new))
sys.exit(bool(wrong))
"""

HOLDER = """
import sys, time
from sandtrack.ledger import Ledger
sys.argv[0] = "/opt/weighbridge.py"
ledger = Ledger.open(sys.argv[1])
ledger.clock_is_right = True
with ledger.store.writing():
    print("writing", flush=True)
    sys.stdin.read()
"""


def program(text: str, *words: object) -> subprocess.Popen[str]:
    """Another Python program, not yet waited for."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error"}
    return subprocess.Popen(
        [sys.executable, "-c", text, *map(str, words)],
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


@contextmanager
def holding(path: Path, text: str = HOLDER) -> Iterator[subprocess.Popen[str]]:
    """Another program in the middle of writing."""
    with program(text, path) as other:
        assert other.stdout
        assert other.stdout.readline() == "writing\n"
        yield other
        other.kill()


def all_at_once(path: Path, records: int, rounds: int) -> None:
    """Two processes of four threads, each sending the records so many times over."""
    writers = [program(WRITER, path, name, records, rounds) for name in "ab"]
    printed = [writer.communicate()[0] for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0]
    new, sent = (sum(int(line.split()[column]) for line in printed) for column in (0, 1))
    even, odd = (records + 1) // 2, records // 2
    assert sent == 8 * rounds * records
    assert new == even + 8 * odd
    with closing(Ledger.open(path)) as ledger:
        assert ledger.head().records == 1 + even + 8 * odd
        assert list(ledger.verify()) == []
        # even numbers once, odd ones once for each of eight threads; number n weighs n + 1 kg
        kg = sum(n + 1 if n % 2 == 0 else 8 * (n + 1) for n in range(records))
        assert stock_kg(ledger, "silo_new", "new_sand") == kg


def test_two_processes_of_four_threads_write_at_once(tmp_path: Path):
    """Sent three times over, by all and by each alone: every record is there once, the chain whole, verify clean."""
    new_shop(tmp_path)[0].close()
    all_at_once(tmp_path / "test.shop", 25, 3)


@pytest.mark.soak
def test_a_thousand_records_each_three_times_over(tmp_path: Path):
    """The same with a thousand records a thread."""
    new_shop(tmp_path)[0].close()
    all_at_once(tmp_path / "test.shop", 1000, 3)


def test_one_ledger_serves_several_threads_while_set_ups_come_and_go(tmp_path: Path):
    """One object, four threads: two write, one revises the set-up and takes it back, one reads; nothing is mixed up."""
    ledger, _ = new_shop(tmp_path)
    wrong: list[BaseException] = []
    done = threading.Event()

    def guarded(work: object, *words: object) -> None:
        try:
            work(*words)  # type: ignore[operator]
        except BaseException as problem:
            wrong.append(problem)
        finally:
            ledger.close()

    def write(name: str) -> None:
        for number in range(30):
            tell(ledger, "delivery", f"d{number}", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5}, name)

    def revise() -> None:
        for number in range(8):
            tell(ledger, "plant", f"p{number}", revised(f"2026-01-{number + 1:02d}"))
            of = {"sender": "op", "id": f"p{number}"}
            tell(ledger, "reversal", f"b{number}", {"of": of, "reason": "mistake"})

    def read() -> None:
        while not done.is_set():
            with ledger.reader() as reader:
                before = reader.stock_mg("silo_new", "new_sand", micros("2025-12-01 00:00"))
                assert before % 5_000_000 == 0
                assert before == reader.stock_mg("silo_new", "new_sand", micros("2025-12-01 00:00"))
            assert ledger.setups().on(micros("2025-05-01 00:00")).plant.shop.name == PLANT["shop"]["name"]

    writers = [threading.Thread(target=guarded, args=(write, name)) for name in ("one", "two")]
    writers.append(threading.Thread(target=guarded, args=(revise,)))
    reader = threading.Thread(target=guarded, args=(read,))
    for thread in (*writers, reader):
        thread.start()
    for thread in writers:
        thread.join()
    done.set()
    reader.join()
    assert wrong == []
    assert stock_kg(ledger, "silo_new", "new_sand") == 300
    assert ledger.head().records == 1 + 60 + 16
    assert list(ledger.verify()) == []
    ledger.close()


def test_who_waits_is_told_who_writes(tmp_path: Path):
    """A program in the middle of writing is named with its process and since when; nothing was written."""
    new_shop(tmp_path)[0].close()
    with closing(Ledger.open(tmp_path / "test.shop", wait_s=1.2)) as ledger:
        with holding(ledger.store.path) as other, pytest.raises(ShopBusy) as caught:
            tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5})
        error = caught.value
        assert f"weighbridge.py (process {other.pid}" in str(error)
        assert "has been writing for 1 s" in str(error) or "has been writing for 2 s" in str(error)
        assert "Nothing was written in 1.2 s of waiting" in str(error)
        assert (error.code, error.details["fault"], error.details["waited_s"]) == ("busy", "busy", 1.2)
        assert isinstance(error, ShopFileError)
        # the one who held it was killed: the system let go of the lock
        assert tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5}).new


def test_another_thread_of_this_program_is_named_so(tmp_path: Path):
    """Within one program the wait is bounded too."""
    ledger, _ = new_shop(tmp_path)
    ledger.store.wait_s = 0.05
    told: list[str] = []

    def write() -> None:
        try:
            tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5})
        except ShopBusy as problem:
            told.append(str(problem))
        finally:
            ledger.close()

    with ledger.store.writing():
        thread = threading.Thread(target=write)
        thread.start()
        thread.join()
    assert len(told) == 1
    assert "another thread of this program has been writing for less than a second" in told[0]
    ledger.close()


def test_a_program_that_is_not_sandtrack_is_said_to_be_one(tmp_path: Path):
    """Who writes by plain SQL holds SQLite's lock without a name; Linux tells the process all the same."""
    ledger, _ = new_shop(tmp_path)
    ledger.store.wait_s = 0.1
    text = (
        "import sqlite3, sys\nc = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "c.execute('BEGIN IMMEDIATE')\nprint('writing', flush=True)\nsys.stdin.read()"
    )
    with holding(ledger.store.path, text) as other, pytest.raises(ShopBusy) as caught:
        tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5})
    who = f"(process {other.pid})" if sys.platform == "linux" else "a program that is not sandtrack"
    assert f"{who} holds it for writing, for as long as this one has waited" in str(caught.value)
    ledger.close()


def test_readers_and_the_writer_do_not_wait_for_each_other(tmp_path: Path):
    """A question sees one moment while records come; the writer does not wait for it to end."""
    ledger, _ = new_shop(tmp_path)
    with closing(Ledger.open(ledger.store.path, wait_s=0)) as other, other.reader() as reader:
        assert reader.stock_mg("silo_new", "new_sand", micros("2025-12-01 00:00")) == 0
        ledger.store.wait_s = 0
        tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5})
        assert reader.stock_mg("silo_new", "new_sand", micros("2025-12-01 00:00")) == 0
        with ledger.store.writing():
            assert reader.stock_mg("silo_new", "new_sand", micros("2025-12-01 00:00")) == 0
    assert stock_kg(ledger, "silo_new", "new_sand") == 5
    ledger.close()


MIGRATOR = """
import sys
from sandtrack.ledger import Ledger, migrations
migrations.STEPS = {**migrations.STEPS, "002_trial": lambda: ["CREATE TABLE trial (x)", "INSERT INTO trial VALUES (1)"]}
sys.stdin.readline()
ledger = Ledger.open(sys.argv[1])
ledger.clock_is_right = True
ledger.close()
"""


def test_migrations_may_be_started_at_once(tmp_path: Path):
    """Six programs of a newer version open an older file at one moment: it is migrated once, and all may use it."""
    new_shop(tmp_path)[0].close()
    path = tmp_path / "test.shop"
    others = [program(MIGRATOR, path) for _ in range(6)]
    for other in others:
        assert other.stdin
        other.stdin.write("go\n")
        other.stdin.flush()
    for other in others:
        other.communicate()
    assert [other.returncode for other in others] == [0] * 6
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("SELECT count(*) FROM trial").fetchone() == (1,)
    with pytest.raises(ShopFileError, match=r"was written by a newer sandtrack \(002_trial\); update this one"):
        Ledger.open(path)


MAKER = """
import sys
from sandtrack.errors import ShopFileError
from sandtrack.ledger import Ledger
from sandtrack.plant import read_toml
plant = read_toml(sys.argv[2])
sys.stdin.readline()
try:
    ledger = Ledger.create(sys.argv[1], plant, sender=sys.argv[3])
    print("made")
    ledger.close()
except ShopFileError as problem:
    print(problem)
"""


def test_shops_may_be_made_at_once(tmp_path: Path):
    """Three programs make a shop of one name: one does, the others are told, and nobody meets half a shop."""
    path = tmp_path / "new.shop"
    others = [program(MAKER, path, ROOT / "demo_data" / "plant.toml", f"maker{number}") for number in range(3)]
    for other in others:
        assert other.stdin
        other.stdin.write("go\n")
        other.stdin.flush()
    told = Counter(other.communicate()[0].strip() for other in others)
    assert told == {"made": 1, f"{path} is there already; choose another name, or open it": 2}
    with closing(Ledger.open(path)) as ledger:
        assert ledger.head().records == 1
    assert [entry.name for entry in tmp_path.iterdir() if "making" in entry.name] == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")
@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
def test_a_fork_leaves_both_programs_with_a_whole_file(tmp_path: Path):
    """A program forks with a shop open: parent and child each go on by themselves."""
    ledger, _ = new_shop(tmp_path)
    tell(ledger, "delivery", "d0", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1})
    child = in_a_fork(
        lambda: tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 10})
    )
    tell(ledger, "delivery", "d2", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 100})
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert stock_kg(ledger, "silo_new", "new_sand") == 111
    assert list(ledger.verify()) == []
    ledger.close()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")
@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
def test_a_fork_in_the_middle_of_writing_is_told(tmp_path: Path):
    """The child of a program that was writing may not touch the file, and is told so; the parent goes on."""
    ledger, _ = new_shop(tmp_path)

    def refused() -> None:
        with pytest.raises(ShopFileError, match="was forked while another part of it was using the file"):
            tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 10})

    with ledger.writer() as writer:
        child = in_a_fork(refused)
        entry = ledger.entry(
            "delivery", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1}, sender="op", record_id="d0"
        )
        writer.append(entry)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert stock_kg(ledger, "silo_new", "new_sand") == 1
    ledger.close()


def in_a_fork(work: Callable[[], object]) -> int:
    """The process of a forked program that does some work and ends with 0 if that went well."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            work()
            code = 0
        finally:
            os._exit(code)
    return child


def test_a_writer_that_was_killed_leaves_nothing_behind(tmp_path: Path):
    """Killed in the middle: its records are not there, the next writer does not wait."""
    ledger, _ = new_shop(tmp_path)
    with holding(ledger.store.path) as other:
        other.send_signal(signal.SIGKILL if sys.platform != "win32" else signal.SIGTERM)
        other.wait()
        ledger.store.wait_s = 5
        tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5})
    assert ledger.head().records == 2
    assert list(ledger.verify()) == []
    ledger.close()


def test_writing_inside_a_transaction_of_ones_own_is_refused_at_once(tmp_path: Path):
    """It would wait for itself."""
    ledger, _ = new_shop(tmp_path)
    with ledger.reader(), pytest.raises(ShopFileError, match="inside another transaction of this thread"):
        tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5})
    ledger.close()


def test_a_clock_may_be_shared(tmp_path: Path):
    """Records of two objects on one file are stamped in order, whatever each one's clock says."""
    ledger, clock = new_shop(tmp_path)
    clock.now = micros("2025-04-01 12:00")
    tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5})
    with closing(Ledger.open(ledger.store.path, clock=Clock(micros("2025-04-01 11:00")))) as behind:
        late = tell(behind, "delivery", "d2", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 5})
        assert late.recorded == micros("2025-04-01 12:00")
        assert list(behind.verify()) == []
    ledger.close()
