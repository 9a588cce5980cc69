"""Counts, moulds, sharing and places that are easily booked wrong; every mass is reckoned by hand (derived)."""

from __future__ import annotations

from decimal import localcontext
from typing import Any

import pytest

from sandtrack.errors import InputErrors
from sandtrack.ledger import Ledger

from .shops import (
    RESIN,
    Clock,
    differences_kg,
    flow_kg,
    knock_out,
    micros,
    mix,
    moulds_kg,
    revised,
    stock_kg,
    take_back,
    tell,
)

# -- counts -----------------------------------------------------------------------------------------------------


def test_a_count_reversed_no_longer_anchors(ledger: Ledger):
    """Once a count is withdrawn, stock is what moved again, and its difference is gone."""
    tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25000})
    tell(ledger, "count", "c", {"at": "2025-03-02 08:00", "place": "silo_new", "mass_kg": 24000})
    assert stock_kg(ledger, "silo_new", "new_sand") == 24000
    assert differences_kg(ledger, "silo_new", "new_sand") == [(micros("2025-03-02 08:00"), -1000)]
    take_back(ledger, "c")
    assert stock_kg(ledger, "silo_new", "new_sand") == 25000
    assert differences_kg(ledger, "silo_new", "new_sand") == []


def test_a_count_reversed_in_between_joins_the_spans_on_both_sides(ledger: Ledger):
    """10 t, counted 9 t, drawn 1 t, counted 7 t: differences −1, −1; without the first count −2."""
    tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 10000})
    tell(ledger, "count", "c1", {"at": "2025-03-02 08:00", "place": "silo_new", "mass_kg": 9000})
    tell(ledger, "disposal", "x", {"at": "2025-03-03 08:00", "place": "silo_new", "mass_kg": 1000, "waste": "wet sand"})
    tell(ledger, "count", "c2", {"at": "2025-03-04 08:00", "place": "silo_new", "mass_kg": 7000})
    assert [mass for _, mass in differences_kg(ledger, "silo_new", "new_sand")] == [-1000, -1000]
    take_back(ledger, "c1")
    assert [mass for _, mass in differences_kg(ledger, "silo_new", "new_sand")] == [-2000]
    assert stock_kg(ledger, "silo_new", "new_sand", "2025-03-02 09:00") == 10000


def test_a_count_withdrawn_later_still_anchors_as_known_before(shop: tuple[Ledger, Clock]):
    """As known on the day before its withdrawal, the count stands and its difference too."""
    ledger, clock = shop
    tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25000})
    tell(ledger, "count", "c", {"at": "2025-03-02 08:00", "place": "silo_new", "mass_kg": 24000})
    clock.now = micros("2025-03-16 12:00")
    take_back(ledger, "c")
    assert stock_kg(ledger, "silo_new", "new_sand", known_on="2025-03-15") == 24000
    assert stock_kg(ledger, "silo_new", "new_sand", known_on="2025-03-16") == 25000
    with ledger.reader("2025-03-15") as reader:
        assert [one.mass_mg for one in reader.differences(0, micros("2025-03-03 08:00"))] == [-1_000_000_000]


@pytest.mark.parametrize("first", ["delivery", "count"])
def test_a_delivery_at_the_instant_of_a_count_is_in_the_count(ledger: Ledger, first: str):
    """Movements come before counts at one instant, whichever is told first: counted 30 t, of which 25 t just came."""
    delivery = ("delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25000})
    count = ("count", "c", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 30000})
    for kind, record_id, content in (delivery, count) if first == "delivery" else (count, delivery):
        tell(ledger, kind, record_id, content)
    assert stock_kg(ledger, "silo_new", "new_sand", "2025-03-01 07:59") == 0
    assert stock_kg(ledger, "silo_new", "new_sand", "2025-03-01 08:00") == 30000
    assert differences_kg(ledger, "silo_new", "new_sand") == [(micros("2025-03-01 08:00"), 5000)]


def test_two_counts_at_one_instant_go_by_sender_and_id(ledger: Ledger):
    """The last by sender and id stands, whichever came first, and the other's difference is kept apart."""
    at = "2025-03-01 08:00"
    tell(ledger, "count", "1", {"at": at, "place": "silo_new", "mass_kg": 300}, sender="b")
    tell(ledger, "count", "2", {"at": at, "place": "silo_new", "mass_kg": 100}, sender="a")
    assert stock_kg(ledger, "silo_new", "new_sand") == 300
    assert [mass for _, mass in differences_kg(ledger, "silo_new", "new_sand")] == [100, 200]


def test_counted_empty_and_counted_at_one_instant_go_by_sender_and_id_too(ledger: Ledger):
    """Whether a place is empty or holds 100 kg is said by the last of the two by sender and id, not of arrival."""
    at = "2025-03-01 08:00"
    tell(ledger, "count", "full", {"at": at, "place": "silo_new", "mass_kg": 100}, sender="b")
    tell(ledger, "count", "empty", {"at": at, "place": "silo_new", "empty": True}, sender="a")
    assert stock_kg(ledger, "silo_new", "new_sand") == 100
    tell(ledger, "count", "empty", {"at": at, "place": "silo_new", "empty": True}, sender="c")
    tell(ledger, "count", "full", {"at": at, "place": "silo_new", "mass_kg": 70}, sender="a")
    assert stock_kg(ledger, "silo_new", "new_sand") == 0


def test_counted_empty_anchors_a_material_first_booked_later(ledger: Ledger):
    """A place found empty holds nothing of a sand that a late record brings into it the day before."""
    tell(ledger, "count", "c", {"at": "2025-03-05 08:00", "place": "yard", "empty": True})
    late = {"at": "2025-03-04 08:00", "place": "yard", "material": "used_e", "mass_kg": 700}
    tell(ledger, "delivery", "late", late)
    assert stock_kg(ledger, "yard", "used_e", "2025-03-04 09:00") == 700
    assert stock_kg(ledger, "yard", "used_e", "2025-03-05 08:00") == 0
    assert differences_kg(ledger, "yard", "used_e") == [(micros("2025-03-05 08:00"), -700)]
    tell(ledger, "delivery", "after", {"at": "2025-03-06 08:00", "place": "yard", "material": "used_e", "mass_kg": 40})
    assert stock_kg(ledger, "yard", "used_e") == 40


def test_a_count_of_a_date_is_the_end_of_that_day(ledger: Ledger):
    """A bare date counts with the day's last microsecond: all that moved on that day is in it."""
    tell(ledger, "count", "c", {"at": "2025-03-01", "place": "silo_new", "mass_kg": 5000})
    last = {"at": "2025-03-01 23:59:59.999999", "place": "silo_new", "mass_kg": 100}
    tell(ledger, "delivery", "d1", last)
    tell(ledger, "delivery", "d2", {"at": "2025-03-02 00:00", "place": "silo_new", "mass_kg": 7})
    assert stock_kg(ledger, "silo_new", "new_sand") == 5007
    assert differences_kg(ledger, "silo_new", "new_sand") == [(micros("2025-03-01 23:59:59.999999"), 4900)]


def test_only_counts_take_a_bare_date(ledger: Ledger):
    """A delivery "on 1 March" is refused: the time is wanted."""
    with pytest.raises(InputErrors, match="at: '2025-03-01' is a date without a time"):
        tell(ledger, "delivery", "d", {"at": "2025-03-01", "place": "silo_new", "mass_kg": 1})


# -- moulds and their endings -----------------------------------------------------------------------------------


def test_a_mix_reversed_after_its_knock_out_leaves_the_heap(ledger: Ledger):
    """Sand and resin of the withdrawn mix go back; what another mix put into the mould stays on the heap."""
    tell(ledger, "mix", "m1", mix("2025-03-03 08:00", ["101"]))
    tell(ledger, "mix", "m2", mix("2025-03-03 09:00", ["101"], [{"place": "silo_new", "mass_kg": 100}]))
    tell(ledger, "knock_out", "k", knock_out("2025-03-04 08:00", "101"))
    assert stock_kg(ledger, "heap_f", "used_f") == 1000
    assert stock_kg(ledger, "consumed", "resin") == 9
    take_back(ledger, "m1")
    assert stock_kg(ledger, "heap_f", "used_f") == 100
    assert stock_kg(ledger, "consumed", "resin") == 0
    assert stock_kg(ledger, "silo_new", "new_sand") == -100
    assert moulds_kg(ledger) == {}


def test_a_late_mix_is_completed_at_the_knock_out(shop: tuple[Ledger, Clock]):
    """A mix told after its mould was knocked out reaches the heap at the knock-out, but only as known from then on."""
    ledger, clock = shop
    tell(ledger, "knock_out", "k", knock_out("2025-03-04 08:00", "101"))
    clock.now = micros("2025-03-20 12:00")
    tell(ledger, "mix", "m", mix("2025-03-03 08:00", ["101"]))
    assert stock_kg(ledger, "heap_f", "used_f", "2025-03-04 07:59") == 0
    assert stock_kg(ledger, "heap_f", "used_f", "2025-03-04 08:00") == 900
    assert stock_kg(ledger, "heap_f", "used_f", known_on="2025-03-19") == 0
    assert stock_kg(ledger, "heap_f", "used_f", known_on="2025-03-20") == 900
    assert moulds_kg(ledger, "2025-03-03 12:00") == {"101": {"new_sand": 900, "resin": 9}}


def test_a_late_knock_out_takes_its_part_from_the_one_after(ledger: Ledger):
    """Two lives of one mould ended by one knock-out: told of the first ending too, each heap gets its own."""
    tell(ledger, "mix", "m1", mix("2025-03-03 08:00", ["101"]))
    tell(ledger, "mix", "m2", mix("2025-03-05 08:00", ["101"], [{"place": "silo_new", "mass_kg": 100}]))
    tell(ledger, "knock_out", "k2", knock_out("2025-03-06 08:00", "101", to="heap_e"))
    assert stock_kg(ledger, "heap_e", "used_e") == 1000
    tell(ledger, "knock_out", "k1", knock_out("2025-03-04 08:00", "101", to="heap_f"))
    assert (stock_kg(ledger, "heap_f", "used_f"), stock_kg(ledger, "heap_e", "used_e")) == (900, 100)
    take_back(ledger, "k1")
    assert (stock_kg(ledger, "heap_f", "used_f"), stock_kg(ledger, "heap_e", "used_e")) == (0, 1000)


def test_a_number_used_again_begins_a_new_life(ledger: Ledger):
    """The second life of a number holds what was put in after the first one's knock-out."""
    tell(ledger, "mix", "m1", mix("2025-03-03 08:00", ["101"]))
    tell(ledger, "knock_out", "k1", knock_out("2025-03-04 08:00", "101"))
    tell(ledger, "mix", "m2", mix("2025-03-04 08:00:00.000001", ["101"], [{"place": "silo_new", "mass_kg": 50}]))
    assert moulds_kg(ledger) == {"101": {"new_sand": 50}}
    assert moulds_kg(ledger, "2025-03-03 09:00") == {"101": {"new_sand": 900, "resin": 9}}
    assert moulds_kg(ledger, "2025-03-04 08:00") == {}
    assert stock_kg(ledger, "heap_f", "used_f") == 900


def test_a_mix_at_the_instant_of_the_knock_out_is_in_it(ledger: Ledger):
    """Movements come before endings at one instant, in either order of arrival."""
    tell(ledger, "knock_out", "a", knock_out("2025-03-04 08:00", "101"))
    tell(ledger, "mix", "z", mix("2025-03-04 08:00", ["101"]))
    assert moulds_kg(ledger) == {}
    assert stock_kg(ledger, "heap_f", "used_f") == 900


def test_two_endings_at_one_instant_go_by_sender_and_id(ledger: Ledger):
    """The first by sender and id takes all, the second finds the mould empty, whichever was told first."""
    tell(ledger, "mix", "m", mix("2025-03-03 08:00", ["101"]))
    tell(ledger, "knock_out", "b", knock_out("2025-03-04 08:00", "101", to="heap_e"))
    tell(ledger, "knock_out", "a", knock_out("2025-03-04 08:00", "101", to="heap_f"))
    assert (stock_kg(ledger, "heap_f", "used_f"), stock_kg(ledger, "heap_e", "used_e")) == (900, 0)


def test_two_mixers_on_one_mould(ledger: Ledger):
    """Facing from one mixer and backing from another end together: 200 + 700 kg of sand, 2 + 7 kg of resin."""
    facing = [{"place": "silo_new", "mass_kg": 200}, {"place": "tank_resin", "mass_kg": 2}]
    backing = [{"place": "silo_back", "mass_kg": 700}, {"place": "tank_resin", "mass_kg": 7}]
    tell(ledger, "mix", "m1", mix("2025-03-03 08:00", ["101"], facing, purpose="facing"), sender="mixer 1")
    other = mix("2025-03-03 08:00", ["101"], backing, purpose="backing") | {"mixer": "m2"}
    tell(ledger, "mix", "m1", other, sender="mixer 2")
    assert moulds_kg(ledger) == {"101": {"new_sand": 200, "reclaimed": 700, "resin": 9}}
    tell(ledger, "knock_out", "k", knock_out("2025-03-04 08:00", "101"))
    assert stock_kg(ledger, "heap_f", "used_f") == 900
    assert stock_kg(ledger, "consumed", "resin") == 9


def test_sand_reaches_the_heap_as_it_was_and_then_becomes_the_heaps(ledger: Ledger):
    """`moulds → heap` survives in the totals; what becomes used sand goes out and in through conversion."""
    tell(ledger, "mix", "m", mix("2025-03-03 08:00", ["101"]))
    tell(ledger, "knock_out", "k", knock_out("2025-03-04 08:00", "101", carried_out_kg=15))
    assert flow_kg(ledger, "2025-03-04 00:00", "2025-03-05 00:00") == {
        ("moulds", "heap_f", "new_sand"): 900,
        ("heap_f", "conversion", "new_sand"): 900,
        ("conversion", "heap_f", "used_f"): 900,
        ("moulds", "consumed", "resin"): 9,
        ("heap_f", "carried_out", "used_f"): 15,
    }


def test_a_core_bought_in_ends_on_the_heap(ledger: Ledger):
    """Cores delivered to the rack, set into a mould, knocked out: their sand is the heap's."""
    tell(ledger, "delivery", "d", {"at": "2025-03-03 08:00", "place": "core_rack", "mass_kg": 60})
    tell(ledger, "transfer", "t", {"at": "2025-03-03 09:00", "source": "core_rack", "mould": "101", "mass_kg": 12})
    assert moulds_kg(ledger) == {"101": {"cores": 12}}
    tell(ledger, "knock_out", "k", knock_out("2025-03-04 08:00", "101"))
    assert stock_kg(ledger, "core_rack", "cores") == 48
    assert (stock_kg(ledger, "heap_f", "used_f"), stock_kg(ledger, "heap_f", "cores")) == (12, 0)


def test_a_mould_knocked_out_empty_moves_nothing(ledger: Ledger):
    """It is recorded all the same."""
    accepted = tell(ledger, "knock_out", "k", knock_out("2025-03-04 08:00", "999"))
    assert accepted.new
    assert stock_kg(ledger, "heap_f", "used_f") == 0


def test_a_scrapped_mould_goes_to_the_skip_as_its_sand(ledger: Ledger):
    """900 kg of new sand given up become the skip's, liquids are consumed."""
    tell(ledger, "mix", "m", mix("2025-03-03 08:00", ["101"]))
    scrap = {"at": "2025-03-03 10:00", "moulds": ["101"], "to": "skip_dust", "reason": "ran out"}
    tell(ledger, "mould_scrap", "s", scrap)
    assert (stock_kg(ledger, "skip_dust", "dust"), stock_kg(ledger, "skip_dust", "new_sand")) == (900, 0)


# -- sharing ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "parts"),
    [
        # 1 000 000 mg over 3: 333 333 each, 1 over
        ({}, [333_334, 333_333, 333_333]),
        # 1 : 2 : 0.5 of 1 000 000: floors 285 714, 571 428, 142 857, 1 over
        ({"shares": [1, 2, 0.5]}, [285_715, 571_428, 142_857]),
        # 900 : 70.7 : 70.7: total 1041.4; floors 864 221, 67 889, 67 889, 1 over
        ({"patterns": ["p1", "p2", "p2"]}, [864_222, 67_889, 67_889]),
        # shares go before cards
        ({"shares": [1, 1, 2], "patterns": ["p1", "p2", "p2"]}, [250_000, 250_000, 500_000]),
        # 1 : 3e7 : 6e7 of 1 000 000: 0.011, 333 333.3296, 666 666.659: floors 0, 333 333, 666 666, 1 over
        ({"shares": [1, 3e7, 6e7]}, [1, 333_333, 666_666]),
    ],
)
def test_a_run_is_shared_exactly(ledger: Ledger, told: dict[str, Any], parts: list[int]):
    """Each mould takes the floor of its part, the first one listed what is left besides."""
    tell(ledger, "mix", "m", mix("2025-03-03 08:00", ["c", "a", "b"], [{"place": "silo_new", "mass_kg": 1}], **told))
    with ledger.reader() as reader:
        held = reader.mould_contents_mg()
    assert [held[mould]["new_sand"] for mould in ("c", "a", "b")] == parts
    assert sum(parts) == 1_000_000


def test_masses_do_not_depend_on_the_decimal_context_of_the_program_around(ledger: Ledger):
    """With three digits of precision set, buckets and shares of a run are exact all the same."""
    with localcontext(prec=3):
        delivery = {"at": "2025-03-01 08:00", "place": "silo_new", "mass_amount": "1.0016", "mass_measure": "bucket"}
        tell(ledger, "delivery", "d", delivery)
        streams = [{"place": "silo_new", "mass_kg": "1000.001"}]
        tell(ledger, "mix", "m", mix("2025-03-03 08:00", ["a", "b"], streams, shares=[1.0001, 1.0002]))
    assert stock_kg(ledger, "silo_new", "new_sand", "2025-03-02 08:00") == 641.024  # 1.0016 × 640
    # 1 000 001 000 mg × 10001 / 20003 = 499 975 503.72…, × 10002 / 20003 = 500 025 496.28…; 1 mg over
    assert moulds_kg(ledger) == {"a": {"new_sand": 499.975504}, "b": {"new_sand": 500.025496}}


# -- places -----------------------------------------------------------------------------------------------------


def test_a_transfer_that_overdraws_is_kept(ledger: Ledger):
    """What happened is never refused: the source stands below zero until someone counts it."""
    tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 100})
    tell(
        ledger, "transfer", "t", {"at": "2025-03-02 08:00", "source": "silo_new", "target": "silo_back", "mass_kg": 250}
    )
    assert stock_kg(ledger, "silo_new", "new_sand") == -150
    assert stock_kg(ledger, "silo_back", "new_sand") == 250  # a transfer never converts
    assert stock_kg(ledger, "silo_back", "reclaimed") == 0


def test_lumps_returned_to_the_heap(ledger: Ledger):
    """1000 kg fed, 800 back, 150 lumps to the heap, 30 dust: the heap is 850 down, 20 kg stand in the reclaimer."""
    run = {
        "at": "2025-03-03 16:00", "source": "heap_f", "reclaimer": "reclaimer", "fed_kg": 1000,
        "returned_kg": 800, "to": "silo_back", "lumps_kg": 150, "lumps_to": "heap_f",
        "dust_kg": 30, "dust_to": "skip_dust",
    }  # fmt: skip
    tell(ledger, "reclaim_run", "r", run)
    assert stock_kg(ledger, "heap_f", "used_f") == -850
    assert stock_kg(ledger, "reclaimer", "used_f") == 20
    assert stock_kg(ledger, "silo_back", "reclaimed") == 800
    assert stock_kg(ledger, "skip_dust", "dust") == 30
    tell(ledger, "count", "c", {"at": "2025-03-03 17:00", "place": "reclaimer", "empty": True})
    assert differences_kg(ledger, "reclaimer", "used_f") == [(micros("2025-03-03 17:00"), -20)]


def test_what_was_fed_is_what_came_out_where_it_is_not_said(ledger: Ledger):
    """Nothing stands in the reclaimer: 800 + 150 + 30 = 980 kg were fed."""
    run = {
        "at": "2025-03-03 16:00", "source": "heap_f", "reclaimer": "reclaimer",
        "returned_kg": 800, "to": "silo_back", "lumps_kg": 150, "lumps_to": "heap_f",
        "dust_kg": 30, "dust_to": "skip_dust",
    }  # fmt: skip
    tell(ledger, "reclaim_run", "r", run)
    assert stock_kg(ledger, "heap_f", "used_f") == -980 + 150
    assert stock_kg(ledger, "reclaimer", "used_f") == 0


def test_a_silo_that_changes_material_keeps_its_heel_until_counted_empty(ledger: Ledger):
    """From the day of the change new sand goes in beside 300 kg of reclaimed; an empty count clears both."""
    tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_back", "mass_kg": 300})
    changed = {"silo_back": {"kind": "silo", "material": "new_sand"}}
    tell(ledger, "plant", "p", revised("2025-03-10", places=changed))
    tell(ledger, "delivery", "d2", {"at": "2025-03-10 00:00", "place": "silo_back", "mass_kg": 1000})
    tell(ledger, "delivery", "d3", {"at": "2025-03-09 23:59", "place": "silo_back", "mass_kg": 7})
    assert stock_kg(ledger, "silo_back", "reclaimed") == 307
    assert stock_kg(ledger, "silo_back", "new_sand") == 1000
    tell(ledger, "count", "c", {"at": "2025-03-11 08:00", "place": "silo_back", "empty": True})
    assert stock_kg(ledger, "silo_back", "reclaimed") == stock_kg(ledger, "silo_back", "new_sand") == 0


def test_sand_drawn_and_thrown_back_where_it_was_moves_nothing(ledger: Ledger):
    """Its liquids are consumed all the same."""
    thrown = {"at": "2025-03-03 08:00", "mixer": "m1", "binder_system": "furan", "destination": "heap_f"}
    tell(ledger, "mix", "m", {**thrown, "streams": [{"place": "heap_f", "mass_kg": 100}, RESIN]})
    assert stock_kg(ledger, "heap_f", "used_f") == 0
    assert stock_kg(ledger, "consumed", "resin") == 9
