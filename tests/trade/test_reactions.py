"""Which liquids must not meet, by what the families declare."""

import itertools

import pytest

from sandtrack.trade.families import FAMILIES
from sandtrack.trade.reactions import CLASSES, REACTIONS, liquid_class, reaction

TAGS = {"source", "practice", "memory", "derived"}


def test_each_binder_reacts_with_what_cures_it():
    """Of every family, the binder and its co-reactant: neat, they react."""
    parts = {"phenolic_urethane": ("part_1", "part_2"), "alkyd_urethane": ("part_1", "part_2")}
    for key, family in FAMILIES.items():
        ester = family.lever == "grade"
        first, second = parts.get(key, ("resin", "hardener" if ester else "catalyst"))
        assert reaction(liquid_class(key, first), liquid_class(key, second)) is not None


def test_every_pair_says_where_it_comes_from():
    """A sentence, a tag and a source; the order of the two is of no account."""
    for pair, known in REACTIONS.items():
        first, second = sorted(pair)
        assert reaction(first, second) is reaction(second, first) is known
        assert known.what
        assert known.tag in TAGS
        assert known.source


@pytest.mark.parametrize(
    ("first", "second"),
    [("alkaline binder", "acid"), ("isocyanate", "alkaline binder"), ("resin", "acid"), ("resin", "hardener")],
)
def test_what_reacts_across_families_and_what_nobody_declares(first, second):
    """An acid with an alkaline binder, an isocyanate with what holds water, any undeclared binder with any cure."""
    assert reaction(first, second) is not None


def test_alike_liquids_do_not_react():
    """A liquid with itself, two binders, two acids: a wrong material, not a violent one."""
    for name in (*CLASSES, "resin", "catalyst", "hardener"):
        assert reaction(name, name) is None
    for first, second in itertools.combinations(("acid-cured resin", "alkaline binder", "polyol", "resin"), 2):
        assert reaction(first, second) is None
