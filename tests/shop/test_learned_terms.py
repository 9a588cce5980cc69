"""What the shop itself says of its strip checks: how fast they fade, by which definition and on which gauge."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors

from .conftest import check
from .reading import basis_of

Make = Callable[[dict[str, Any]], Shop]


# -- half-life ------------------------------------------------------------------------------------------------------


def test_half_life_is_the_shops_own(make_shop: Make, content: dict[str, Any]) -> None:
    """A check of 21 days counts 2^(-21/120) by default and half with 21 days stated; each is told with its basis."""
    by_default = make_shop(content)
    content["binder_systems"]["furan"]["half_life_days"] = 21
    own = make_shop(content)
    for shop in (by_default, own):
        check(shop, 10, 60, 65)
    answers = [shop.learned("furan") for shop in (by_default, own)]
    assert [answer.values["worth"] for answer in answers] == pytest.approx([2 ** (-21 / 120), 0.5])
    assert basis_of(answers[0], "what a check counts") == ("half after 120 days", "default")
    assert basis_of(answers[1], "what a check counts") == ("half after 21 days", "set-up")
    settings = [shop.setting("m1", "furan", 20, catalyst_pct=35) for shop in (by_default, own)]
    # the check says 60 min and more, the reference 45: worth less, it draws less
    assert settings[1].values["strip_time_min"] < settings[0].values["strip_time_min"]
    assert basis_of(settings[1], "what a check counts") == ("half after 21 days", "set-up")


def test_old_checks_count_where_the_half_life_is_long(make_shop: Make, content: dict[str, Any], clock: Any) -> None:
    """Six years on a check is forgotten by default; with a half-life of 3,650 days it counts 2^(-2,212/3,650)."""
    by_default = make_shop(content)
    content["binder_systems"]["furan"]["half_life_days"] = 3650
    own = make_shop(content)
    for shop in (by_default, own):
        check(shop, 10, 60, 65)
    clock.set("2031-03-03 08:00")  # 6 · 365 + 1 leap day + 21 days
    assert by_default.learned("furan").values["checks"] == 0
    assert own.learned("furan").values["worth"] == pytest.approx(2 ** (-2212 / 3650))


# -- definition -----------------------------------------------------------------------------------------------------


def test_another_definition_has_a_law_of_its_own(shop: Shop) -> None:
    """Twelve checks by a gauge round 82 min and one by hand round 42: each law knows its own checks alone."""
    for day in range(1, 13):
        check(shop, day, 80, 84, definition="hardness")
    check(shop, 20, 40, 44)
    by_hand, by_gauge = shop.learned("furan"), shop.learned("furan", definition="hardness")
    assert by_hand == shop.learned("furan", definition="hand")
    assert (by_hand.values["definition"], by_hand.values["checks"]) == ("hand", 1)
    assert by_hand.values["left_out"] == {"by hardness": 12}
    assert (by_gauge.values["definition"], by_gauge.values["checks"]) == ("hardness", 12)
    assert by_gauge.values["left_out"] == {"by hand": 1}
    assert by_hand.values["strip_time_min"] == pytest.approx(42, rel=0.05)
    assert by_gauge.values["strip_time_min"] == pytest.approx(82, rel=0.03)
    assert basis_of(by_gauge, "strip times")[0].startswith("learned from 12 checks by a hardness gauge up to 12 Feb")
    assert basis_of(by_gauge, "starting belief") == (
        "the reference, judged by hand: a guess, its variance doubled for that",
        "practice",
    )
    assert "starting belief" not in {entry.what for entry in by_hand.basis}
    setting = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert setting.values["strip_time_min"] == pytest.approx(by_hand.values["strip_time_min"], rel=0.03)


def test_a_check_of_another_definition_is_believed_more_than_the_reference(shop: Shop) -> None:
    """A check at 90 min draws the law further from the reference's 45 where the reference is of another definition."""
    for definition in ("hand", "strength"):
        check(shop, 20, 90, 90, definition=definition)
    by_hand, by_strength = (
        shop.learned("furan", definition=definition).values["strip_time_min"] for definition in ("hand", "strength")
    )
    assert 45 < by_hand < by_strength < 90


def test_a_definition_without_checks_is_a_no(shop: Shop) -> None:
    """Nothing is told of a definition that no check is by; one that does not exist is a wrong question."""
    answer = shop.learned("furan", definition="strength")
    assert not answer.possible
    assert answer.because == "no check of Furan that can be used judged strip by strength"
    assert answer.instead == ("record such checks, or ask for the definition of the reference: hand",)
    with pytest.raises(InputErrors, match="late_moulding_loss"):
        shop.learned("furan", definition="nose")


# -- gauge ----------------------------------------------------------------------------------------------------------


def by_gauge(content: dict[str, Any], **said: Any) -> dict[str, Any]:
    """The set-up with a reference judged by a hardness gauge."""
    content["binder_systems"]["furan"]["reference"] |= {"definition": "hardness", **said}
    return content


def test_another_reading_or_scale_is_never_mixed_in(make_shop: Make, content: dict[str, Any]) -> None:
    """The reference counts 90 on the B scale: 85 and another scale are left out, what says nothing else counts."""
    shop = make_shop(by_gauge(content, reading=90, scale="B"))
    for day, said in enumerate(({"reading": 90, "scale": "b"}, {"reading": 90}, {"scale": "B"}, {}), start=1):
        check(shop, day, 40, 44, definition="hardness", **said)
    check(shop, 5, 30, 34, definition="hardness", reading=85, scale="B")
    check(shop, 6, 50, 54, definition="hardness", reading=90, scale="C")
    answer = shop.learned("furan")
    assert (answer.values["checks"], answer.values["reading"], answer.values["scale"]) == (4, 90, "B")
    assert answer.values["left_out"] == {"by hardness (85 B)": 1, "by hardness (90 C)": 1}
    assert basis_of(answer, "strip times")[0].startswith("learned from 4 checks by a hardness gauge (90 B) up to 4 Feb")
    setting = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert (
        basis_of(setting, "reference")[0]
        == "45 min at 20 °C and 35 % of resin as delivered, by a hardness gauge (90 B)"
    )


def test_a_gauge_that_only_the_checks_name_is_that_of_most(make_shop: Make, content: dict[str, Any]) -> None:
    """A reference that names no reading goes by the one of most checks, whatever came first, and mixes in no other."""
    shop = make_shop(by_gauge(content))
    check(shop, 1, 30, 34, definition="hardness", reading=85)
    for day in (2, 3):
        check(shop, day, 40, 44, definition="hardness", reading=90, scale="B")
    check(shop, 4, 40, 44, definition="hardness")
    answer = shop.learned("furan")
    assert (answer.values["checks"], answer.values["reading"], answer.values["scale"]) == (3, 90, "B")
    assert answer.values["left_out"] == {"by hardness (85)": 1}


def test_no_check_on_the_gauge_of_the_reference(make_shop: Make, content: dict[str, Any]) -> None:
    """Where every check went by another reading the belief holds, and the setting says why."""
    shop = make_shop(by_gauge(content, reading=90))
    check(shop, 1, 30, 34, definition="hardness", reading=85)
    answer = shop.setting("m1", "furan", 20, catalyst_pct=35)
    assert answer.values["strip_time_min"] == pytest.approx(45)
    (text,) = [flag.text for flag in answer.flags if flag.code == "other_definition"]
    assert text == (
        "1 check of Furan judged strip by a hardness gauge (85), its reference by a hardness gauge (90): definitions "
        "are never mixed, so none of them is used; judge as the reference does, or correct it"
    )
