"""What goes into the sand is believed when it changes: strength of the acid, and a new key for the same chemical."""

from __future__ import annotations

import math
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.shop import Answer, Range

from .conftest import check
from .reading import codes

Make = Callable[[dict[str, Any]], Shop]


def asked(shop: Shop, **more: Any) -> Answer:
    """What 35 % acid gives at 20 °C."""
    return shop.setting("m1", "furan", 20, catalyst_pct=35, strip_time_min=50, **more)


def span(answer: Answer) -> Range:
    """Range of the strip time."""
    return answer.ranges["strip_time_min"]


def width(answer: Answer) -> float:
    """High over low end of the strip time."""
    return span(answer).high / span(answer).low


def revised(shop: Shop, content: dict[str, Any], change: Callable[[dict[str, Any]], Any]) -> None:
    """Revise the set-up from March on."""
    later = deepcopy(content)
    later["shop"]["valid_from"] = "2025-03-01"
    change(later)
    shop.log("plant", later, sender="set-up", id="march")


def delivered(shop: Shop, at: str, strength_pct: float | None, **more: Any) -> None:
    """Record a delivery of acid, with the strength that its certificate gives."""
    content: dict[str, Any] = {"at": at, "place": "tank_acid", "mass_kg": 500, **more}
    if strength_pct is not None:
        content["certificate"] = {"strength_pct": strength_pct}
    shop.log("delivery", content, sender="ida", id=f"acid-{at}")


@pytest.fixture
def known(make_shop: Make, content: dict[str, Any]) -> Shop:
    """A shop whose acid is 65 % strong by its set-up, with twenty checks of 40 to 44 min."""
    content["materials"]["acid"]["strength_pct"] = 65
    shop = make_shop(content)
    for day in range(1, 21):
        check(shop, day, 40, 44)
    return shop


def weaker(known: Shop, content: dict[str, Any], way: str) -> None:
    """Acid of 52 % from now on, a fifth weaker, said in one of two ways."""
    if way == "set-up":
        revised(known, content, lambda later: later["materials"]["acid"].update(strength_pct=52))
    else:
        delivered(known, "2025-03-02 07:00", 52, lot="A2")


@pytest.mark.parametrize("way", ["set-up", "certificate"])
def test_weaker_acid_makes_times_longer_and_less_sure(known: Shop, content: dict[str, Any], way: str) -> None:
    """By hand: 35 % of 52 % acid are 28 % of 65 %, so times grow by 0.8^-n and ln of the range by half of that."""
    before = asked(known)
    assert codes(before).isdisjoint({"strength_changed"})
    exponent = known.learned("furan").values["exponent"]
    weaker(known, content, way)
    after = asked(known)
    longer = 0.8**-exponent
    assert span(after).mid / span(before).mid == pytest.approx(longer, rel=0.02)
    assert after.values["chance_to_strip"] < before.values["chance_to_strip"] - 0.5
    assert width(after) > 1.3 * width(before)
    (text,) = [flag.text for flag in after.flags if flag.code == "strength_changed"]
    assert text.startswith("the acid of Furan is now 52 % strong (")
    assert ("the set-up" in text) == (way == "set-up")
    assert ("lot A2, delivery acid-2025-03-02 07:00 of 2025-03-02" in text) == (way == "certificate")


@pytest.mark.parametrize("way", ["set-up", "certificate"])
def test_without_checks_the_reference_is_of_the_strength_it_was_written_with(
    make_shop: Make, content: dict[str, Any], way: str
) -> None:
    """By hand: 45 min at 65 % become 45·0.8^-1.45 = 62.2 at 52 %, sd grows by half of 1.45·ln(1/0.8) = 0.162."""
    content["materials"]["acid"]["strength_pct"] = 65
    shop = make_shop(content)
    before = asked(shop)
    weaker(shop, content, way)
    after = asked(shop)
    assert span(before).mid == pytest.approx(45)
    assert span(after).mid == pytest.approx(45 * 0.8**-1.45)
    # of the exponent, 0.45 unsure, ln(1/0.8) counts too, as it does for any amount off the reference
    sd = math.sqrt(0.54**2 + 0.115**2 + 0.07**2 + (0.5 * 1.45 * math.log(0.8)) ** 2 + (0.45 * math.log(0.8)) ** 2)
    assert math.log(span(after).high / span(after).mid) == pytest.approx(1.2815516 * sd)
    assert "strength_changed" in codes(after)


def test_stronger_acid_strips_sooner(known: Shop) -> None:
    """78 % acid, a fifth stronger: sooner, so the work time is shorter too."""
    before = asked(known)
    delivered(known, "2025-03-02 07:00", 78)
    after = asked(known)
    assert span(after).mid < 0.85 * span(before).mid
    assert after.ranges["work_time_min"].low < 0.85 * before.ranges["work_time_min"].low
    assert "strength_changed" in codes(after)


def test_a_certificate_like_the_last_one_changes_next_to_nothing(known: Shop) -> None:
    """64.5 instead of 65 %: within 2 % it is the same acid, and nothing is raised."""
    before = asked(known)
    delivered(known, "2025-03-02 07:00", 64.5)
    after = asked(known)
    assert span(after).mid == pytest.approx(span(before).mid, rel=0.02)
    assert width(after) == pytest.approx(width(before), rel=0.01)
    assert "strength_changed" not in codes(after)


def test_the_next_delivery_ends_what_a_certificate_said(known: Shop) -> None:
    """One without a certificate is of the set-up's strength again; a withdrawn one never came."""
    before = asked(known)
    delivered(known, "2025-03-02 07:00", 52)
    delivered(known, "2025-03-02 09:00", None)
    assert span(asked(known)) == span(before)
    known.undo("ida", "acid-2025-03-02 09:00", reason="another shop's", by="ida")
    assert span(asked(known)).mid > 1.2 * span(before).mid
    assert span(asked(known, at="2025-03-01 12:00")).mid == pytest.approx(span(before).mid, rel=0.02)


def test_checks_of_the_new_strength_take_the_doubt_away(known: Shop) -> None:
    """Of 52 % acid since 22 February: with each check of it the range is narrower, and twenty end the flag."""
    delivered(known, "2025-02-21 07:00", 52)
    widths = [width(asked(known))]
    for count in range(1, 21):
        check(known, 22 + count // 4, 56, 60)
        if count in (1, 4, 20):
            widths.append(width(asked(known)))
    assert widths == sorted(widths, reverse=True)
    assert "strength_changed" not in codes(asked(known))
    assert 54 < span(asked(known)).mid < 61


def test_a_mould_goes_by_the_strength_of_its_own_mix(known: Shop) -> None:
    """Of two mixes alike, one before and one after the weaker acid came: the second is 0.8^-n slower."""
    exponent = known.learned("furan").values["exponent"]
    drawn = {"silo_new": 60, "silo_f": 240, "tank_resin_f": 3, "tank_acid": 1.05}
    streams = [{"place": place, "mass_kg": mass} for place, mass in drawn.items()]
    delivered(known, "2025-03-03 07:10", 52)
    for at, mould in (("07:00", "before"), ("07:20", "after")):
        made = {"at": f"2025-03-03 {at}", "mixer": "m1", "binder_system": "furan", "moulds": [mould]}
        known.log("mix", made | {"sand_temp_c": 20, "streams": streams}, sender="m1", id=mould)
    answer = known.moulds()
    mids = [answer.ranges[f"strip_time_min.{mould}"].mid for mould in ("before", "after")]
    assert mids[1] / mids[0] == pytest.approx(0.8**-exponent, rel=0.02)
    assert "strength_changed" in codes(answer)


# -- a new key ------------------------------------------------------------------------------------------------------


def new_acid(later: dict[str, Any], **more: Any) -> None:
    """From March on the acid has another key."""
    later["materials"]["acid_2"] = {"name": "Acid", "kind": "catalyst", "density_kg_m3": 1250, **more}
    later["places"]["tank_acid"]["material"] = "acid_2"
    later["binder_systems"]["furan"]["catalyst"] = "acid_2"


def test_a_new_key_says_how_many_checks_it_no_longer_uses(known: Shop, content: dict[str, Any]) -> None:
    """Twenty checks of the old key: not used, and said so, with what to write if it is the same chemical."""
    revised(known, content, new_acid)
    answer = asked(known)
    (text,) = [flag.text for flag in answer.flags if flag.code == "checks_of_other_material"]
    assert text.startswith("20 checks of Furan made with another catalyst are not used.")
    assert "[materials.acid_2]" in text
    assert known.learned("furan").values["left_out"] == {"other catalyst": 20}


def test_a_key_that_continues_another_inherits_its_checks_with_a_wider_range(
    known: Shop, content: dict[str, Any]
) -> None:
    """By hand: 10 % where nothing is stated is 0.0953 of ln(time) more, as variances add; 30 % is 0.262."""
    before = asked(known)
    revised(known, content, lambda later: new_acid(later, continues="acid", strength_pct=65))
    after = asked(known)
    assert span(after).mid == pytest.approx(span(before).mid, rel=0.01)
    assert known.learned("furan").values["checks"] == 20
    grown = (math.log(width(after)) ** 2 - math.log(width(before)) ** 2) / (2 * 1.2816) ** 2
    # the range is that of a mixture, near a normal: hence the tolerance
    assert grown == pytest.approx(math.log(1.1) ** 2, rel=0.15)
    (text,) = [flag.text for flag in after.flags if flag.code == "checks_inherited"]
    assert text.startswith("20 checks of Furan were made with the material that the one now in use continues")
    check(known, "2025-03-02 12:00", 40, 44)
    assert width(asked(known)) < width(after)


def test_another_resin_is_another_binder(known: Shop, content: dict[str, Any]) -> None:
    """A new key of the resin is told like one of the acid: checks with the old one are not silently used."""

    def new_resin(later: dict[str, Any], **more: Any) -> None:
        later["materials"]["resin_2"] = {"kind": "resin", "density_kg_m3": 1200, **more}
        later["places"]["tank_resin_f"]["material"] = "resin_2"
        later["binder_systems"]["furan"]["resin"] = "resin_2"

    revised(known, content, new_resin)
    assert known.learned("furan").values["left_out"] == {"other resin": 20}
    assert "checks_of_other_material" in codes(asked(known))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"continues": "acid_9"}, "acid_9 is not among the materials"),
        ({"continues": "acid_2"}, "is the material itself"),
        ({"continues_spread_pct": 20}, "says how far it differs from none"),
    ],
)
def test_a_key_that_continues_nothing_is_refused(
    make_shop: Make, content: dict[str, Any], more: dict[str, Any], words: str
) -> None:
    """It names a material of the set-up, another one, and a spread needs one."""
    new_acid(content, **more)
    with pytest.raises(InputErrors) as refused:
        make_shop(content)
    assert words.split()[-1] in str(refused.value)


# -- lots of the catalyst and the hardener --------------------------------------------------------------------------


def filled(shop: Shop, place: str, lot: str, at: str = "2025-02-01 07:00", kg: float = 900) -> None:
    """Record a delivery of a lot."""
    shop.log("delivery", {"at": at, "place": place, "mass_kg": kg, "lot": lot}, sender="ida", id=f"{lot}-{at}")


def test_a_new_lot_of_acid_counts_as_one_of_resin_does(shop: Shop) -> None:
    """Checked with R1 and A1; acid A2 comes: wider and said so, until it is checked itself."""
    for day in range(1, 21):
        check(shop, day, 40, 44, lot="R1", catalyst_lot="A1")
    filled(shop, "tank_resin_f", "R1")
    filled(shop, "tank_acid", "A1")
    known = asked(shop)
    assert (known.values["resin_lot"], known.values["curing_lots"]) == ("R1", {"catalyst": "A1"})
    assert "lot_not_checked" not in codes(known)
    filled(shop, "tank_acid", "A2", "2025-03-02 07:00", 950)
    new = asked(shop)
    assert new.values["curing_lots"] == {"catalyst": "A2"}
    (text,) = [flag.text for flag in new.flags if flag.code == "lot_not_checked"]
    assert text.startswith("no check was made yet of lot A2 of Acid: ")
    assert width(new) > width(known)
    for minute in range(3):
        check(shop, f"2025-03-02 12:{minute:02}", 40, 44, lot="R1", catalyst_lot="A2")
    checked = asked(shop)
    assert "lot_not_checked" not in codes(checked)
    assert width(checked) < width(new)


def test_a_check_has_the_lots_of_its_mix(shop: Shop) -> None:
    """The mix drew A1 with R1; the check names neither, and A2 in the tank is new to it."""
    drawn = [("silo_new", 100, None), ("tank_resin_f", 1, "R1"), ("tank_acid", 0.35, "A1")]
    streams = [{"place": place, "mass_kg": kg} | ({"lot": lot} if lot else {}) for place, kg, lot in drawn]
    made = {"at": "2025-02-10 10:00", "mixer": "m1", "binder_system": "furan", "moulds": ["7"], "sand_temp_c": 20}
    shop.log("mix", made | {"streams": streams}, sender="m1", id="x7")
    check(shop, 10, 40, 44, mould="7")
    filled(shop, "tank_resin_f", "R1")
    filled(shop, "tank_acid", "A2")
    assert [flag.subject for flag in asked(shop).flags if flag.code == "lot_not_checked"] == ["A2"]


def test_lots_that_no_check_tells_change_nothing(shop: Shop) -> None:
    """Checks tell the resin's lot alone: whatever the acid's is, the range is that of the resin's lot."""
    for day in range(1, 21):
        check(shop, day, 40, 44, lot="R1")
    filled(shop, "tank_resin_f", "R1")
    before = asked(shop)
    filled(shop, "tank_acid", "A1")
    after = asked(shop)
    assert span(after) == span(before)
    assert "lot_not_checked" not in codes(after)


def test_a_new_lot_of_an_ester_counts_too(shop: Shop) -> None:
    """One grade's lot is new, the other's is known: said of the new one; a grade that was not drawn tells nothing."""
    for day in range(1, 11):
        fast = day % 2
        drawn = [("silo_new", 50, None), ("silo_e", 50, None), ("tank_resin_e", 1.6, "R1"), ("tank_slow", 0.4, "S1")]
        drawn += [("tank_fast", 0.2, "F1")] if fast else []
        streams = [{"place": place, "mass_kg": kg} | ({"lot": lot} if lot else {}) for place, kg, lot in drawn]
        made = {"at": f"2025-02-{day:02} 10:00", "mixer": "m1", "binder_system": "ester", "moulds": [f"{day}"]}
        shop.log("mix", made | {"sand_temp_c": 20, "streams": streams}, sender="m1", id=f"x{day}")
        time = 50 * math.exp(-1.4 * (fast / 3 - 0.5))
        check(shop, day, time - 3, time + 3, mould=f"{day}", binder_system=None, catalyst_pct=None)
    for place, lot in (("tank_resin_e", "R1"), ("tank_slow", "S1"), ("tank_fast", "F1")):
        filled(shop, place, lot)
    known = shop.setting("m1", "ester", 20, fast_share=0.3)
    assert "lot_not_checked" not in codes(known)
    filled(shop, "tank_fast", "F2", "2025-03-02 07:00", 950)
    new = shop.setting("m1", "ester", 20, fast_share=0.3)
    assert [flag.subject for flag in new.flags if flag.code == "lot_not_checked"] == ["F2"]
    assert width(new) > width(known)
