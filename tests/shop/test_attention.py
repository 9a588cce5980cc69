"""The attention list: each check once raised, with its sentence, and once not; figures by hand (derived)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from sandtrack.shop.watch import attention

from .circuit import ESTER, Foundry

LATER = "2025-06-10"


@pytest.fixture
def foundry(tmp_path: Path) -> Iterator[Foundry]:
    """A foundry with an ester circuit beside; everything counted at the end of 1 June."""
    made = Foundry(tmp_path, ESTER)
    made.quiet_start()
    made.count("2025-06-01", silo_e=9000, heap_e=5000, reclaimer_e=0, tank_resin_e=900, tank_slow=500, tank_fast=500)
    yield made
    made.shop.close()


def texts(foundry: Foundry, code: str, at: str = LATER) -> list[str]:
    """Texts of one code on the attention list."""
    return [flag.text for flag in foundry.shop.attention(at).flags if flag.code == code]


def test_a_quiet_day_needs_no_look(foundry: Foundry) -> None:
    """A day's work with nothing amiss: an empty list, and its window is told."""
    foundry.one_day()
    answer = foundry.shop.attention(LATER)
    assert answer.flags == ()
    assert answer.values == {"count": 0, "by_code": {}, "items": []}
    assert answer.basis[0].value.startswith("35 days")
    assert answer.cautions == ()


def test_the_most_urgent_comes_first_and_none_twice(foundry: Foundry) -> None:
    """Wrong material before a missing stock before a count: in the order of urgency, counted by code."""
    foundry.tell("count", "2025-06-03", place="silo_back", mass_kg=3000)
    foundry.tell("delivery", "2025-06-04 08:00", place="tank_acid", material="resin", mass_kg=60)
    foundry.mix("2025-06-05 08:00", "1", 150, 8500)
    answer = foundry.shop.attention(LATER)
    codes = [flag.code for flag in answer.flags]
    assert codes == sorted(codes, key=attention.URGENCY.index)
    assert codes[0] == "resin_meets_acid"
    assert answer.values["items"][0]["also"] == ["wrong_material"]  # one cause, one item
    assert "below_zero" in codes
    assert len(set(answer.flags)) == len(answer.flags)
    assert sum(answer.values["by_code"].values()) == answer.values["count"] == len(codes)
    assert "wrong_material" in {caution.code for caution in answer.cautions}


def test_every_code_has_its_urgency() -> None:
    """No code is listed twice."""
    assert len(set(attention.URGENCY)) == len(attention.URGENCY)


# -- stock and cover ------------------------------------------------------------------------------------------------


def test_stock_below_zero(foundry: Foundry) -> None:
    """10,000 − 11,000 drawn: 1,000 kg below nothing."""
    foundry.mix("2025-06-02 07:30", "1", 0, 11000)
    (text,) = texts(foundry, "below_zero")
    assert text.startswith(
        "Reclaimed sand in Reclaimed silo stands at -1,000 kg in the book: a delivery or a count is missing, or a draw "
        "was booked to the wrong place"
    )


def test_over_safe_fill(foundry: Foundry) -> None:
    """20 + 31 t in a silo safe for 50 t."""
    foundry.tell("delivery", "2025-06-03 08:00", place="silo_new", mass_kg=31000)
    assert texts(foundry, "over_safe_fill") == [
        "New sand silo holds 1,000 kg more than its safe fill of the set-up: check the level, and the book"
    ]


def test_wrong_material_is_told_once(foundry: Foundry) -> None:
    """By the block, which says who did it and when, not by the stock as well; a release lifts it."""
    foundry.tell("delivery", "2025-06-04 08:00", place="tank_acid", material="resin", mass_kg=60, id="tanker")
    items = foundry.shop.attention(LATER).values["items"]
    (item,) = [item for item in items if "wrong_material" in (item["code"], *item["also"])]
    assert (item["code"], item["also"]) == ("resin_meets_acid", ["wrong_material"])
    (text,) = texts(foundry, "resin_meets_acid")
    assert text.count("Resin was put into it, which is set up for Acid (delivery tanker)") == 1


def test_a_held_mould_and_a_failed_lot(foundry: Foundry) -> None:
    """Both stay listed until they are released."""
    foundry.tell("hold", "2025-06-04 08:00", mould="7", reason="drawing changed")
    foundry.tell("delivery", "2025-06-04 09:00", place="tank_acid", mass_kg=60, lot="A1", certificate={"passed": False})
    assert len(texts(foundry, "held")) == len(texts(foundry, "failed_certificate")) == 1
    foundry.tell("release", "2025-06-05 08:00", mould="7", reason="pour it")
    foundry.tell("release", "2025-06-05 08:00", lot="A1", reason="tested")
    assert texts(foundry, "held") == texts(foundry, "failed_certificate") == []


def test_low_cover_of_what_is_bought(foundry: Foundry) -> None:
    """380 of 400 kg of acid drawn in 21 working days (13 May to 10 June): 20 kg last 20 ÷ (380 ÷ 21) = 1.1 days."""
    foundry.mix("2025-06-02 07:30", "1", 10, 90, acid=380)
    assert texts(foundry, "low_cover") == ["Acid tank lasts 1.1 working days"]
    foundry.tell("delivery", "2025-06-03 08:00", place="tank_acid", mass_kg=1000)
    assert texts(foundry, "low_cover") == []


def test_cover_of_what_the_shop_fills_itself_is_not_raised(foundry: Foundry) -> None:
    """The reclaimed silo is refilled by every run: its days of cover are no news."""
    foundry.one_day(returned_kg=10, dust_kg=9990)
    foundry.mix("2025-06-03 07:30", "2", 0, 1400)
    assert {flag.subject for flag in foundry.shop.cover(LATER).flags} == {"silo_back"}
    assert texts(foundry, "low_cover") == []


def test_a_difference_at_a_count_of_the_window(foundry: Foundry) -> None:
    """Told for 35 days from the count, then no more."""
    foundry.count("2025-06-05", silo_new=19000)
    (text,) = texts(foundry, "unexplained")
    assert text == (
        "between 1 Jun 2025 and 5 Jun 2025 1,000 kg less New sand than booked were found in New sand silo: a draw or a "
        "loss not recorded, a delivery booked twice or too high, or a count that is wrong?"
    )
    assert len(texts(foundry, "unexplained", "2025-07-10")) == 1
    assert texts(foundry, "unexplained", "2025-07-11") == []


def test_a_level_far_from_the_book(foundry: Foundry) -> None:
    """The stock answer's flag is on the list."""
    foundry.tell("level", "2025-06-05 15:00", place="silo_new", level_m=2.5)
    assert len(texts(foundry, "level_gap")) == 1
    foundry.tell("level", "2025-06-05 15:30", place="silo_new", ullage_m=0.6)
    assert texts(foundry, "level_gap") == []


# -- records and clocks ---------------------------------------------------------------------------------------------


def test_a_record_older_than_a_count_that_was_known(foundry: Foundry) -> None:
    """A tanker of 3 June told on 9 June, after the count of 5 June: today's stock does not change."""
    foundry.count("2025-06-05", silo_new=44500)
    ticket = {"place": "silo_new", "mass_kg": 25000, "recorded": "2025-06-09 08:00"}
    foundry.tell("delivery", "2025-06-03 08:00", **ticket)
    assert texts(foundry, "late") == [
        "1 delivery by ida of 3 Jun 2025 came after the count of 5 Jun 2025 had been recorded: today's stock of New "
        "sand silo is unchanged, what that count did not explain is another figure now"
    ]


def test_late_records_of_one_sender_are_told_together(foundry: Foundry) -> None:
    """Two mixes of a mixer that was off the network over a count."""
    foundry.count("2025-06-05", silo_new=20000)
    foundry.mix("2025-06-03 08:00", "1", 10, 90, recorded="2025-06-09 08:00")
    foundry.mix("2025-06-04 08:00", "2", 10, 90, recorded="2025-06-09 08:00")
    (text,) = texts(foundry, "late")
    assert text.startswith("2 mixes by m1 of 3 Jun 2025 to 4 Jun 2025 came after the count of 5 Jun 2025")


def test_a_record_told_late_with_no_count_between_is_no_news(foundry: Foundry) -> None:
    """Nor is one that was told at the same time as the count."""
    foundry.tell("delivery", "2025-06-03 08:00", place="silo_new", mass_kg=5000, recorded="2025-06-05 08:00")
    foundry.tell("count", "2025-06-06", place="silo_new", mass_kg=25000)
    foundry.tell("delivery", "2025-06-06 08:00", place="silo_new", mass_kg=100, recorded="2025-06-07 00:02")
    assert texts(foundry, "late") == []


def test_two_counts_at_one_instant(foundry: Foundry) -> None:
    """Two sheets for one month's end."""
    foundry.count("2025-06-05", heap=12000)
    assert texts(foundry, "two_counts") == []
    foundry.tell("count", "2025-06-05", place="heap", mass_kg=12100, sender="otto")
    assert texts(foundry, "two_counts") == [
        "Heap was counted 2 times at 5 Jun 2025 23:59, as 12,000 and 12,100 kg: reverse the one that is wrong"
    ]


def test_a_count_is_missing(tmp_path: Path) -> None:
    """Due every 31 days from the end of 1 June: the end of 2 July is in time, the end of 3 July is not."""
    foundry = Foundry(tmp_path, {"places": {"heap": {"count_every_days": 31}}})
    foundry.quiet_start()
    assert texts(foundry, "count_missing", "2025-07-02") == []
    assert texts(foundry, "count_missing", "2025-07-03") == [
        "Heap was last counted on 1 Jun 2025, 32 days ago, and is to be counted every 31 days"
    ]


def test_a_clock_that_is_off(foundry: Foundry) -> None:
    """A mixer that says 07:30 and sends at 07:31 by its clock, while it is 08:01: half an hour slow."""
    foundry.mix("2025-06-02 07:30", "1", 10, 90, recorded="2025-06-02 08:00", sent_at="2025-06-02 07:31")
    assert texts(foundry, "clock_off") == [
        "the clock of m1 was 30 min slow on 2 Jun 2025 08:00 (1 record corrected): set it"
    ]


def test_a_clock_that_is_right(foundry: Foundry) -> None:
    """Within ten minutes nothing is corrected."""
    foundry.mix("2025-06-02 07:30", "1", 10, 90, recorded="2025-06-02 08:00", sent_at="2025-06-02 07:55")
    assert texts(foundry, "clock_off") == []


def test_a_record_dated_in_the_future(foundry: Foundry) -> None:
    """A delivery of next year told today; a count that is due tonight is none."""
    foundry.tell("delivery", "2026-06-03 08:00", place="silo_new", mass_kg=5000, recorded="2025-06-03 08:00", id="typo")
    foundry.tell("count", "2025-06-03", place="silo_new", mass_kg=20000, recorded="2025-06-03 16:00")
    assert texts(foundry, "in_the_future") == [
        "delivery typo by ida is dated 3 Jun 2026 08:00 and was recorded on 3 Jun 2025 08:01, before it happened: "
        "reverse it and send it again with its time"
    ]


@pytest.mark.parametrize(("minutes", "raised"), [("08:06", True), ("08:10", True), ("08:11", False)])
def test_two_records_alike_within_minutes(foundry: Foundry, minutes: str, raised: bool) -> None:
    """One container entered by two people; the limit of ten minutes is within."""
    foundry.tell("delivery", "2025-06-03 08:00", place="tank_resin", mass_kg=998.4, id="once")
    foundry.tell("delivery", f"2025-06-03 {minutes}", place="tank_resin", mass_kg=998.4, id="again", sender="otto")
    wanted = [
        f"delivery once by ida of 3 Jun 2025 08:00 and again by otto of 3 Jun 2025 {minutes} are alike: if it was one "
        "event, reverse one"
    ]
    assert texts(foundry, "double_entry") == (wanted if raised else [])


def test_two_deliveries_with_one_ticket(foundry: Foundry) -> None:
    """The same number days apart."""
    foundry.tell("delivery", "2025-06-03 08:00", place="silo_new", mass_kg=5000, ticket="T7", id="once")
    foundry.tell("delivery", "2025-06-05 08:00", place="silo_new", mass_kg=5100, ticket="T7", id="again")
    (text,) = texts(foundry, "double_entry")
    assert "bear the same number" in text


def test_alike_and_yet_two(foundry: Foundry) -> None:
    """Another mould, another mass, bucket after bucket by one person, and a withdrawn twin are no double entries."""
    foundry.mix("2025-06-03 08:00", "1", 10, 90)
    foundry.mix("2025-06-03 08:05", "2", 10, 90)
    foundry.mix("2025-06-03 08:08", "1", 10, 90.1)
    for at in ("2025-06-03 09:00", "2025-06-03 09:02"):
        foundry.tell("transfer", at, source="heap", target="skip", mass_amount=1, mass_measure="bucket")
    foundry.tell("delivery", "2025-06-03 08:00", place="tank_resin", mass_kg=900)
    twin = foundry.tell("delivery", "2025-06-03 08:01", place="tank_resin", mass_kg=900)
    assert len(texts(foundry, "double_entry")) == 1
    foundry.shop.undo("ida", twin, reason="entered twice", by="ida")
    assert texts(foundry, "double_entry") == []
