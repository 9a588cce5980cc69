"""A program that appends many records in batches and says after each commit what is safe; made to be killed."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sandtrack.ledger import Ledger

BATCH = 40


def records(total: int) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Deliveries, mixes, knock-outs before and after them, counts and reversals: the same ones every time."""
    for number in range(total):
        at = f"2025-03-{1 + number % 28:02d} {6 + number % 15:02d}:{number % 60:02d}"
        mould = str(number % 37)
        match number % 10:
            case 0:
                yield "delivery", f"d{number}", {"at": at, "place": "silo_new", "mass_kg": 25000 + number}
            case 3 | 8:
                yield "knock_out", f"k{number}", {"at": at, "moulds": [mould, f"{mould}b"], "to": "heap_f"}
            case 6 if number % 100 == 6:
                yield "count", f"c{number}", {"at": at, "place": "silo_new", "mass_kg": 100 * number}
            case 7 if number % 50 == 27:
                yield "reversal", f"r{number}", {"of": {"sender": "op", "id": f"m{number - 2}"}, "reason": "mistake"}
            case _:
                streams = [{"place": "silo_new", "mass_kg": 900 + number}, {"place": "tank_resin", "mass_kg": "9.125"}]
                mix = {"at": at, "mixer": "m1", "binder_system": "furan", "moulds": [mould, f"{mould}b"]}
                yield "mix", f"m{number}", {**mix, "streams": streams}


def main(path: Path, total: int) -> None:
    """Append all records, whether or not some are there already; print how many are safe after each commit."""
    ledger = Ledger.open(path)
    ledger.clock_is_right = True
    told = [ledger.entry(kind, content, sender="op", record_id=name) for kind, name, content in records(total)]
    print("ready", flush=True)
    for start in range(0, total, BATCH):
        accepted, refused = ledger.append_all(told[start : start + BATCH])
        assert not refused, refused
        print(start + len(accepted), flush=True)
    ledger.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
