"""What a load reads to judge dangerous events: each record once, each mould's life once, however the files lie."""

from __future__ import annotations

from pathlib import Path

from sandtrack import Shop
from sandtrack.shop.picture import picture
from sandtrack.shop.watch.dangerous.judging import arrived_since

from ..api.clients import Clock
from .circuit import micros
from .planted import DANGER_PLANT, furan, told

MOULDS = 240
A_POUR = 6


def _statements(path: Path) -> tuple[int, int, list[str]]:
    """Statements that judging a load of one mix, pour and knock-out a mould takes, its records, and what it raises."""
    numbers = [str(300 + place) for place in range(MOULDS)]
    with Shop.create(path, DANGER_PLANT, clock=Clock(micros("2025-06-04 12:00"))) as shop:
        records = [furan(f"08:{place // 5:02}", number) for place, number in enumerate(numbers)]
        some = [numbers[first : first + A_POUR] for first in range(0, MOULDS, A_POUR)]
        records += [told("pour", f"12:{place:02}", moulds=moulds, metal="iron") for place, moulds in enumerate(some)]
        records += [told("knock_out", f"18:{place:02}", moulds=moulds, to="heap") for place, moulds in enumerate(some)]
        for number, record in enumerate(records):
            entry = shop.ledger.entry(record.kind, record.content, sender=record.sender, record_id=f"r{number}")
            shop.ledger.append(entry)
        with picture(shop.ledger) as seen:
            statements: list[str] = []
            seen.reader.connection.set_trace_callback(statements.append)
            raised = [danger.code for danger in arrived_since(seen, 1)]
            seen.reader.connection.set_trace_callback(None)
    return len(statements), len(records), raised


def test_a_load_looks_up_each_mould_once(tmp_path: Path) -> None:
    """Mixes first, then pours, then knock-outs, as files come: three look-ups a mould for its life, one what blocks it.

    By hand: 4 a mould, and some of the whole load (its order, its records 200 at a time, pours of the time, places):
    fewer than 40. Judged one by one in order of arrival it was 2,489.
    """
    statements, records, raised = _statements(tmp_path / "shop.sandtrack")
    assert records == MOULDS + 2 * MOULDS // A_POUR
    assert raised == []
    assert statements <= 4 * MOULDS + 40
