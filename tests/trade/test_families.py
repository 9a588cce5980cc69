"""The six families: complete, labelled, and giving way to a shop's own windows."""

import math
from dataclasses import replace

import pytest

from sandtrack.errors import FieldError
from sandtrack.trade.advice import (
    crossing_advice,
    moisture_advice,
    moisture_verdict,
    temperature_advice,
    temperature_verdict,
)
from sandtrack.trade.families import FAMILIES, family_named
from sandtrack.trade.family import HAZARDS, Family, Window
from sandtrack.trade.recipe import Recipe, outside_windows

TAGS = {"source", "practice", "memory", "derived"}


def labelled_of(family):
    """Everything of a family that carries a tag and a source."""
    windows = [
        family.resin_window_pct, family.co_reactant_window_pct, family.drier_window_pct, family.part_1_share,
        family.sand_window_c, family.cold_c, family.hot_c,
    ]  # fmt: skip
    return filter(None, [*windows, family.moisture_limit_pct, family.work_share, *family.notes])


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda family: family.key)
def test_every_value_says_where_it_comes_from(family):
    """Each window, limit, share and note carries a tag and a named source, and low is not above high."""
    for value in labelled_of(family):
        assert value.tag in TAGS
        assert value.source
    share = family.work_share
    assert 0 < share.low <= share.usual <= share.high <= 1
    assert len({note.code for note in family.notes}) == len(family.notes)
    assert family.hazards
    assert set(family.hazards) <= set(HAZARDS)


def test_a_source_is_a_publication_that_can_be_looked_up():
    """`source` and `memory` name a publication, `derived` what it comes from; the rest is practice.

    The publications by hand, by the table of families in each: the cold-setting table has rows for acid-cured phenolic
    and alkyd urethane, for urethane's parts one by one, and none for silicate.
    """
    published = {
        "Gjuterihandboken ch. 9.4": {"furan_acid", "alkaline_phenolic_ester", "silicate_ester"},
        "table of cold-setting binders, Portuguese handbook copy": {"phenolic_acid", "alkyd_urethane"},
        "Foundry Management & Technology, Jan 2014": {"phenolic_urethane"},
    }
    remembered = {"a ferrous foundry handbook (2000)", "ASM Handbook vol. 15 Casting (1988)"}
    for key, family in FAMILIES.items():
        for value in labelled_of(family):
            if value.tag == "source":
                assert key in published[value.source], value
            elif value.tag == "memory":
                assert value.source in remembered, value
            elif value.tag == "practice":
                assert "source" not in value.source
    urethane = FAMILIES["phenolic_urethane"].resin_window_pct
    assert (urethane.tag, FAMILIES["silicate_ester"].resin_window_pct.tag) == ("derived", "practice")


def test_families_cannot_be_changed():
    """The defaults are read-only."""
    with pytest.raises(TypeError):
        FAMILIES["furan_acid"] = None
    with pytest.raises(AttributeError):
        FAMILIES["furan_acid"].lever = "grade"


def test_levers():
    """Speed is set by grade in the two ester cures and by an amount in the others."""
    assert {key for key, family in FAMILIES.items() if family.lever == "grade"} == {
        "alkaline_phenolic_ester", "silicate_ester",
    }  # fmt: skip
    assert (FAMILIES["silicate_ester"].lever_window.low, FAMILIES["silicate_ester"].lever_window.high) == (0, 1)
    assert FAMILIES["alkyd_urethane"].lever_window == FAMILIES["alkyd_urethane"].drier_window_pct


def test_hazards_by_chemistry():
    """Acid is in the two acid cures, alkali in the two ester cures, isocyanate in the two urethanes alone."""
    for hazard, keys in {
        "acid": {"furan_acid", "phenolic_acid"},
        "alkaline": {"alkaline_phenolic_ester", "silicate_ester"},
        "ester": {"alkaline_phenolic_ester", "silicate_ester"},
        "isocyanate": {"phenolic_urethane", "alkyd_urethane"},
        "flammable": {"phenolic_urethane", "alkyd_urethane"},
        "vapour": set(FAMILIES) - {"silicate_ester"},
    }.items():
        assert {key for key, family in FAMILIES.items() if hazard in family.hazards} == keys


def test_unknown_family_is_refused():
    """An unknown key is refused with the ones that exist."""
    with pytest.raises(FieldError) as refused:
        family_named("furan")
    assert "furan_acid" in refused.value.accepted


def test_own_window_goes_before_the_default():
    """A shop's window replaces the default, and a complaint says that it is the shop's."""
    own = Window(low=0.7, high=0.9, unit="% of sand", tag="shop", source="data sheet")
    family = replace(FAMILIES["furan_acid"], resin_window_pct=own)
    (found,) = outside_windows(Recipe(family=family, resin_pct=1.0, co_reactant_pct=40))
    assert (found.what, found.window.tag) == ("resin_pct", "shop")
    assert temperature_advice("furan_acid", 12, sand_window_c=replace(own, low=5, high=15)) != []


def test_window_the_wrong_way_round_is_refused():
    """A window has its smaller end first."""
    with pytest.raises(FieldError):
        Window(low=2, high=1, unit="%", tag="shop", source="data sheet")


@pytest.mark.parametrize(
    ("temp", "codes"),
    [
        (5, ["sand_below_window", "sand_cold"]),
        (10, ["sand_below_window", "sand_cool"]),
        (15, []),
        (25, []),
        (30, ["sand_above_window"]),
        (38, ["sand_above_window", "sand_warm"]),
        (41, ["sand_above_window", "sand_hot"]),
    ],
)
def test_temperature_advice(temp, codes):
    """Furan sand (15 to 25 °C) is told cool below 15, cold below 10, warm above 35, hot above 40."""
    assert [code for code, _ in temperature_advice("furan_acid", temp)] == codes


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda family: family.key)
def test_no_family_takes_any_moisture_or_any_temperature(family):
    """5 % moisture, 2 °C and 46 °C are a "no" for each: no family is without a limit."""
    assert moisture_verdict(family, 5) == "no"
    assert [temperature_verdict(family, temp) for temp in (2, 46)] == ["no", "no"]
    middle = (family.sand_window_c.low + family.sand_window_c.high) / 2
    assert (temperature_verdict(family, middle), moisture_verdict(family, 0.1)) == ("yes", "yes")


def test_a_family_without_a_moisture_limit_cannot_be_declared():
    """A seventh family states its limit, or there is none of it."""
    known = {name: value for name, value in vars(FAMILIES["furan_acid"]).items() if name != "moisture_limit_pct"}
    with pytest.raises(TypeError, match="moisture_limit_pct"):
        Family(**known)


@pytest.mark.parametrize(
    ("temp", "verdict"),
    [
        (9.9, "no"), (10, "test_piece"), (14.9, "test_piece"), (15, "yes"), (25, "yes"), (25.1, "test_piece"),
        (40, "test_piece"), (40.1, "no"),
    ],
)  # fmt: skip
def test_what_a_temperature_allows(temp, verdict):
    """Furan: moulds inside 15 to 25 °C; beyond too cold (10) and too hot (40) nothing; a test piece between."""
    assert temperature_verdict("furan_acid", temp) == verdict


def test_the_shop_s_own_window_goes_before_the_family_s_but_not_for_all():
    """Own 5 to 45 °C: a yes where the family's would ask for a test piece, a test piece where it would say no."""
    own = Window(low=5, high=45, unit="degC", tag="shop", source="data sheet")
    told = [temperature_verdict("furan_acid", temp, sand_window_c=own) for temp in (4, 6, 12, 38, 42, 46)]
    assert told == ["no", "test_piece", "yes", "yes", "test_piece", "no"]


@pytest.mark.parametrize("temp", [math.nan, -300, None, "20"])
def test_temperature_that_is_none_is_refused(temp):
    """A temperature that is no number is refused."""
    with pytest.raises(FieldError):
        temperature_advice("furan_acid", temp)


def test_moisture_advice():
    """Urethane below 0.2 %, silicate at most 0.5 %, the others at most 0.2 %; beyond three times it is far too wet."""
    assert [code for code, _ in moisture_advice("phenolic_urethane", 0.2)] == ["sand_wet"]
    assert moisture_advice("phenolic_urethane", 0.19) == []
    assert moisture_advice("silicate_ester", 0.5) == []
    assert [code for code, _ in moisture_advice("silicate_ester", 0.51)] == ["sand_wet"]
    assert moisture_advice("furan_acid", 0.2) == []
    assert [code for code, _ in moisture_advice("furan_acid", 0.21)] == ["sand_wet"]
    assert [code for code, _ in moisture_advice("furan_acid", 0.6)] == ["sand_wet"]
    assert [code for code, _ in moisture_advice("furan_acid", 0.61)] == ["sand_very_wet"]
    with pytest.raises(FieldError):
        moisture_advice("furan_acid", -1)


def test_every_crossing_is_told():
    """Any sand used with another family is told, new sand and the same family are not."""
    for binder in FAMILIES:
        assert crossing_advice(binder_family=binder, sand_family=None) == []
        for sand in FAMILIES:
            told = crossing_advice(binder_family=binder, sand_family=sand)
            assert bool(told) == (binder != sand)


@pytest.mark.parametrize(
    ("binder", "sand", "code"),
    [
        ("phenolic_acid", "silicate_ester", "alkaline_sand_in_acid_cure"),
        ("phenolic_urethane", "furan_acid", "acid_sand_in_other_cure"),
        ("silicate_ester", "phenolic_acid", "acid_sand_in_other_cure"),
        ("furan_acid", "phenolic_urethane", "sand_of_other_family"),
        ("furan_acid", "phenolic_acid", "sand_of_other_family"),
    ],
)
def test_what_a_crossing_does_is_told(binder, sand, code):
    """Alkali kills an acid cure, acid upsets the others; where no harm is known of, a test piece is asked for."""
    (told,) = crossing_advice(binder_family=binder, sand_family=sand)
    assert told.code == code
    assert ("test piece" in told.text) == (code == "sand_of_other_family")
