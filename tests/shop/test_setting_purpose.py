"""Facing, backing and core mixes with settings of their own, in every answer that can be asked for a purpose."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.report import answers
from sandtrack.report.text import Names

from .reading import basis_of, codes, text_of
from .test_setting import Z80, chance_by_hand, ester_by_hand, furan_by_hand

Make = Callable[[dict[str, Any]], Shop]


@pytest.fixture
def purposes(make_shop: Make, content: dict[str, Any]) -> Shop:
    """The small shop: 60 % reclaimed sand and more resin at the face, cores by 40 min, slow ester for backing."""
    content["binder_systems"]["furan"] |= {
        "facing": {"resin_pct": 1.1, "reclaimed_share": 0.6},
        "core": {"usual_strip_min": 40, "catalyst_window_pct": [30, 55], "sand_window_c": [18, 22]},
    }
    content["binder_systems"]["ester"]["backing"] = {"catalyst_pct": 20, "fast_share": 0.1, "usual_strip_min": 200}
    return make_shop(content)


def test_facing_has_its_own_sand_and_resin(purposes: Shop) -> None:
    """1.1 % of 150 kg/min is 1.65 kg/min resin, 60 % of it 90 kg/min reclaimed; acid is per resin, so as before."""
    answer = purposes.setting("m1", "furan", 20, purpose="facing", box_sand_kg=300)
    assert (answer.values["resin_pct"], answer.values["catalyst_pct"]) == (1.1, 39.8)
    assert answer.values["flows_kg_min"] == pytest.approx(
        {"new_sand": 60, "reclaimed_sand": 90, "resin": 1.65, "catalyst": 0.6567}
    )
    assert answer.values["masses_kg"] == pytest.approx(
        {"new_sand": 120, "reclaimed_sand": 180, "resin": 3.3, "catalyst": 1.3134}
    )
    assert basis_of(answer, "settings of facing") == (
        "resin_pct 1.1, reclaimed_share 0.6; the rest is the system's",
        "set-up",
    )
    assert not {"purpose_not_said", "purpose_by_system"} & codes(answer)


def test_core_has_its_own_strip_time_and_windows(purposes: Shop) -> None:
    """40 min with 80 % at 20 °C takes 53.5 % acid by hand, inside the cores' 30 to 55 % and outside the system's."""
    wanted = next(pct / 10 for pct in range(300, 551) if chance_by_hand(*furan_by_hand(20, pct / 10), 40) >= 0.8)
    assert wanted == 53.5
    answer = purposes.setting("m1", "furan", 20, purpose="core")
    assert (answer.values["catalyst_pct"], answer.values["wanted_strip_min"]) == (wanted, 40)
    assert basis_of(answer, "wanted strip time") == ("40 min, usual for core", "set-up")
    assert [one.source for one in answer.basis if one.what == "window of acid"] == ["core.catalyst_window_pct"]
    refused = purposes.setting("m1", "furan", 20, purpose="core", catalyst_pct=25)
    assert "outside the window of 30 to 55 % of resin as delivered (the shop's own)" in refused.because
    assert "sand_below_window" in codes(purposes.setting("m1", "furan", 17, purpose="core"))
    assert "sand_below_window" not in codes(purposes.setting("m1", "furan", 17, purpose="facing"))
    whole = purposes.setting("m1", "furan", 20, strip_time_min=40)
    assert not whole.possible
    assert whole.values["nearest"]["catalyst_pct"] == 50


def test_a_strip_time_said_or_on_the_card_goes_first(purposes: Shop, content: dict[str, Any]) -> None:
    """The purpose's own stands in for the system's alone."""
    assert purposes.setting("m1", "ester", 20, purpose="backing").values["wanted_strip_min"] == 200
    carded = purposes.setting("m1", "ester", 20, purpose="backing", pattern="p2")
    assert carded.values["wanted_strip_min"] == content["patterns"]["p2"]["usual_strip_min"] == 120
    said = purposes.setting("m1", "ester", 20, purpose="backing", pattern="p2", strip_time_min=90)
    assert said.values["wanted_strip_min"] == 90


def test_backing_has_its_own_amount_of_ester(purposes: Shop) -> None:
    """20 % of 2.4 kg/min resin is 0.48 kg/min of both grades; the share is by the strip time, as for the system."""
    answer = purposes.setting("m1", "ester", 20, purpose="backing")
    share = next(pct / 100 for pct in range(0, 101, 5) if chance_by_hand(*ester_by_hand(20, pct / 100), 200) >= 0.8)
    assert (answer.values["catalyst_pct"], answer.values["fast_share"]) == (20, share)
    flows = answer.values["flows_kg_min"]
    assert flows["slow"] + flows.get("fast", 0) == pytest.approx(0.48)
    assert ("20 % of resin as delivered", "set-up") in [(one.value, one.tag) for one in answer.basis]


def test_a_purpose_without_its_own_says_so(purposes: Shop) -> None:
    """Backing of furan goes by the system's settings; whole moulds do without a word."""
    answer, whole = (purposes.setting("m1", "furan", 20, purpose=purpose) for purpose in ("backing", "whole"))
    assert answer.values["flows_kg_min"] == whole.values["flows_kg_min"]
    assert text_of(answer, "purpose_by_system") == (
        "no settings of backing mixes are stated for Furan: these are the system's"
    )
    assert basis_of(answer, "settings of backing") == ("the system's: none are stated for this purpose", "set-up")
    assert not {"purpose_not_said", "purpose_by_system"} & codes(whole)


def test_a_question_without_a_purpose_names_those_with_their_own(purposes: Shop) -> None:
    """It is answered for the whole mould; the brief says it below its rows, once for each binder system."""
    answer = purposes.setting("m1", "furan", 20)
    assert (answer.values["resin_pct"], answer.values["purposes_apart"]) == (1.0, ["facing", "core"])
    assert text_of(answer, "purpose_not_said") == (
        "facing and core mixes of Furan have settings of their own: ask with the purpose; these are the whole mould's"
    )
    page = " ".join(answers.text(purposes.brief(), Names(purposes.plant())).split())
    told = "besides facing and core of furan; backing of ester: settings of their own, asked for with the purpose"
    assert page.count(told) == 1


def test_a_shop_without_such_tables_is_not_asked_for_a_purpose(shop: Shop) -> None:
    """No purpose is missed where none has settings of its own."""
    answer = shop.setting("m1", "furan", 20)
    assert "purpose_not_said" not in codes(answer)
    assert "purposes_apart" not in answer.values
    assert "besides" not in answers.text(shop.brief(), Names(shop.plant()))


def test_the_silos_are_blended_by_the_share_of_the_purpose(purposes: Shop) -> None:
    """0 °C and 20 °C sand at 60 % reclaimed come near 12 °C, at the system's 80 % near 16 °C (by mass; derived)."""
    for place, value in (("silo_new", 0), ("silo_f", 20)):
        what = {"at": "2025-03-03 07:30", "what": "place", "place": place, "value_c": value}
        purposes.log("temperature", what, sender="vera")
    facing, whole = (purposes.setting("m1", "furan", purpose=purpose) for purpose in ("facing", "whole"))
    assert facing.values["sand_temp_c"] == pytest.approx(12, abs=0.2)
    assert whole.values["sand_temp_c"] == pytest.approx(16, abs=0.2)


def test_a_table_is_made_and_issued_for_each_purpose(purposes: Shop) -> None:
    """Its rows are the purpose's own; one for another purpose does not put it out of date."""
    span = {"lowest_c": 18, "highest_c": 22}
    rows = purposes.table("m1", "furan", purpose="facing", **span).values["rows"]
    assert [row["resin_pct"] for row in rows] == [1.1, 1.1, 1.1]
    for purpose in ("facing", "core", None, "facing"):
        purposes.issue_table("m1", "furan", by="vera", purpose=purpose, **span)
    kept = purposes.tables().values["tables"]
    assert [(one["number"], one.get("purpose"), one["state"]) for one in kept] == [
        (4, "facing", "valid"),
        (3, None, "valid"),
        (2, "core", "valid"),
        (1, "facing", "superseded"),
    ]
    assert "resin_pct 1.1, reclaimed_share 0.6" in "".join(kept[0]["basis"])
    page = answers.text(purposes.tables(), Names(purposes.plant()))
    assert [line.split()[3:5] for line in page.splitlines()[1:5]] == [
        ["Furan,", "facing"],
        ["Furan", "2025-03-03"],
        ["Furan,", "core"],
        ["Furan,", "facing"],
    ]


def test_a_stopped_fill_goes_by_the_last_mix_of_its_purpose(purposes: Shop) -> None:
    """Without one by the usual setting of the purpose; a question without a purpose takes the last mix of any."""

    def stopped(**asked: Any) -> float:
        answer = purposes.stopped("m1", "ester", 20, 1, **asked)
        assert answer.values.get("purpose") == asked.get("purpose")
        share: float = answer.values["fast_share"]
        return share

    assert stopped(purpose="backing") == 0.1
    assert stopped() == stopped(purpose="facing") == 0.5
    drawn = {"silo_new": 150, "silo_e": 150, "tank_resin_e": 4.8, "tank_slow": 0.3, "tank_fast": 0.9}
    mixed = {
        "at": "2025-03-03 07:50",
        "mixer": "m1",
        "binder_system": "ester",
        "purpose": "facing",
        "moulds": ["1"],
        "streams": [{"place": place, "mass_kg": kg} for place, kg in drawn.items()],
    }
    purposes.log("mix", mixed, sender="m1", id="a")
    assert stopped() == stopped(purpose="facing") == 0.75
    assert stopped(purpose="backing") == 0.1
    with pytest.raises(InputErrors, match="purpose: 'lid' is not known; accepted: facing, backing, core, whole"):
        stopped(purpose="lid")


def test_acid_demand_is_that_of_the_purposes_sand(purposes: Shop) -> None:
    """10 ml of new sand and 0 of reclaimed blend to 4 ml at the face, to 2 ml in the whole.

    1 ml takes 0.344 g of acid a kg of sand, 0.530 g of a 65 % solution: 4 ml is 2.12 g on 11 g of resin, 2 ml is 1.06 g
    on 10 g (derived).
    """
    for place, value in (("silo_new", 10), ("silo_f", 0)):
        test = {"at": "2025-03-01 08:00", "test": "acid_demand", "results": {"acid_demand_ml": value}}
        purposes.log("sand_test", test | {"sample": {"place": place}}, sender="lab")
    for purpose, blend, pct in (("facing", 4, 2.12 / 11), ("whole", 2, 1.06 / 10)):
        told = text_of(purposes.setting("m1", "furan", 20, purpose=purpose), "acid_demand")
        assert f"acid demand, {blend:.1f} ml" in told
        assert f"could take up to {100 * pct:.0f} % of resin" in told


def most_kg(acid_pct: float, kg_min: float) -> float:
    """What is filled within 75 % of the low end of the work time, half the strip time's, at 20 °C by hand."""
    middle, sd = furan_by_hand(20, acid_pct)
    return 0.75 * 0.5 * middle * math.exp(-Z80 * sd) * kg_min


def test_a_split_fill_goes_by_the_settings_of_facing_and_backing(make_shop: Make, content: dict[str, Any]) -> None:
    """1200 kg take 20 min on the small mixer: each part at its own setting, the most it may hold worked out by hand."""
    own = {"resin_pct": 1.1, "reclaimed_share": 0.6, "catalyst_pct": 45, "catalyst_window_pct": [42, 50]}
    content["binder_systems"]["furan"]["facing"] = own
    answer = make_shop(content).setting("m2", "furan", 20, box_sand_kg=1200)
    assert not answer.possible
    facing, backing = most_kg(42, 60), most_kg(39.8, 60)
    assert answer.instead[-1] == (
        f"split the fill, the facing first: facing at 42 % acid with 1.1 % resin, 60 % reclaimed sand, at most "
        f"{math.floor(facing)} kg at a time; backing at 39.8 % acid with 1 % resin, 80 % reclaimed sand, at most "
        f"{math.floor(backing)} kg at a time; ram each within its own work time, and join the next while its surface "
        f"is live, within {math.floor(10 * facing / 60 / 0.75) / 10} min of its last sand"
    )
    alone = make_shop(content).setting("m2", "furan", 20, box_sand_kg=1200, purpose="facing")
    told = f"split the fill: at most {math.floor(facing)} kg at a time, 4 parts, the facing first; ram"
    assert any(way.startswith(told) for way in alone.instead)


def test_a_part_that_strips_too_late_is_told(make_shop: Make, content: dict[str, Any]) -> None:
    """Facing held to 25 to 30 % acid, which strips by 60 min with less than 80 % chance: 30 % comes nearest."""
    content["binder_systems"]["furan"]["facing"] = {"catalyst_pct": 28, "catalyst_window_pct": [25, 30]}
    assert chance_by_hand(*furan_by_hand(20, 30), 60) < 0.8
    answer = make_shop(content).setting("m2", "furan", 20, box_sand_kg=1200)
    assert "the facing first: facing at 30 % acid, which strips too late, with 1 % resin" in answer.instead[-1]
    assert "; backing at 39.8 % acid with 1 % resin" in answer.instead[-1]
