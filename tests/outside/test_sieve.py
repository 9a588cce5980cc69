"""Sieve analysis against printed tables and an independent list of sieves."""

from __future__ import annotations

import pytest
from fluids.particle_size_distribution import ASTM_E11_sieves

from sandtrack.trade.sieve import (
    US_OPENING_MM,
    average_grain_size_um,
    distribution,
    grain_fineness_number,
)

# Grams of a sample of 100 g, two sands in one. Tag: derived, the sums by hand: 5894.35 / 100.00 and 5861.70 / 100.00.
BLEND = {
    20: 0.30, 30: 1.81, 40: 39.55, 50: 18.18, 70: 5.56, 100: 11.88, 140: 13.90, 200: 6.53, 270: 1.92, "pan": 0.37,
}  # fmt: skip
# Grams of a sample of 50 g, clay 5.9 g washed out. Tag: memory, AFS Foundry Sand Handbook in Heine, Loper &
# Rosenthal, percents on 50 g summing to 88.2; the arithmetic closes: 15243 / 88.2.
HANDBOOK = {
    40: 0.20, 50: 0.65, 70: 1.20, 100: 2.25, 140: 8.55, 200: 11.05, 270: 10.90, "pan": 9.30, "clay": 5.9,
}  # fmt: skip


def test_fineness_of_a_blend():
    """58.94 with factor 145 at sieve 200, 58.62 with 140."""
    assert grain_fineness_number(BLEND) == pytest.approx(58.94, abs=0.005)
    assert grain_fineness_number(BLEND, factors="classic") == pytest.approx(58.62, abs=0.005)


def test_fineness_of_the_handbook():
    """172.8 with the classic factors, 174.08 with the later ones, clay left out of both sums."""
    assert grain_fineness_number(HANDBOOK, factors="classic") == pytest.approx(172.8, abs=0.05)
    assert grain_fineness_number(HANDBOOK, factors="later") == pytest.approx(174.08, abs=0.02)


def test_average_size_of_the_ferrous_handbook():
    """20335 / 99.6 = 204 µm. Tag: memory, a ferrous foundry handbook (2000).

    By hand 180 + 807.5 + 5160 + 5363.6 + 3540.4 + 2880 + 1590 + 689 + 105 + 19 = 20334.5, printed as 20335.
    """
    retained = {
        500: 0.3, 355: 1.9, 250: 17.2, 212: 25.3, 180: 16.7, 150: 19.2, 125: 10.6, 90: 6.5, 63: 1.4, "pan": 0.5,
    }  # fmt: skip
    assert average_grain_size_um(retained) == pytest.approx(20334.5 / 99.6)
    assert round(average_grain_size_um(retained)) == 204


def test_openings_of_us_sieves():
    """The opening of each US sieve is that of ASTM E11 in the `fluids` library. Tag: source."""
    listed = {sieve.old_designation: sieve.opening * 1000 for sieve in ASTM_E11_sieves.values()}
    for label, opening in US_OPENING_MM.items():
        assert opening == pytest.approx(listed[f"No. {label}"], rel=1e-9)


def test_one_number_two_sands():
    """Two sands with one fineness number can differ widely, which the distribution shows. Tag: derived by hand.

    All on sieve 70 is 50. 80 % on 50 (40) and 10 % each on 100 (70) and 140 (100): 32 + 7 + 10 = 49.
    """
    even, mixed = {50: 0.0, 70: 100.0, 100: 0.0}, {50: 80.0, 70: 0.0, 100: 10.0, 140: 10.0}
    assert grain_fineness_number(even) == pytest.approx(50)
    assert grain_fineness_number(mixed) == pytest.approx(49)
    assert distribution(even).sieves_holding() == ("70",)
    assert distribution(mixed).sieves_holding() == ("100", "140")
