"""Cautions: what can hurt, by what is recorded or asked, the binder family and the flag, against lists by hand."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest

import sandtrack
from sandtrack.errors import FieldError
from sandtrack.records import KINDS
from sandtrack.shop import dangers
from sandtrack.shop.cautions import CAUTIONS, SIGNALS
from sandtrack.shop.watch import attention
from sandtrack.trade.advice import crossing_advice
from sandtrack.trade.families import FAMILIES
from sandtrack.trade.recipe import Recipe, outside_windows

# Written by hand from what can hurt where. An event after a dot is one of its kind that handles just that.
ACID, ALKALINE = "acid", "alkaline"
URETHANE = "urethane"
CHEMISTRY = {
    "furan_acid": (ACID, "vapour"),
    "phenolic_acid": (ACID, "vapour"),
    "alkaline_phenolic_ester": (ALKALINE, "vapour"),
    "silicate_ester": (ALKALINE,),
    "phenolic_urethane": (URETHANE, "vapour"),
    "alkyd_urethane": (URETHANE, "vapour"),
}
AT_THE_PUMPS = {
    ACID: {"neat_resin_and_acid", "acid_burns"},
    ALKALINE: {"alkaline_burns", "neat_resin_and_ester"},
    URETHANE: {"isocyanate", "flammable"},
    "vapour": {"vapours"},
}
AT_A_TANK = {**AT_THE_PUMPS, URETHANE: {"isocyanate", "flammable", "isocyanate_and_water"}}
COUPLED = {**AT_A_TANK, ACID: {*AT_THE_PUMPS[ACID], "hand_blending"}}
CHOSEN = {**AT_THE_PUMPS, ACID: {*AT_THE_PUMPS[ACID], "hand_blending"}}
FUMES = {ACID: {"sulphur_dioxide"}}
POURING = {"weight_or_clamp", "damp_explodes", "runout", "pouring_gases"}

# event → (what always can hurt, what more by chemistry)
EVENTS = {
    # kinds of record
    "delivery": (set(), {}),
    "delivery.silo": ({"engulfment", "silo_overfull", "silica"}, {}),
    "delivery.heap": ({"engulfment", "silica"}, {}),
    "delivery.liquid": ({"check_coupling"}, COUPLED),
    "transfer": (set(), {}),
    "transfer.silo": ({"engulfment", "silo_overfull", "silica"}, {}),
    "transfer.heap": ({"engulfment", "silica"}, {}),
    "transfer.liquid": ({"check_coupling"}, COUPLED),
    "mix": (set(), AT_THE_PUMPS),
    "pour": (POURING, FUMES),
    "knock_out": ({"hot_moulds", "pouring_gases", "silica"}, FUMES),
    "mould_scrap": ({"silica"}, {}),
    "castings": (set(), {}),
    "reclaim_run": ({"silica", "used_sand_waste"}, {}),
    "disposal": ({"silica", "used_sand_waste"}, {}),
    "count": (set(), {}),
    "count.silo": ({"engulfment", "work_at_height"}, {}),
    "count.heap": ({"engulfment"}, {}),
    "count.liquid": ({"work_at_height"}, AT_A_TANK),
    "level": ({"work_at_height"}, {}),
    "level.silo": ({"engulfment", "work_at_height"}, {}),
    "level.liquid": ({"work_at_height"}, AT_A_TANK),
    "temperature": (set(), {}),
    "temperature.mixed_sand": ({"screw"}, {}),
    "strip_check": ({"test_then_draw"}, {}),
    "sand_test": (set(), {}),
    "calibration": ({"screw", "catches"}, AT_A_TANK),
    "exposure": (set(), {}),
    "dealt_with": (set(), {}),
    "hold": ({"held"}, {}),
    "release": ({"released_unchecked"}, {}),
    "table_issued": (set(), {}),
    "reversal": (set(), {}),
    "plant": (set(), {}),
    # questions
    "attention": (set(), {}),
    "audit": (set(), {}),
    "balance": (set(), {}),
    "brief": (
        {"engulfment", "silo_overfull", "silica", "test_then_draw", "hot_moulds"},
        {**COUPLED, ACID: {*COUPLED[ACID], "sulphur_dioxide"}},
    ),
    "cover": (set(), {}),
    "head": (set(), {}),
    "learned": ({"test_then_draw"}, {}),
    "moulds": ({"test_then_draw", *POURING}, FUMES),
    "rates": (set(), {}),
    "records": (set(), {}),
    "setting": ({"test_then_draw"}, CHOSEN),
    "stock": ({"engulfment", "silo_overfull"}, {}),
    "stopped": ({"screw", "test_then_draw"}, AT_THE_PUMPS),
    "table": ({"test_then_draw"}, CHOSEN),
    "tables": ({"test_then_draw"}, CHOSEN),
}
FLAGS = {
    "resin_met_acid": {"resin_met_acid"},
    "resin_meets_acid": {"resin_met_acid"},
    "wrong_material": {"wrong_material"},
    "blocked_place_drawn": {"blocked_place"},
    "hold_withdrawn": {"held"},
    "held": {"held"},
    "failed_certificate": {"held"},
    "held_poured": {"poured_in_doubt", "runout"},
    "poured_too_soon": {"poured_in_doubt", "runout"},
    "knocked_out_too_soon": {"metal_still_liquid", "hot_moulds"},
    "exposure_over_limit": {"over_limit"},
    "exposure_not_judged": {"limit_unknown"},
    "poured_unchecked": {"poured_in_doubt", "runout"},
    "poured_twice": {"poured_in_doubt", "runout"},
    "poured_empty": {"poured_in_doubt", "runout"},
    "streams_swapped": {"weak_mould", "runout"},
    "liquid_of_other_family": {"weak_mould", "runout"},
    "tank_over_mark": {"tank_overfull"},
    "over_safe_fill": {"silo_overfull"},
    "mix_without_catalyst": {"weak_mould", "runout"},
    "mix_far_off_ratio": {"weak_mould", "runout"},
    "mix_far_off": {"weak_mould", "runout"},
    "soft_past_estimate": {"weak_mould", "runout"},
    "looks_contradict": {"weak_mould", "runout"},
    "sand_of_other_family": {"weak_mould"},
    "two_families": {"weak_mould"},
    "family_crossing": {"weak_mould"},
    "dose_off": {"weak_mould", "runout"},
    "dose_drift": {"weak_mould", "runout"},
    "sand_wet": {"weak_mould"},
    "sand_cold": {"weak_mould"},
    "sand_hot": {"weak_mould"},
    "acid_demand": {"weak_mould"},
    "acid_in_sand": {"weak_mould"},
    "sand_very_wet": {"weak_mould"},
    "wet_test_old": {"weak_mould"},
    "acid_takes_all": {"weak_mould"},
    "level_gap": {"engulfment", "work_at_height"},
    "level_outside": {"engulfment", "work_at_height"},
    "calibration_drift": {"screw", "catches"},
    "recalibrate": {"screw", "catches"},
    "calibration_overdue": {"screw", "catches"},
    "calibration_missing": {"screw", "catches"},
    "calibration_flat": {"screw", "catches"},
    "one_setting_caught": {"screw", "catches"},
    "beyond_calibration": {"screw", "catches"},
    "standing_too_long": {"hot_moulds"},
}

# ANSI Z535.4: DANGER "will result in death or serious injury" if not avoided; WARNING "could result in death or serious
# injury"; CAUTION "could result in minor or moderate injury"; NOTICE practices not related to injury. ISO 3864-2 has
# the same three grades of injury. So each caution has the worst that is to be expected, and how surely.
WILL_KILL, COULD_KILL, COULD_HURT, HURTS_NOBODY = "DANGER", "WARNING", "CAUTION", "NOTICE"
SEVERITY = {
    "resin_met_acid": WILL_KILL,  # it has happened: the reaction runs
    "metal_still_liquid": WILL_KILL,  # liquid iron on a body
    "engulfment": WILL_KILL,  # buried in sand
    "screw": WILL_KILL,  # a hand in a turning screw
    "neat_resin_and_acid": COULD_KILL,
    "hand_blending": COULD_KILL,
    "neat_resin_and_ester": COULD_HURT,  # heat, no violent reaction
    "acid_burns": COULD_KILL,  # blindness, deep burns
    "alkaline_burns": COULD_KILL,  # blindness
    "isocyanate": COULD_KILL,  # asthma can kill
    "flammable": COULD_KILL,
    "isocyanate_and_water": COULD_KILL,  # a drum that bursts
    "vapours": COULD_KILL,  # formaldehyde: cancer
    "check_coupling": COULD_KILL,
    "wrong_material": COULD_KILL,
    "wrong_sand": COULD_KILL,
    "blocked_place": COULD_KILL,
    "tank_overfull": COULD_KILL,  # acid over people
    "silo_overfull": COULD_KILL,  # a filter blown off the roof
    "work_at_height": COULD_KILL,
    "silica": COULD_KILL,
    "over_limit": COULD_KILL,
    "limit_unknown": COULD_KILL,
    "test_then_draw": COULD_KILL,  # a mould that breaks when it is lifted or poured
    "weak_mould": COULD_KILL,
    "poured_in_doubt": COULD_KILL,
    "weight_or_clamp": COULD_KILL,
    "damp_explodes": COULD_KILL,
    "runout": COULD_KILL,
    "pouring_gases": COULD_KILL,  # carbon monoxide
    "sulphur_dioxide": COULD_KILL,
    "hot_moulds": COULD_KILL,
    "catches": COULD_KILL,  # splashes in the eye
    "held": COULD_KILL,
    "released_unchecked": COULD_KILL,
    "used_sand_waste": HURTS_NOBODY,
}
HERE = Path(sandtrack.__file__).parent
SOURCES = [ast.parse(path.read_text(encoding="utf-8")) for path in sorted(HERE.rglob("*.py"))]


def flag_codes() -> set[str]:
    """Every code that a flag or an advice is made with in the source."""
    made = {
        node.args[0].value
        for tree in SOURCES
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and getattr(node.func, "id", "") in ("Flag", "Advice", "occurred")
        and node.args
        and isinstance(node.args[0], ast.Constant)
    }
    return {str(code) for code in made} | set(attention.URGENCY) | set(FLAGS)


def questions() -> set[str]:
    """Every question that an answer is made for in the source."""
    return {
        str(word.value.value)
        for tree in SOURCES
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Answer"
        for word in node.keywords
        if word.arg == "question" and isinstance(word.value, ast.Constant)
    }


def by_hand(event: str, family: str | None) -> set[str]:
    """Codes that the lists above give for an event and a family."""
    always, chemistry = EVENTS[event]
    return set(always).union(*(chemistry.get(part, set()) for part in CHEMISTRY.get(family or "", ())))


def codes(event: str, families: tuple[str, ...] = (), flags: tuple[str, ...] = ()) -> list[str]:
    """Codes that the table gives."""
    return [caution.code for caution in dangers.cautions(event, families, flags)]


def test_all_kinds_questions_and_families_against_the_list_by_hand() -> None:
    """Every kind of record and question with every family and none: just the cautions of the list, none twice."""
    assert set(KINDS) <= set(EVENTS)
    assert questions() <= set(EVENTS)
    assert set(CHEMISTRY) == set(FAMILIES)
    for event, family in product(EVENTS, (None, *FAMILIES)):
        given = codes(event, (family,) if family else ())
        assert set(given) == by_hand(event, family), (event, family)
        assert len(given) == len(set(given))


def blocked(event: str, flag: str) -> set[str]:
    """What a setting or table says more where the mixer is blocked: a hand may go in."""
    return (
        {"screw"}
        if event in ("setting", "table") and flag in ("held", "failed_certificate", "wrong_material")
        else set()
    )


OF_SAND = {"delivery.silo", "delivery.heap", "transfer.silo", "transfer.heap", "mix", "reclaim_run"}
"""What puts sand into a place: nothing there is rinsed, topped up or hot."""


def test_all_flags_against_the_list_by_hand() -> None:
    """Every code of a flag, with every event: the cautions of the event and its own; a code not listed has none."""
    for event, flag in product(EVENTS, sorted(flag_codes())):
        own = FLAGS.get(flag, set()) | blocked(event, flag)
        if flag == "wrong_material" and event in OF_SAND:
            own = {"wrong_sand"}
        assert set(codes(event, flags=(flag,))) == by_hand(event, None) | own, (event, flag)


def test_every_caution_can_be_given_and_none_is_unknown() -> None:
    """What the table names has a sentence, and no sentence is there that nothing leads to."""
    assert {code for row in dangers.TABLE for code in row.cautions} == set(CAUTIONS)
    assert all(caution.short for caution in CAUTIONS.values())


def test_the_signal_word_fits_the_severity() -> None:
    """DANGER, WARNING, CAUTION and NOTICE by what ANSI Z535.4 and ISO 3864-2 mean by them."""
    assert {code: caution.signal for code, caution in CAUTIONS.items()} == SEVERITY


def test_the_gravest_comes_first() -> None:
    """Cautions of a screen are in the order of their signal words."""
    for event, family in product(EVENTS, FAMILIES):
        signals = [caution.signal for caution in dangers.cautions(event, (family,), tuple(FLAGS))]
        assert signals == sorted(signals, key=SIGNALS.index)


def test_what_is_raised_comes_before_what_always_holds() -> None:
    """A wrong liquid in a tank: first what not to do about it, then gloves and goggles."""
    given = codes("delivery.liquid", ("furan_acid",), ("wrong_material",))
    assert given[0] == "wrong_material"
    assert set(given[1:]) == {"check_coupling", *COUPLED[ACID], "vapours"}


def test_a_draw_from_a_blocked_place_is_not_cautioned_twice() -> None:
    """Waste from a held skip or tank is not poured; of a mix, the one sentence speaks of pouring already."""
    assert "weak_mould" not in codes("disposal", (), ("blocked_place_drawn",))
    assert "pour" in CAUTIONS["blocked_place"].text


def test_what_not_to_do_is_in_the_first_five_words() -> None:
    """Each sentence begins with what not to do, or with keeping away, and leaves the deferral to the screen."""
    for caution in CAUTIONS.values():
        first = " ".join(caution.text.split()[:5])
        assert re.search(r"\b(Do not|Never|Keep|Stop|Stay out)\b", first), caution.code
        assert "data sheet" not in caution.text


@pytest.mark.parametrize("family", ["alkaline_phenolic_ester", "silicate_ester", "phenolic_urethane", "alkyd_urethane"])
def test_no_word_of_acid_where_there_is_none(family: str) -> None:
    """Ester and urethane cures: neither an answer, a receipt nor a sheet speaks of acid."""
    for event in EVENTS:
        for caution in dangers.cautions(event, (family,)):
            assert "acid" not in caution.text + caution.short, (event, caution.code)


def test_resin_in_acid_is_never_to_be_released() -> None:
    """Where resin met acid: keep away, watch, do not seal, draw, rinse or top up, ask; no word of a release."""
    first, *rest = dangers.cautions("delivery.liquid", ("furan_acid",), ("wrong_material", "resin_meets_acid"))
    assert (first.code, first.signal) == ("resin_met_acid", "DANGER")
    for words in ("Keep everyone away", "heat", "pressure", "seal", "draw", "rinse", "top it up", "supplier"):
        assert words in first.text
    assert not any("releas" in caution.text for caution in (first, *rest))


@pytest.mark.parametrize(
    ("hazard", "expected"),
    [
        ("acid", COUPLED[ACID]),
        ("alkaline", {"alkaline_burns"}),
        ("ester", {"neat_resin_and_ester"}),
        ("isocyanate", {"isocyanate", "isocyanate_and_water"}),
        ("flammable", {"flammable"}),
        ("vapour", {"vapours"}),
    ],
)
def test_a_seventh_family_gets_its_cautions(hazard: str, expected: set[str]) -> None:
    """A family declared here alone, under a name that tells nothing, gets the cautions of each hazard it declares."""
    seventh = replace(FAMILIES["furan_acid"], key="seventh", name="seventh", hazards=(hazard,))
    given = {caution.code for caution in dangers.cautions("delivery.liquid", [seventh])}
    assert given == expected | {"check_coupling"}


def test_a_seventh_family_gets_its_advice() -> None:
    """Acid or alkaline is asked of the family: residue that kills a cure, and no blending of acids by hand."""
    acid = replace(FAMILIES["phenolic_urethane"], key="seventh", co_reactant="curing agent", hazards=("acid",))
    alkaline = replace(acid, key="eighth", hazards=("alkaline",))
    assert [found.code for found in crossing_advice(binder_family=acid, sand_family=alkaline)] == [
        "alkaline_sand_in_acid_cure"
    ]
    assert [found.code for found in crossing_advice(binder_family=alkaline, sand_family=acid)] == [
        "acid_sand_in_other_cure"
    ]
    (beyond,) = outside_windows(Recipe(family=acid, resin_pct=1.2, co_reactant_pct=60, part_1_share=0.55))
    assert "never by hand" in beyond.text


def test_an_unknown_family_is_refused() -> None:
    """A family that nobody declared has no cautions to guess."""
    with pytest.raises(FieldError):
        dangers.cautions("mix", ["furan"])
