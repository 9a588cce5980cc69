"""Strip times by the sand that the checks were made on: another sand is a wider range until it is checked itself."""

from __future__ import annotations

import math
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.shop import Answer

from .conftest import check
from .reading import codes


def mix(shop: Shop, at: str, mould: str, reclaimed_kg: float, silo: str = "silo_f", **said: Any) -> None:
    """Record a mix of 100 kg of sand, 1 kg of resin and 0.35 kg of acid, so much of it reclaimed."""
    streams = [
        {"place": "silo_new", "mass_kg": 100 - reclaimed_kg},
        {"place": silo, "mass_kg": reclaimed_kg},
        {"place": "tank_resin_f", "mass_kg": 1},
        {"place": "tank_acid", "mass_kg": 0.35},
    ]
    made = {"at": at, "mixer": "m1", "binder_system": "furan", "moulds": [mould], "sand_temp_c": 20}
    shop.log("mix", {**made, "streams": streams, **said}, sender="m1", id=f"mix-{mould}")


def checked(shop: Shop, day: int, reclaimed_kg: float, early: float, late: float, **said: Any) -> None:
    """Record a mix of February and a check of its mould."""
    mould = f"{day}-{reclaimed_kg:g}"
    mix(shop, f"2025-02-{day:02} 09:00", mould, reclaimed_kg)
    check(shop, f"2025-02-{day:02} 10:30", early, late, mould=mould, **said)


def share(shop: Shop, content: dict[str, Any], reclaimed_share: float) -> Answer:
    """What 35 % acid gives with another usual share of reclaimed sand, from a set-up of its own on."""
    content["binder_systems"]["furan"]["reclaimed_share"] = reclaimed_share
    content["shop"]["valid_from"] = "2025-03-01"
    shop.log("plant", content, sender="set-up", id=f"share-{reclaimed_share}")
    return shop.setting("m1", "furan", 20, catalyst_pct=35)


def test_another_reclaimed_share_widens_the_range(shop: Shop, content: dict[str, Any]) -> None:
    """Checked at 80 %: 70 and 90 % are that sand too; 69 % is wider than a new lot and says so, until it is checked."""
    for day in range(1, 21):
        checked(shop, day, 80, 40, 44, lot="R1")
    resin = {"place": "tank_resin_f", "mass_kg": 900, "lot": "R1"}
    shop.log("delivery", {"at": "2025-02-01 07:00", **resin}, sender="ida")
    known = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert known.values["sand_shares"] == {"new_sand": 0.2, "reclaimed_f": 0.8}
    assert codes(known).isdisjoint({"sand_not_checked", "lot_not_checked"})
    for alike in (0.7, 0.9):
        assert share(shop, content, alike).ranges["strip_time_min"] == known.ranges["strip_time_min"]
    other = share(shop, content, 0.69)
    (text,) = [flag.text for flag in other.flags if flag.code == "sand_not_checked"]
    assert text == (
        "no check was made yet on this sand (69 % Reclaimed furan sand + 31 % New sand), only on 80 % Reclaimed "
        "furan sand + 20 % New sand; a share more than 0.1 off counts as another sand: the range is wider, by what "
        "lots have differed so far, and 7 % (one sd, a guess) at the least; a test piece first"
    )
    narrow, wide = (answer.ranges["strip_time_min"] for answer in (known, other))
    assert wide.high / wide.low > 1.03 * narrow.high / narrow.low
    shop.log("delivery", {"at": "2025-03-03 07:00", **resin, "mass_kg": 950, "lot": "R2"}, sender="ida")
    new_lot = share(shop, content, 0.8)
    assert codes(new_lot) >= {"lot_not_checked"}
    new = new_lot.ranges["strip_time_min"]
    assert narrow.high / narrow.low < new.high / new.low < wide.high / wide.low
    shop.log("delivery", {"at": "2025-03-03 07:30", **resin, "mass_kg": 1900}, sender="ida")
    for day in (24, 25, 26):
        checked(shop, day, 69, 40, 44, lot="R1")
    confirmed = share(shop, content, 0.69)
    assert "sand_not_checked" not in codes(confirmed)
    after = confirmed.ranges["strip_time_min"]
    assert after.high / after.low < wide.high / wide.low


def test_lots_alike_say_nothing_of_another_sand(shop: Shop, content: dict[str, Any]) -> None:
    """Nine lots hardly differ: a tenth is as wide as they say, another sand as 7 %; a third again as both say.

    By hand: the square of ln(high ÷ middle), 1.2816 sds, grows by 1.2816² times (0.07² less that of the lots).
    """
    for day in range(1, 28):
        checked(shop, day, 80, 41.5, 42.5, lot=f"R{day % 9}")
    shop.log("delivery", {"at": "2025-02-01 07:00", "place": "tank_resin_f", "mass_kg": 900, "lot": "R9"}, sender="ida")
    lot_sd = shop.learned("furan").values["lot_sd"]
    assert lot_sd < 0.045
    new_lot, other = (share(shop, content, part).ranges["strip_time_min"] for part in (0.8, 0.5))
    grown = (math.log(other.high / other.mid) ** 2 - math.log(new_lot.high / new_lot.mid) ** 2) / 1.2816**2
    assert grown == pytest.approx(0.07**2 - lot_sd**2, rel=0.15)
    for day in (26, 27, 28):
        checked(shop, day, 20, 41.5, 42.5, lot="R1")
    third, new_lot = (share(shop, content, part) for part in (0.51, 0.81))
    assert "lots and sands have differed so far; a test" in " ".join(flag.text for flag in third.flags)
    assert third.ranges["strip_time_min"] == new_lot.ranges["strip_time_min"]


def test_two_sands_are_learned_apart(shop: Shop, content: dict[str, Any]) -> None:
    """42 min on 80 % reclaimed and 52 on half, without lots: each is told near its own, with no more said of it."""
    for day in range(1, 13):
        checked(shop, day, 80, 41, 43)
        if day > 1:
            checked(shop, day, 50, 51, 53)
    usual = shop.setting("m1", "furan", 20, catalyst_pct=35)
    half = share(shop, content, 0.5)
    assert usual.values["strip_time_min"] == pytest.approx(42, rel=0.03)
    assert half.values["strip_time_min"] == pytest.approx(52, rel=0.03)
    assert codes(half).isdisjoint({"sand_not_checked", "lot_not_checked"})
    told = shop.learned("furan").values["sands"]
    assert [(sand["shares"]["reclaimed_f"], sand["checks"]) for sand in told] == [(0.8, 12), (0.5, 11)]


def test_shares_that_wobble_are_one_sand_and_another_material_is_not(shop: Shop) -> None:
    """75 to 85 % of one reclaimed sand is one sand, as much of another silo's is another; a check may tell of none."""
    for day, reclaimed_kg in enumerate((80, 75, 85, 78, 82), start=1):
        checked(shop, day, reclaimed_kg, 40, 44)
    check(shop, "2025-02-10 10:00", 40, 44)
    assert [sand["checks"] for sand in shop.learned("furan").values["sands"]] == [5]
    mix(shop, "2025-02-11 09:00", "e1", 80, "silo_e")
    check(shop, "2025-02-11 10:00", 40, 44, mould="e1")
    answer = shop.learned("furan").values
    assert answer["checks"] == 7
    assert answer["sands"][1] == {"shares": {"new_sand": 0.2, "reclaimed_e": 0.8}, "checks": 1}


def test_lot_not_yet_checked_on_a_sand(shop: Shop, content: dict[str, Any]) -> None:
    """R1 on 80 % and R2 on half were checked, R1 on half was not: told, and as wide as any lot that was not."""
    for day in range(1, 16):
        checked(shop, day, 80, 40, 44, lot="R1")
        checked(shop, day, 50, 40, 44, lot="R2")
    delivery = {"at": "2025-02-01 07:00", "place": "tank_resin_f", "mass_kg": 900, "lot": "R1"}
    shop.log("delivery", delivery, sender="ida")
    answer = share(shop, content, 0.5)
    (text,) = [flag.text for flag in answer.flags if flag.code == "lot_not_checked"]
    assert text.startswith("no check was made yet of resin lot R1 on this sand: the range is wider for that")
    assert "sand_not_checked" not in codes(answer)
    span, known = answer.ranges["strip_time_min"], share(shop, content, 0.8).ranges["strip_time_min"]
    assert span.high / span.low > known.high / known.low


def test_mix_that_comes_late_or_is_withdrawn_tells_of_its_check(shop: Shop) -> None:
    """A check's sand is not known, then known when the mixer sends its mix, then not when it takes that back."""
    check(shop, "2025-02-11 10:00", 40, 44, mould="late")
    mix(shop, "2025-02-11 11:00", "after", 80)
    assert shop.learned("furan").values["sands"] == []
    mix(shop, "2025-02-11 09:00", "late", 60)
    (told,) = shop.learned("furan").values["sands"]
    assert told["shares"]["reclaimed_f"] == pytest.approx(0.6)
    gone = {"of": {"sender": "m1", "id": "mix-late"}, "reason": "another mould"}
    shop.log("reversal", gone, sender="m1")
    assert shop.learned("furan").values["sands"] == []


def test_moulds_and_a_stopped_fill_go_by_the_sand_of_their_mix(shop: Shop) -> None:
    """Of two moulds alike but for their sand, that on the sand checked has the narrower range; so has its surface."""
    for day in range(1, 21):
        checked(shop, day, 80, 40, 44)
    mix(shop, "2025-03-03 07:30", "usual", 80)
    stopped = [shop.stopped("m1", "furan", 20, 5)]
    mix(shop, "2025-03-03 07:40", "other", 50)
    stopped.append(shop.stopped("m1", "furan", 20, 5))
    spans = shop.moulds().ranges
    usual, other = spans["strip_time_min.usual"], spans["strip_time_min.other"]
    assert other.high / other.low > 1.03 * usual.high / usual.low
    assert ["sand_not_checked" in codes(answer) for answer in stopped] == [False, True]
    work = [answer.ranges["work_time_min"] for answer in stopped]
    assert work[1].low < work[0].low
