"""What is looked at before a mixer is set: blocked stock, old lots, other sand, wet sand, gaps."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.shop import Answer

from .reading import codes, text_of

Make = Callable[[dict[str, Any]], Shop]


def furan(shop: Shop, **asked: Any) -> Answer:
    """The setting of furan on the large mixer at 20 °C."""
    return shop.setting("m1", "furan", 20, **asked)


def deliver(shop: Shop, place: str, at: str, mass_kg: float, **said: Any) -> None:
    """Record a delivery."""
    shop.log("delivery", {"at": at, "place": place, "mass_kg": mass_kg, **said}, sender="ida")


def test_nothing_to_look_at(shop: Shop) -> None:
    """A shop in order, its pumps caught below and above what is to be set, has no flags."""
    for stream, setting, mass_g in (
        ("resin", 30, 600),
        ("resin", 90, 1800),
        ("catalyst", 20, 200),
        ("catalyst", 80, 800),
    ):
        catches = [{"seconds": 60, "mass_g": mass_g}] * 2
        caught = {"mixer": "m1", "stream": stream, "setting": setting, "catches": catches, "at": "2025-03-03 07:00"}
        shop.log("calibration", caught, sender="sonja")
    assert furan(shop).flags == ()


# -- blocked --------------------------------------------------------------------------------------------------------


def test_held_place_gives_no_set_points_until_released(shop: Shop) -> None:
    """A held tank that the mixer draws from blocks its advice, with the reason; the release lifts it."""
    shop.log("hold", {"at": "2025-03-03 07:00", "place": "tank_acid", "reason": "smells odd"}, sender="ida", id="h1")
    answer = furan(shop)
    assert not answer.possible
    assert answer.because == ("Acid tank is blocked since 3 Mar 2025 07:00: held: smells odd (hold h1)")
    assert answer.because == text_of(answer, "held")
    assert answer.instead == ("have it released by a competent person", "draw from another place")
    assert "held" in {caution.code for caution in answer.cautions}
    assert "flows_kg_min" not in answer.values
    assert "nearest" not in answer.values
    assert shop.setting("m1", "ester", 20).possible, "the ester system does not draw from it"
    shop.log("release", {"at": "2025-03-03 07:30", "place": "tank_acid", "reason": "smelled right"}, sender="ida")
    assert furan(shop).possible


def test_wrong_material_in_a_tank_blocks_with_its_caution(shop: Shop) -> None:
    """Resin delivered into the acid tank: no set-points, and what not to do with it."""
    deliver(shop, "tank_acid", "2025-03-03 07:00", 100, material="resin_f")
    answer = furan(shop)
    assert not answer.possible
    assert "Furan resin was put into it, which is set up for Acid" in text_of(answer, "wrong_material")
    given = {caution.code for caution in answer.cautions}
    assert "wrong_material" in given
    assert "held" not in given, "a wrong material is not first to be released"
    assert not any("released" in way for way in answer.instead)


def test_held_lot_blocks_where_stock_can_be_of_it(shop: Shop) -> None:
    """A lot counts as long as stock is left that it may be of: first in, first out."""
    deliver(shop, "tank_resin_f", "2025-02-03 07:00", 100, lot="R1")
    deliver(shop, "tank_resin_f", "2025-02-20 07:00", 100, lot="R2")
    shop.log("hold", {"at": "2025-03-01 07:00", "lot": "R1", "reason": "too thick"}, sender="ida", id="h1")
    answer = furan(shop)
    assert not answer.possible
    assert answer.because == (
        "lot R1 is blocked since 1 Mar 2025 07:00: held: too thick (hold h1); Furan resin tank can hold it"
    )
    shop.log("count", {"at": "2025-03-02 07:00", "place": "tank_resin_f", "mass_kg": 90}, sender="ida")
    assert furan(shop).possible, "90 kg left are of the 100 kg that came last"


# -- lots -----------------------------------------------------------------------------------------------------------


def test_resin_past_its_day_is_flagged(shop: Shop) -> None:
    """By the day on the delivery; on that day itself it is still good."""
    deliver(shop, "tank_resin_f", "2025-02-03 07:00", 100, lot="R1", use_by="2025-03-02")
    answer = furan(shop)
    assert answer.possible
    assert text_of(answer, "past_use_by") == (
        "Furan resin, lot R1 in Furan resin tank was to be used by 2025-03-02: test it, or change it"
    )
    assert "past_use_by" not in codes(furan(shop, at="2025-03-02 08:00"))


def test_deliveries_that_tell_nothing_of_the_lots_are_not_read(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Transfers into moulds, and resin that came before what is there now, stay unread, though a silo never fills."""
    deliver(shop, "tank_resin_f", "2025-01-03 07:00", 100, lot="R0")
    deliver(shop, "tank_resin_f", "2025-02-03 07:00", 100, lot="R1")
    shop.log("count", {"at": "2025-02-04 07:00", "place": "tank_resin_f", "mass_kg": 90}, sender="ida")
    for day in range(1, 20):
        moved = {"at": f"2025-02-{day:02} 07:00", "source": "silo_f", "mould": "1", "mass_kg": 50}
        shop.log("transfer", moved, sender="ida")
    read: list[str] = []
    check = shop.ledger.forms.require

    def counted(kind: str, content: Any) -> Any:
        read.append(kind)
        return check(kind, content)

    monkeypatch.setattr(shop.ledger.forms, "require", counted)
    assert furan(shop).values["resin_lot"] == "R1"
    assert (read.count("delivery"), read.count("transfer")) == (1, 0)


def test_day_of_making_and_shelf_life_give_the_last_day(make_shop: Make, content: dict[str, Any]) -> None:
    """Made on 1 January, keeps 60 days: to be used by 2 March (31 - 1 + 28 + 2 = 60)."""
    content["materials"]["acid"]["shelf_life_days"] = 60
    shop = make_shop(content)
    deliver(shop, "tank_acid", "2025-01-10 07:00", 100, made_on="2025-01-01")
    assert "used by 2025-03-02" in text_of(furan(shop), "past_use_by")
    assert "past_use_by" not in codes(shop.setting("m1", "ester", 20))


# -- sand -----------------------------------------------------------------------------------------------------------


def test_sand_of_another_family_in_the_silo_by_set_up(make_shop: Make, content: dict[str, Any]) -> None:
    """Furan drawing the ester system's reclaimed sand: its alkaline residue kills the cure."""
    content["mixers"]["m1"]["draws"]["furan"]["reclaimed_sand"] = "silo_e"
    answer = furan(make_shop(content))
    assert text_of(answer, "alkaline_sand_in_acid_cure") == (
        "Reclaimed ester sand in Ester silo: Sand from alkaline phenolic, ester-cured under furan, acid-cured: "
        "its alkaline residue kills the acid cure."
    )


def test_sand_of_another_family_in_the_silo_by_the_book(shop: Shop) -> None:
    """Furan sand moved into the ester silo is flagged for the ester system, also once its block was released."""
    deliver(shop, "silo_e", "2025-03-03 06:00", 500, material="reclaimed_f")
    shop.log("release", {"at": "2025-03-03 06:30", "place": "silo_e", "reason": "known"}, sender="ida")
    answer = shop.setting("m1", "ester", 20)
    assert answer.possible
    assert "its acid residue upsets the cure" in text_of(answer, "acid_sand_in_other_cure")


@pytest.mark.parametrize(
    "said",
    [{"results": {"moisture_pct": 0.6}}, {"readings": {"before_g": 50.0, "after_g": 49.7}}],
    ids=["result", "weighings"],
)
def test_wet_sand_by_its_test(make_shop: Make, content: dict[str, Any], said: dict[str, Any]) -> None:
    """0.6 % by the laboratory, or (50.0 - 49.7) / 50.0, above the sand's own limit of 0.3 %: only with a test piece."""
    content["binder_systems"]["furan"]["moisture_limit_pct"] = 0.5
    content["materials"]["new_sand"]["limits"] = {"moisture_pct": {"max": 0.3}}
    shop = make_shop(content)
    sample = {"place": "silo_new"}
    shop.log(
        "sand_test",
        {"at": "2025-03-01 09:00", "test": "moisture", "sample": sample, **said},
        sender="sonja",
        id="t1",
    )
    assert text_of(furan(shop), "sand_wet") == (
        "New sand silo (test t1 of 2025-03-01): sand with 0.6 % moisture is too wet for furan, acid-cured (at most "
        "0.3 % of sand, the shop's own): hold it and dry it"
    )
    assert (furan(shop).verdict, furan(shop).possible) == ("test_piece", False)
    dry = {"at": "2025-03-02 09:00", "test": "moisture", "sample": sample, "results": {"moisture_pct": 0.1}}
    shop.log("sand_test", dry, sender="sonja")
    assert "sand_wet" not in codes(furan(shop)), "the newest test of a place counts"


def wet(shop: Shop, place: str, moisture_pct: float, at: str = "2025-03-01 09:00") -> None:
    """Record a moisture test."""
    test = {"at": at, "test": "moisture", "sample": {"place": place}, "results": {"moisture_pct": moisture_pct}}
    shop.log("sand_test", test, sender="sonja")


@pytest.mark.parametrize("system", ["furan", "ester"])
def test_very_wet_sand_is_a_no_by_the_family_s_own_limit(shop: Shop, system: str) -> None:
    """5 % in each silo, with no limit in the set-up: no setting at all, and what to do about the sand."""
    for place in ("silo_new", "silo_f", "silo_e"):
        wet(shop, place, 5)
    answer = shop.setting("m1", system, 20)
    assert (answer.possible, answer.verdict) == (False, "no")
    assert "sand_very_wet" in codes(answer)
    assert answer.instead == ("dry the sand, and test its moisture again", "draw from another place")
    assert "nearest" not in answer.values
    assert not shop.table("m1", system, lowest_c=18, highest_c=22).possible


def test_the_blend_and_each_silo_are_judged(shop: Shop) -> None:
    """0.25 and 0.25 % are wet, each raised once; 0.5 in a fifth of the sand is 0.116 drawn, yet that silo is wet."""
    wet(shop, "silo_new", 0.25)
    wet(shop, "silo_f", 0.25)
    assert [flag.subject for flag in furan(shop).flags if flag.code == "sand_wet"] == ["silo_f", "silo_new"]
    wet(shop, "silo_new", 0.5, at="2025-03-02 09:00")
    wet(shop, "silo_f", 0.02, at="2025-03-02 09:00")
    assert [flag.subject for flag in furan(shop).flags if flag.code == "sand_wet"] == ["silo_new"]
    assert furan(shop).verdict == "test_piece"


def test_a_system_s_own_moisture_limit_goes_before_the_family_s(make_shop: Make, content: dict[str, Any]) -> None:
    """0.4 % where the data sheet allows 0.5: dry enough, and the basis says whose limit that is."""
    content["binder_systems"]["furan"]["moisture_limit_pct"] = 0.5
    shop = make_shop(content)
    wet(shop, "silo_new", 0.4)
    answer = furan(shop)
    assert answer.possible
    assert [(one.value, one.tag) for one in answer.basis if one.what == "limit of moisture"] == [
        ("at most 0.5 % of sand; the shop's own is in force", "set-up")
    ]


def test_an_old_moisture_test_is_no_proof(shop: Shop) -> None:
    """Wet eleven days ago: no proof by now, so a test piece until it is tested again; the age is said, dry or wet."""
    wet(shop, "silo_new", 5, at="2025-02-20 09:00")
    wet(shop, "silo_f", 0.1, at="2025-02-20 09:00")
    answer = furan(shop)
    assert (answer.verdict, "sand_very_wet" in codes(answer)) == ("test_piece", False)
    assert "that was 10 days ago, so test it again" in text_of(answer, "wet_test_old")
    values = [one.value for one in answer.basis if one.what == "moisture of the sand"]
    assert values == [
        "Furan silo: 0.1 %, tested 10 days ago; older than 7 days, so no proof",
        "New sand silo: 5 %, tested 10 days ago; older than 7 days, so no proof",
    ]
    wet(shop, "silo_new", 0.1, at="2025-03-02 09:00")
    assert furan(shop).verdict == "yes"


def test_sand_that_was_never_tested_is_not_called_dry(shop: Shop) -> None:
    """No test: the basis says so, as a default."""
    values = [(one.value, one.tag) for one in furan(shop).basis if one.what == "moisture of the sand"]
    assert values[0] == ("Furan silo: not tested in the last 60 days, so not known to be dry", "default")


def test_moisture_limit_of_the_family(make_shop: Make, content: dict[str, Any]) -> None:
    """Silicate takes 0.5 % at most, with or without a limit of the shop."""
    content["binder_systems"]["ester"]["family"] = "silicate_ester"
    content["binder_systems"]["ester"] |= {"resin_pct": 3.0, "catalyst_pct": 10}
    shop = make_shop(content)
    test = {
        "at": "2025-03-01 09:00",
        "test": "moisture",
        "sample": {"place": "silo_e"},
        "results": {"moisture_pct": 0.6},
    }
    shop.log("sand_test", test, sender="sonja")
    assert "too wet for silicate, ester-cured (at most 0.5 % of sand" in text_of(
        shop.setting("m1", "ester", 20), "sand_wet"
    )


# -- gaps in the set-up ---------------------------------------------------------------------------------------------


def test_liquid_without_density_has_no_volume_flow(make_shop: Make, content: dict[str, Any]) -> None:
    """Flagged, and the mass flow stays."""
    del content["materials"]["acid"]["density_kg_m3"]
    answer = furan(make_shop(content))
    assert set(answer.values["flows_ml_min"]) == {"resin"}
    assert answer.values["flows_kg_min"]["catalyst"] > 0
    assert text_of(answer, "density_missing") == (
        "no density of Acid is in the set-up: its flow is given in kg/min only, and a pump delivers volume"
    )


def test_mixer_that_says_nothing_of_what_it_draws(make_shop: Make, content: dict[str, Any]) -> None:
    """What cannot be checked is said."""
    del content["mixers"]["m1"]["draws"]["furan"]
    answer = furan(make_shop(content))
    assert answer.possible
    assert text_of(answer, "draws_unknown") == (
        "the set-up does not say what Large mixer draws Furan from (mixers.m1.draws.furan): blocked stock, lots and "
        "reclaimed sand cannot be checked"
    )


def test_unknown_share_of_reclaimed_sand(make_shop: Make, content: dict[str, Any]) -> None:
    """Two sands drawn and no usual share: one stream of sand, and a flag."""
    del content["binder_systems"]["furan"]["reclaimed_share"]
    answer = furan(make_shop(content))
    assert answer.values["flows_kg_min"]["sand"] == 150
    assert "sand is shown as one stream" in text_of(answer, "reclaimed_share_unknown")


def test_resin_outside_the_familys_window(make_shop: Make, content: dict[str, Any]) -> None:
    """1.5 % resin is outside furan's 0.8 to 1.2 % unless the shop's own window says otherwise."""
    content["binder_systems"]["furan"]["resin_pct"] = 1.5
    assert "resin of 1.5 % is outside the window of 0.8 to 1.2 % of sand" in text_of(
        furan(make_shop(content)), "outside_window"
    )
    content["binder_systems"]["furan"]["resin_window_pct"] = [0.8, 1.6]
    assert "outside_window" not in codes(furan(make_shop(content)))


def test_work_time_by_a_hardness_gauge_overstates(make_shop: Make, content: dict[str, Any]) -> None:
    """Said where such a work time limits a fill, and only there."""
    content["binder_systems"]["furan"]["reference"]["definition"] = "hardness"
    shop = make_shop(content)
    assert "overstates the time to fill" in text_of(furan(shop, box_sand_kg=300), "work_time_overstated")
    assert "work_time_overstated" not in codes(furan(shop))


def test_card_of_another_system(shop: Shop) -> None:
    """A pattern whose card names another binder system is flagged."""
    assert text_of(shop.setting("m1", "furan", 20, pattern="p2"), "pattern_of_other_system") == (
        "the card of this pattern says Ester, not Furan"
    )


def test_facing_takes_less_than_the_box(shop: Shop) -> None:
    """A card's mass is the whole box's: for facing or backing that is said, unless a mass is given."""
    assert "box_of_whole_mould" in codes(furan(shop, pattern="p1", purpose="facing"))
    assert "box_of_whole_mould" not in codes(furan(shop, pattern="p1", purpose="facing", box_sand_kg=50))
    assert "box_of_whole_mould" not in codes(furan(shop, pattern="p1", purpose="whole"))
