"""Ranges after a change of the acid's strength, in invented shops whose law is known."""

import math

import numpy as np
import pytest

from sandtrack.trade.learning import learn_from
from sandtrack.trade.learning.changed import spread_of_change_sd, widened

from .test_shops import shops


def held(count, ratio, *, told):
    """Share of true times that lie in the 80 % range after a change, over sixteen shops and four moulds of each.

    Strength acts as the amount does, but for a factor on the exponent of 0.7 to 1.4, drawn for each shop.
    """
    shares = []
    for number in range(16):
        shop = shops.make_shop(11, number)
        checks, which = shop.checks(count), np.arange(count, count + shops.NEXT)
        learned = learn_from(shops.BELIEF, checks)
        acts = shop.law[2] * math.exp(np.random.default_rng([11, number]).uniform(math.log(0.7), math.log(1.4)))
        truth = shop.true_ln_time(which) - acts * math.log(ratio)
        lever = shop.lever[which]
        if told:
            sd = spread_of_change_sd(
                strength_ratio=ratio, exponent=learned.mean[2], checks_since=0, check_sd=learned.check_sd[1]
            )
            learned, lever = widened(learned, by_sd=sd), lever * ratio
        low, _, high = learned.strip_range_min(shop.temp_c[which], lever, lot=shop.labels(which))
        shares.append(np.mean(shop.noise.cdf(np.log(high) - truth) - shop.noise.cdf(np.log(low) - truth)))
    return float(np.mean(shares))


@pytest.mark.parametrize("ratio", [0.8, 1.0, 1.25])
def test_ranges_hold_after_a_change_of_strength(ratio):
    """A fifth weaker or a quarter stronger: 80 % ranges hold at least 70 %, and far more than unaware ones do."""
    aware = held(20, ratio, told=True)
    unaware = held(20, ratio, told=False)
    assert aware >= 0.7
    if ratio == 1.0:
        assert aware == unaware
    else:
        assert aware > unaware + 0.2
