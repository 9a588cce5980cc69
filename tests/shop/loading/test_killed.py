"""A load that is killed: what was acknowledged is there, nothing is there by half, loading again completes it."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from sandtrack.ledger import Ledger
from sandtrack.plant import read_toml
from sandtrack.shop.loading import load

PLANT = Path(__file__).parent / "plant.toml"
MIXES = 1500
CHILD = """
import sys
from sandtrack.ledger import Ledger
from sandtrack.shop import loading
from sandtrack.shop.loading import vetting

vetting.MOVEMENTS_AT_ONCE = 200
ledger = Ledger.open(sys.argv[1])
ledger.clock_is_right = True
append = ledger.append_all

def acknowledge(entries):
    done = append(entries)
    print(max(accepted.seq for accepted in done[0]), flush=True)
    return done

ledger.append_all = acknowledge
print("ready", flush=True)
loading.load(ledger, [sys.argv[2]])
print("done", flush=True)
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of mixes, knock-outs that need them, counts, and reversals."""
    place = tmp_path_factory.mktemp("in")
    day, clock = "2025-03-{:02d} {:02d}:{:02d}", range(MIXES)
    at = [day.format(1 + n // 120, 6 + n % 120 // 10, n % 10) for n in clock]
    head = "id,sender,at,mixer,binder_system,moulds,stream1_place,stream1_mass_kg,stream2_place,stream2_mass_kg"
    mixes = [f"m{n},m1,{at[n]},m1,furan,{n % 50};{n % 50 + 50},silo,{100 + n},tank_resin,1.5" for n in clock]
    ends = [f"k{n},ida,{at[n]},{n % 50};{n % 50 + 50},heap,2.5" for n in range(40, MIXES, 7)]
    tables = {
        "mix": [head, *mixes],
        "knock_out": ["id,sender,at,moulds,to,carried_out_kg", *ends],
        "count": ["by,at,place,mass_kg", *(f"ida,2025-03-{day:02d},silo,20000" for day in range(1, 12))],
        "reversal": ["by,at,of_sender,of_id,reason", *(f"ida,2025-03-20 08:00,m1,m{n},typo" for n in range(0, 100, 9))],
    }
    for kind, lines in tables.items():
        (place / f"{kind}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return place


def make(path: Path) -> Ledger:
    return Ledger.create(path, read_toml(PLANT), sender="ida", clock=lambda: 1_750_000_000_000_000)


def book(ledger: Ledger) -> dict[str, list[Any]]:
    """Everything in the shop file but the times of recording and the hashes that hold them."""
    asked = {
        "record": "SELECT seq, kind, sender, id, at, revision, content FROM record ORDER BY seq",
        "movement": "SELECT * FROM movement NOT INDEXED",
        "count": "SELECT * FROM count ORDER BY record",
        "ending": "SELECT * FROM ending ORDER BY record, mould",
        "reversal": "SELECT * FROM reversal ORDER BY record",
        "flow": "SELECT day, source, target, material, kind, measure, sum(records), sum(mass_mg), sum(mass_g2) "
        "FROM flow GROUP BY 1, 2, 3, 4, 5, 6 ORDER BY 1, 2, 3, 4, 5, 6",
        "holding": "SELECT * FROM holding ORDER BY place, material",
        "mould_content": "SELECT * FROM mould_content ORDER BY mould, material",
    }
    with ledger.store.reading() as connection:
        return {table: connection.execute(sql).fetchall() for table, sql in asked.items()}


@pytest.fixture(scope="module")
def whole(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Any]]:
    """The book after a load that nothing disturbed."""
    ledger = make(tmp_path_factory.mktemp("whole") / "shop.sandtrack")
    load(ledger, [folder])
    found = book(ledger)
    ledger.close()
    return found


def is_whole_as_far_as_it_goes(found: dict[str, list[Any]], whole: dict[str, list[Any]]) -> None:
    """Records are the first ones of the whole, each with all that it wrote; totals are those of the movements."""
    count = len(found["record"])
    assert found["record"] == whole["record"][:count]
    assert found["movement"] == [row for row in whole["movement"] if row[0] <= count]
    assert sum(row[7] for row in found["flow"]) == sum(row[6] for row in found["movement"])


def run_until_killed(path: Path, folder: Path, after_s: float) -> tuple[int, bool]:
    """Load in another process and kill it; return the last record it acknowledged, and whether it had ended."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path), str(folder)],
        stdout=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": ":".join(sys.path)},
    )
    with child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(after_s)
        child.send_signal(signal.SIGKILL)
        lines = child.stdout.read().split()
    ended = "done" in lines
    numbers = [int(line) for line in lines if line != "done"]
    return (numbers[-1] if numbers else 1), ended


def kill_and_complete(rounds: int, seed: int, folder: Path, whole: dict[str, list[Any]], place: Path) -> set[str]:
    """Kill loads at random moments; return in which phases it happened."""
    moments = random.Random(seed)
    phases: set[str] = set()
    longest_s = 0.2
    for number in range(rounds):
        path = place / f"shop{number}.sandtrack"
        make(path).close()
        acknowledged, ended = run_until_killed(path, folder, moments.uniform(0, longest_s))
        # The machine may be slow or busy: the window widens until some loads end before they are killed.
        longest_s = longest_s * 0.8 if ended else min(longest_s * 1.5, 5.0)
        ledger = Ledger.open(path)
        ledger.clock_is_right = True
        found = book(ledger)
        assert len(found["record"]) >= acknowledged
        is_whole_as_far_as_it_goes(found, whole)
        phases.add("checking" if len(found["record"]) == 1 else "writing" if found != whole else "ended")
        result = load(ledger, [folder])
        assert result.known == len(found["record"]) - 1
        assert book(ledger) == whole
        ledger.close()
        assert [entry.name for entry in place.iterdir() if entry.name.startswith("tmp")] == []
    return phases


def test_a_killed_load_is_completed_by_loading_again(folder: Path, whole: dict[str, list[Any]], tmp_path: Path) -> None:
    """After each of three kills the book is whole as far as it goes, and complete after another load."""
    assert kill_and_complete(3, 3, folder, whole, tmp_path)


@pytest.mark.soak
def test_many_killed_loads_are_completed_by_loading_again(
    folder: Path, whole: dict[str, list[Any]], tmp_path: Path
) -> None:
    """The same for thirty kills, of which some come while checking and some while writing."""
    assert {"checking", "writing"} <= kill_and_complete(30, 30, folder, whole, tmp_path)
