"""Set-ups, days, clocks and identities that are easily got wrong; every mass is reckoned by hand (derived)."""

from __future__ import annotations

from datetime import UTC

import pytest

from sandtrack.errors import AlreadyReversed, Conflict, InputErrors, NoSuchRecord
from sandtrack.ledger import Ledger
from sandtrack.records import times

from .shops import END_OF_TIME, PLANT, Clock, flow_kg, micros, revised, stock_kg, take_back, tell

# -- set-up through time ----------------------------------------------------------------------------------------


def test_a_measure_corrected_with_a_date_back_changes_only_later_arrivals(ledger: Ledger):
    """Three buckets before the correction are 640 kg each; one told after it for a day before it is 655.5 kg."""
    bucket = {"source": "silo_new", "target": "yard", "mass_amount": 1, "mass_measure": "bucket"}
    for number in range(3):
        tell(ledger, "transfer", f"t{number}", {"at": f"2025-03-0{3 + number} 08:00", **bucket})
    tell(ledger, "plant", "p", revised("2025-03-01", measures={"bucket": {"mass_kg": 655.5}}))
    assert stock_kg(ledger, "yard", "new_sand") == 3 * 640
    tell(ledger, "transfer", "late", {"at": "2025-03-02 08:00", **bucket})
    assert stock_kg(ledger, "yard", "new_sand") == 3 * 640 + 655.5
    with ledger.reader() as reader:
        flows = reader.flows(0, END_OF_TIME)
    # the movement remembers its measure and the revision, so that what the correction would change can be told
    assert [(flow.measure, flow.revision, flow.records, flow.mass_mg) for flow in flows] == [
        ("bucket", 1, 3, 1_920_000_000),
        ("bucket", 5, 1, 655_500_000),
    ]
    assert tell(ledger, "transfer", "t0", {"at": "2025-03-03 08:00", **bucket}).new is False


def test_reversing_a_revision_changes_only_later_arrivals(ledger: Ledger):
    """A withdrawn set-up no longer holds; what was booked with it stays."""
    bucket = {"source": "silo_new", "target": "yard", "mass_amount": 1, "mass_measure": "bucket"}
    tell(ledger, "plant", "p", revised("2025-03-01", measures={"bucket": {"mass_kg": 655.5}}))
    tell(ledger, "transfer", "t1", {"at": "2025-03-03 08:00", **bucket})
    take_back(ledger, "p")
    tell(ledger, "transfer", "t2", {"at": "2025-03-03 08:00", **bucket})
    assert stock_kg(ledger, "yard", "new_sand") == 655.5 + 640


def test_the_only_set_up_in_force_cannot_be_reversed(ledger: Ledger):
    """A shop is never without a set-up."""
    with pytest.raises(AlreadyReversed, match="the only set-up in force cannot be reversed"):
        take_back(ledger, "first", sender="office")


def test_the_time_zone_is_fixed(ledger: Ledger):
    """A revision with another zone is refused."""
    moved = {**PLANT, "shop": {**PLANT["shop"], "time_zone": "Europe/Helsinki"}}
    with pytest.raises(InputErrors, match="differs from the one the shop was made with"):
        tell(ledger, "plant", "p", moved)


# -- days and clocks --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "before", "after", "hours"),
    [("2025-03-30", "2025-03-29", "2025-03-31", 23), ("2025-10-26", "2025-10-25", "2025-10-27", 25)],
)
def test_a_day_has_23_or_25_hours_when_clocks_change(ledger: Ledger, day: str, before: str, after: str, hours: int):
    """What moved in its first and last microsecond is of that day, what moved beside them is not."""
    edges = (f"{before} 23:59:59.999999", f"{day} 00:00", f"{day} 23:59:59.999999", f"{after} 00:00")
    assert micros(edges[3]) - micros(edges[1]) == hours * 3_600_000_000
    for number, at in enumerate(edges):
        tell(ledger, "delivery", f"d{number}", {"at": at, "place": "silo_new", "mass_kg": 10**number})
    since, until = f"{before} 23:59:59.999999", f"{day} 23:59:59.999999"
    assert flow_kg(ledger, since, until) == {("supplier", "silo_new", "new_sand"): 10 + 100}


def test_the_hour_that_comes_twice_is_told_apart_by_its_offset(ledger: Ledger):
    """02:30 +02:00 is an hour before 02:30 +01:00."""
    for number, offset in enumerate(("+02:00", "+01:00")):
        at = f"2025-10-26T02:30:00{offset}"
        tell(ledger, "delivery", f"d{number}", {"at": at, "place": "silo_new", "mass_kg": 10**number})
    assert stock_kg(ledger, "silo_new", "new_sand", "2025-10-26T02:29:00+01:00") == 1
    assert stock_kg(ledger, "silo_new", "new_sand", "2025-10-26T02:30:00+01:00") == 11


@pytest.mark.parametrize(
    ("at", "reason"),
    [
        ("2025-03-30 02:30", "does not exist in the shop's time zone (clocks go forward); add the offset"),
        ("2025-10-26 02:30", "exists twice in the shop's time zone (clocks go back); add the offset"),
    ],
)
def test_local_times_that_do_not_exist_or_exist_twice_are_bad(ledger: Ledger, at: str, reason: str):
    """They are refused with what to do."""
    with pytest.raises(InputErrors) as caught:
        tell(ledger, "delivery", "d", {"at": at, "place": "silo_new", "mass_kg": 1})
    (problem,) = caught.value.problems
    assert problem.reason == reason


@pytest.mark.parametrize("off_min", [-45, 11, 600_000])
def test_a_clock_that_is_off_is_corrected_and_its_own_time_kept(shop: tuple[Ledger, Clock], off_min: int):
    """A clock behind or ahead by more than ten minutes: own time, offset and corrected time are kept."""
    ledger, clock = shop
    off_us = off_min * 60_000_000
    own = clock.now - off_us - 3_600_000_000  # an hour before it was sent, by the same clock
    content = {"at": times.show(own, UTC), "place": "silo_new", "mass_kg": 1}
    entry = ledger.entry("delivery", content, sender="scale", record_id="d", sent_at=clock.now - off_us)
    accepted = ledger.append(entry)
    assert accepted.at == own + off_us
    with ledger.store.reading() as connection:
        row = connection.execute("SELECT at, own_at, offset_us FROM record WHERE id = 'd'").fetchone()
    assert row == (accepted.at, own, off_us)
    assert stock_kg(ledger, "silo_new", "new_sand", "2099-01-01 00:00") == 1
    # sent again later, with another delay on the way: known, and nothing changes
    clock.now += 3_600_000_000
    again = ledger.append(ledger.entry("delivery", content, sender="scale", record_id="d", sent_at=clock.now))
    assert (again.new, again.at) == (False, accepted.at)


@pytest.mark.parametrize(
    ("kind", "at", "sent_at", "booked"),
    [
        ("count", "2024-12-31", "2025-01-02 05:00", micros("2025-01-01 00:00") - 1),  # a day that somebody named
        ("delivery", "2025-01-01 08:00", "1970-01-01 01:07", micros("2025-01-01 08:00")),  # its clock has stopped
        ("delivery", "2025-01-01 08:00", "2199-12-31 08:00", micros("2025-01-01 08:00")),  # it would come to be 1850
    ],
)
def test_what_a_clock_that_is_off_did_not_tell_stays_as_told(
    shop: tuple[Ledger, Clock], kind: str, at: str, sent_at: str, booked: int
):
    """A day, what was sent before it happened, what would lie outside all years: not moved; the clock is told of."""
    ledger, clock = shop
    content = {"at": at, "place": "silo_new", "mass_kg": 1}
    entry = ledger.entry(kind, content, sender="tablet", record_id="r", sent_at=micros(sent_at))
    assert ledger.append(entry).at == booked
    with ledger.store.reading() as connection:
        row = connection.execute("SELECT at, own_at, offset_us FROM record WHERE id = 'r'").fetchone()
    assert row == (booked, None, clock.now - micros(sent_at))
    assert stock_kg(ledger, "silo_new", "new_sand", "2099-01-01 00:00") == 1
    assert list(ledger.verify()) == []


@pytest.mark.parametrize("at", ["1970-01-01T00:00:00+05:00", "2199-12-31T23:59:00-12:00"])
def test_a_time_of_another_year_in_the_shop_is_bad(ledger: Ledger, at: str):
    """The years that can be recorded are the shop's own: Stockholm has 1969 or 2200 then."""
    with pytest.raises(InputErrors, match="is outside the years 1970 to 2199"):
        tell(ledger, "delivery", "d", {"at": at, "place": "silo_new", "mass_kg": 1})


def test_a_clock_that_is_nearly_right_is_believed(shop: tuple[Ledger, Clock]):
    """Ten minutes off are not corrected."""
    ledger, clock = shop
    content = {"at": "2025-03-10 08:00", "place": "silo_new", "mass_kg": 1}
    entry = ledger.entry("delivery", content, sender="scale", record_id="d", sent_at=clock.now - 600_000_000)
    assert ledger.append(entry).at == micros("2025-03-10 08:00")


def test_recording_never_goes_backwards(shop: tuple[Ledger, Clock]):
    """When the computer's clock is set back, records are stamped with the time of the record before."""
    ledger, clock = shop
    first = tell(ledger, "delivery", "d1", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1})
    clock.now -= 86_400_000_000
    second = tell(ledger, "delivery", "d2", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1})
    assert second.recorded == first.recorded


# -- identity and reversals -------------------------------------------------------------------------------------


def test_the_same_record_again_is_nothing_new(ledger: Ledger):
    """Same sender, id and content, written in another order and with other zeros: success, nothing new."""
    first = tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25})
    again = tell(ledger, "delivery", "d", {"mass_kg": 25.0, "place": "silo_new", "at": "2025-03-01 08:00", "lot": None})
    assert (again.seq, again.new, again.recorded, again.at) == (first.seq, False, first.recorded, first.at)
    assert ledger.head().records == 2
    other = tell(
        ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25}, sender="scale"
    )
    assert other.new  # another sender's ids are its own


def test_the_same_id_with_other_content_is_a_conflict_that_names_the_fields(ledger: Ledger):
    """It is not accepted, and nothing changes."""
    tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25})
    with pytest.raises(Conflict) as caught:
        tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_back", "mass_kg": 26, "lot": "L"})
    assert caught.value.fields == ["lot", "mass_kg", "place"]
    with pytest.raises(Conflict) as caught:
        tell(ledger, "disposal", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25, "waste": "w"})
    assert caught.value.fields == ["kind", "waste"]
    assert stock_kg(ledger, "silo_new", "new_sand") == 25
    assert ledger.head().records == 2


def test_a_reversal_before_its_record_is_refused(ledger: Ledger):
    """There is no such record yet; once there is, it is accepted under the same id."""
    with pytest.raises(NoSuchRecord, match="there is no record 'd' of sender 'op' yet"):
        take_back(ledger, "d")
    tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25})
    assert take_back(ledger, "d").new
    assert stock_kg(ledger, "silo_new", "new_sand") == 0


def test_a_record_is_reversed_once_and_a_reversal_never(ledger: Ledger):
    """The same reversal again is known, a second one and the reversal of a reversal are refused."""
    tell(ledger, "delivery", "d", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25})
    take_back(ledger, "d")
    assert take_back(ledger, "d").new is False
    of = {"of": {"sender": "op", "id": "d"}, "reason": "again"}
    with pytest.raises(AlreadyReversed, match="record 'd' of 'op' is reversed already"):
        tell(ledger, "reversal", "second", of)
    with pytest.raises(AlreadyReversed, match="a reversal cannot be reversed"):
        take_back(ledger, "back-d")
    tell(ledger, "delivery", "d again", {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25})
    assert stock_kg(ledger, "silo_new", "new_sand") == 25


def test_within_one_transaction_too(ledger: Ledger):
    """Of a record, its repeat, its reversal, a second reversal and a conflict, two are refused and the rest kept."""
    delivery = {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 25}
    of = {"of": {"sender": "op", "id": "d"}, "reason": "mistake"}
    entries = [
        ledger.entry(kind, content, sender="op", record_id=record_id)
        for kind, record_id, content in (
            ("delivery", "d", delivery),
            ("delivery", "d", delivery),
            ("reversal", "r1", of),
            ("reversal", "r2", of),
            ("delivery", "d", {**delivery, "mass_kg": 26}),
            ("delivery", "e", delivery),
        )
    ]
    accepted, refused = ledger.append_all(entries)
    assert [one and one.new for one in accepted] == [True, False, True, None, None, True]
    assert [(one.position, type(one.error)) for one in refused] == [(3, AlreadyReversed), (4, Conflict)]
    assert stock_kg(ledger, "silo_new", "new_sand") == 25
