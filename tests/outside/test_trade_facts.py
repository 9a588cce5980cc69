"""Everyday facts of a jobbing foundry, as plausibility: the calculations must give a shop's own world back.

Tag of all: practice, unless said otherwise.
"""

from __future__ import annotations

import pytest

from sandtrack.trade.advice import temperature_advice
from sandtrack.trade.cure import work_time_min
from sandtrack.trade.dosing import flow_ml_min, flows_kg_min, masses_kg
from sandtrack.trade.families import FAMILIES
from sandtrack.trade.learning import Belief
from sandtrack.trade.recipe import Recipe
from sandtrack.trade.reclaim import mean_uses
from sandtrack.trade.silo import Silo

SMALL_SILO = Silo.cylinder_on_cone(diameter_m=2.4, height_m=3.0, cone_height_m=1.8)
SAND_KG_M3 = 1602  # 100 lb/ft³. Tag: practice


def test_delivery_fits_a_small_silo():
    """A jobbing shop's silo holds about 25 t: an empty one takes a delivery of 25 t, a half-full one does not."""
    full = SMALL_SILO.mass_kg(SMALL_SILO.top_m, bulk_density_kg_m3=SAND_KG_M3)
    assert 22_000 <= full <= 30_000
    assert full >= 25_000
    level = SMALL_SILO.level_m(25_000 / SAND_KG_M3)
    assert 0 < level < SMALL_SILO.top_m
    assert SMALL_SILO.full_volume_m3 - SMALL_SILO.volume_m3(SMALL_SILO.top_m / 2) < 25_000 / SAND_KG_M3


def test_sand_strips_in_about_an_hour():
    """Told an hour at 20 °C, the first belief says an hour, 'could be half, could be double'."""
    low, middle, high = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=40).strip_range_min(20, 40)
    assert middle == pytest.approx(60)
    assert 25 <= low <= 35
    assert 105 <= high <= 130


def test_winter_monday():
    """Sand at 5 °C in place of 20 takes two to four times as long, and the advice is to warm it.

    Tag: source, Foundry Management & Technology, Jan 2014: doubling for each 18 °F is 2.8 times for 15 °C.
    """
    belief = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=40)
    slower = belief.strip_range_min(5, 40)[1] / 60
    assert 2.0 < slower < 4.0
    assert slower == pytest.approx(2 ** (15 / 10), rel=0.15)
    assert "sand_cold" in {code for code, _ in temperature_advice("furan_acid", 5)}


def test_more_acid_buys_back_the_cold_only_so_far():
    """With the acid of its window no setting surely strips a 40-minute box in the same time at 2 °C."""
    belief = Belief.default(strip_time_min=40, at_temp_c=20, at_lever=35)
    assert belief.lever_for(40, 2, chance=0.9, window=(20, 50)) is None
    assert belief.lever_for(120, 20, chance=0.9, window=(20, 50)) is not None


def test_a_batch_takes_kilograms_not_grams():
    """A box of half a tonne of furan sand takes about 5 kg of resin and 2 kg of acid."""
    liquids = masses_kg(Recipe(family="furan_acid", resin_pct=1.0, co_reactant_pct=40), sand_kg=500).liquids
    assert dict(liquids) == pytest.approx({"resin": 5, "catalyst": 2})


def test_pumps_of_a_small_mixer():
    """A mixer of 100 kg/min pumps about 0.8 l of furan resin and 0.3 l of acid a minute.

    Tag: memory for the densities, middle of 1120 to 1250 and of 1150 to 1350 kg/m³.
    """
    flows = flows_kg_min(Recipe(family="furan_acid", resin_pct=1.0, co_reactant_pct=40), sand_kg_min=100).liquids
    assert flow_ml_min(flow_kg_min=flows["resin"], density_kg_m3=1185) == pytest.approx(800, rel=0.1)
    assert flow_ml_min(flow_kg_min=flows["catalyst"], density_kg_m3=1250) == pytest.approx(300, rel=0.1)


def test_work_time_is_shorter_than_strip_time():
    """In every family work ends before strip; furan has the least of it and urethane the most."""
    usual = {key: work_time_min(60, family.work_share.usual) for key, family in FAMILIES.items()}
    assert all(15 <= minutes < 60 for minutes in usual.values())
    assert min(usual, key=usual.get) == "furan_acid"
    assert max(usual, key=usual.get) in ("phenolic_urethane", "alkyd_urethane")


def test_grains_go_round_many_times():
    """Where well over 90 % comes back a grain is used more than ten times. Tag: source, giesserei-praxis.de lexicon."""
    assert mean_uses(0.92) > 10


def test_rammed_sand_is_near_its_usual_density():
    """A cubic metre of mould weighs 1600 to 1610 kg. Tag: source, Archives of Foundry Engineering (furan, rammed)."""
    box = Silo.box(length_m=1, width_m=1, height_m=1)
    low, _, high = box.mass_range_kg(1, bulk_density_kg_m3=SAND_KG_M3)
    assert low < 1600 < 1610 < high
