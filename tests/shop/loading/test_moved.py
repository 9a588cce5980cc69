"""What a load moved, by material: in, out and between, of the new lines alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sandtrack.ledger import Ledger
from sandtrack.shop.loading import load
from sandtrack.shop.loading.result import MaterialMoved

Put = Callable[..., str]


def test_a_round_of_the_circuit_by_hand(ledger: Ledger, put: Put) -> None:
    """24,600 kg in; 400 into a mould and back to the heap as used sand; 100 thrown away; 60 moved to the store."""
    files = [
        put("delivery.csv", "at,place,mass_t,by\n2025-03-03 08:00,silo,24.6,ida\n"),
        put(
            "mix.csv",
            "at,by,mixer,binder_system,moulds,stream1_place,stream1_mass_kg,stream2_place,stream2_mass_kg\n"
            "2025-03-03 09:00,ida,m1,furan,1,silo,400,tank_resin,4\n",
        ),
        put("knock_out.csv", "at,by,moulds,to\n2025-03-04 09:00,ida,1,heap\n"),
        put("disposal.csv", "at,by,place,waste,mass_kg\n2025-03-05 09:00,ida,heap,sand,100\n"),
        put("transfer.csv", "at,by,source,target,mass_kg\n2025-03-05 10:00,ida,silo,store,60\n"),
    ]
    result = load(ledger, files)
    assert result.moved == [
        MaterialMoved("new_sand", 24_600, 400, 60),
        MaterialMoved("resin", 0, 4, 0),
        MaterialMoved("used_sand", 400, 100, 0),
    ]
    assert load(ledger, files).moved == []


def test_a_slip_of_a_digit_shows(ledger: Ledger, put: Put) -> None:
    """A delivery of 246 t where 24.6 was meant stands in the sum; what is withdrawn is taken back from it."""
    good = put("delivery.csv", "id,at,place,mass_t,by\nd1,2025-03-03 08:00,silo,24.6,ida\n")
    slip = put("delivery_2.csv", "id,at,place,mass_t,by\nd2,2025-03-03 08:30,silo,246,ida\n")
    assert load(ledger, [good, slip]).moved == [MaterialMoved("new_sand", 270_600, 0, 0)]
    back = put("reversal.csv", "at,by,of_sender,of_id,reason\n2025-03-03 09:00,ida,ida,d2,slip\n")
    assert load(ledger, [back]).moved == [MaterialMoved("new_sand", 0, 246_000, 0)]


def test_lines_ahead_are_counted(here: Path, put: Put, ledger: Ledger) -> None:
    """Of three lines two are dated ahead; a count of today by its date alone is not."""
    result = load(
        ledger,
        [
            put(
                "delivery.csv",
                "at,place,mass_t,by\n2025-03-03 08:00,silo,1,ida\n2198-03-03 08:00,silo,1,ida\n"
                "2199-03-03 08:00,silo,1,ida\n",
            ),
            put("count.csv", f"at,place,mass_t,by\n{_today(ledger)},silo,1,ida\n"),
        ],
    )
    assert result.ahead == 2


def _today(ledger: Ledger) -> str:
    from sandtrack.records import times

    return times.day_of(ledger.clock(), ledger.zone)
