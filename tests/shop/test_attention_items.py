"""The list stays worth reading: one item for one cause, who can do what, and what was dealt with goes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.records import KINDS
from sandtrack.shop import dangers
from sandtrack.shop.watch import attention
from sandtrack.shop.watch.items import MOST_OF_A_CODE, WAYS

from .circuit import Foundry
from .test_attention import foundry

__all__ = ["foundry"]  # the fixture

LATER = "2025-06-10"


def items(foundry: Foundry, at: str = LATER) -> list[dict[str, Any]]:
    """Items of the list, as an answer gives them."""
    found: list[dict[str, Any]] = foundry.shop.attention(at).values["items"]
    return found


def codes(foundry: Foundry, at: str = LATER) -> list[str]:
    """Codes of the list."""
    return [item["code"] for item in items(foundry, at)]


def deal_with(foundry: Foundry, at: str, code: str, subject: str) -> list[str]:
    """Record that an item was dealt with; codes of the flags of its receipt."""
    content = {"at": at, "code": code, "subject": subject, "done": "looked into it", "by": "ida"}
    flags = foundry.shop.log("dealt_with", content, sender="ida").flags
    return [flag.code for flag in flags if flag.code not in ("in_the_future", "person_unknown")]


def test_every_item_says_who_can_do_what() -> None:
    """Each code of the list has roles and the kind of record that takes it off, and both exist."""
    from sandtrack_api.roles import ROLES

    assert set(WAYS) == set(attention.URGENCY)
    for code, way in WAYS.items():
        assert way.who, code
        assert way.clears in KINDS, code
        for role in way.who:
            assert way.clears in ROLES[role].records, (code, role)
            if way.clears == "dealt_with" and dangers.is_danger(code):
                assert "release" in ROLES[role].records, (code, role)


def test_what_was_dealt_with_goes_and_comes_back_when_it_happens_again(foundry: Foundry) -> None:
    """A mould knocked out with nothing in it: gone once dealt with, there again at the next such knock-out."""
    foundry.tell("knock_out", "2025-06-03 08:00", moulds=["77"], to="heap")
    assert "ended_empty" in codes(foundry)
    assert deal_with(foundry, "2025-06-04 08:00", "ended_empty", "77") == []
    assert "ended_empty" not in codes(foundry)
    assert "ended_empty" in codes(foundry, "2025-06-03 12:00")  # before anybody dealt with it
    foundry.tell("knock_out", "2025-06-06 08:00", moulds=["77"], to="heap")
    assert "ended_empty" in codes(foundry)


def test_a_danger_dealt_with_hides_that_occurrence_only(foundry: Foundry) -> None:
    """Resin in the acid tank: the block stays listed until a release, the event goes once it was dealt with."""
    foundry.tell("delivery", "2025-06-04 08:00", place="tank_acid", material="resin", mass_kg=60, id="tanker")
    assert items(foundry)[0]["code"] == "resin_meets_acid"
    deal_with(foundry, "2025-06-05 08:00", "resin_meets_acid", "tank_acid")
    left = codes(foundry)
    assert "resin_meets_acid" not in left
    assert "wrong_material" in left
    foundry.tell("delivery", "2025-06-06 08:00", place="tank_acid", material="resin", mass_kg=60, id="tanker-2")
    assert "resin_meets_acid" in codes(foundry)


def test_a_receipt_says_where_nothing_goes_off_the_list(foundry: Foundry) -> None:
    """A slip in code or subject hides nothing and says so; how things stand stays until a record ends it."""
    foundry.mix("2025-06-02 07:30", "1", 0, 11000)
    assert deal_with(foundry, "2025-06-04 08:00", "ended_emty", "77") == ["nothing_dealt_with"]
    before = [code for code in codes(foundry) if code != "in_the_future"]  # the foundry's clock stands at 2 June
    assert "below_zero" in before
    assert deal_with(foundry, "2025-06-04 08:00", "below_zero", "silo_back") == ["stays_open"]
    assert [code for code in codes(foundry) if code != "in_the_future"] == before


def test_one_cause_is_one_item(foundry: Foundry) -> None:
    """A mould that is held stands for that reason: one item, which names both."""
    foundry.mix("2025-05-20 08:00", "8", 150, 850)
    assert "standing_too_long" in codes(foundry)
    foundry.tell("hold", "2025-05-21 08:00", mould="8", reason="drawing changed")
    (item,) = [item for item in items(foundry) if item["subject"] == "8"]
    assert (item["code"], item["also"]) == ("held", ["standing_too_long"])
    (flag,) = [flag for flag in foundry.shop.attention(LATER).flags if flag.subject == "8"]
    assert "drawing changed" in flag.text
    assert "stands since" in flag.text


def test_many_of_a_kind_are_one_item(foundry: Foundry) -> None:
    """Twenty moulds ended empty are one line that names some of them and counts them all."""
    numbers = [str(number) for number in range(500, 520)]
    foundry.tell("knock_out", "2025-06-03 08:00", moulds=numbers, to="heap")
    (item,) = [item for item in items(foundry) if item["code"] == "ended_empty"]
    assert sorted(item["subjects"]) == numbers
    (flag,) = [flag for flag in foundry.shop.attention(LATER).flags if flag.code == "ended_empty"]
    assert "20 like it" in flag.text
    foundry.tell("knock_out", "2025-06-04 08:00", moulds=["521"], to="heap")
    for number in numbers[MOST_OF_A_CODE - 1 :]:
        deal_with(foundry, "2025-06-05 08:00", "ended_empty", number)
    few = [item["subject"] for item in items(foundry) if item["code"] == "ended_empty"]
    assert sorted(few) == [*numbers[: MOST_OF_A_CODE - 1], "521"]


# -- quiet on the demo's year ---------------------------------------------------------------------------------------

PLANTED = {"2025-03-14"}
"""The day on which several planted dangers come together."""


@pytest.fixture
def year(demo_shop: Path) -> Iterator[Shop]:
    """The invented year."""
    opened = Shop.open(demo_shop)
    yield opened
    opened.close()


def new_and_open(shop: Shop, days: list[date]) -> tuple[list[int], list[int]]:
    """New items of each day after the first, by code and subject, and how many stand open on each."""
    new, standing = [], []
    before: set[tuple[str, str]] | None = None
    for day in days:
        found = {(item["code"], item["subject"]) for item in shop.attention(day).values["items"]}
        standing.append(len(found))
        if before is not None:
            new.append(len(found - before))
        before = found
    return new, standing


def test_the_list_is_quiet_in_an_ordinary_week(year: Shop) -> None:
    """A week in May and one in October: at most 0.3 new items a day, six open (anchor: EEMUA 191)."""
    for first in (date(2025, 5, 12), date(2025, 10, 6)):
        new, standing = new_and_open(year, [first + timedelta(days=number) for number in range(6)])
        assert sum(new) <= 0.3 * len(new)
        assert max(standing) <= 6


@pytest.mark.soak
def test_the_list_is_quiet_the_whole_year(year: Shop) -> None:
    """Every day of the year: at most 0.3 new items a day, six new on one day, besides the planted day."""
    days = [date(2025, 1, 1) + timedelta(days=number) for number in range(365)]
    new, standing = new_and_open(year, days)
    print(f"{sum(new) / len(new):.3f} new a day, at most {max(new)} on one day, {max(standing)} open at most")
    assert sum(new) / len(new) <= 0.3
    assert max(count for day, count in zip(days[1:], new, strict=True) if day.isoformat() not in PLANTED) <= 6


def test_a_wrong_material_is_not_first_to_be_released(foundry: Foundry) -> None:
    """The screen says to find out what met what; many subjects are named as people call them; times read alike."""
    from sandtrack.report import answers, text

    for place in ("tank_acid", "tank_fast", "tank_slow", "tank_resin_e"):
        foundry.tell("delivery", "2025-06-04 08:00", place=place, material="new_sand", mass_kg=60, id=f"tanker-{place}")
    answer = foundry.shop.attention(LATER)
    (item,) = [item for item in answer.values["items"] if item["code"] == "wrong_material"]
    assert len(item["subjects"]) == 4
    screen = answers.text(answer, text.Names(foundry.shop.plant()))
    assert "first find out what met what" in " ".join(screen.split())
    assert "sandtrack log release" not in screen
    assert "4 like it: tank" not in screen
    assert all(foundry.shop.plant().places[place].name in " ".join(screen.split()) for place in item["subjects"])
    assert "2025-06-04T" not in screen
