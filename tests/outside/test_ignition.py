"""Loss on ignition and acid demand against laboratory procedures."""

from __future__ import annotations

import pytest

from sandtrack.trade.acid import acid_demand_ml
from sandtrack.trade.ignition import loss_on_ignition_pct


def test_loss_of_a_laboratory_sheet():
    """25.2130, 35.2140 and 35.0290 g are 1.8498 %.

    Tag: source for the formula, samsa.org.uk laboratory tests; by hand 100 x 0.1850 / 10.0010.
    """
    loss = loss_on_ignition_pct(crucible_g=25.2130, before_g=35.2140, after_g=35.0290)
    assert loss == pytest.approx(1.8498, abs=5e-5)


@pytest.mark.parametrize(("back_ml", "demand"), [(47.0, 3.0), (48.0, 2.0), (48.5, 1.5)])
def test_acid_demand_of_a_chromite(back_ml, demand):
    """Titrating back with 47.0, 48.0 and 48.5 ml (pH 3, 4, 5) means 3.0, 2.0 and 1.5 ml.

    Tag: derived, by hand from the definition with 50 g and 50 ml of 0.1 N acid: (50 - 47.0) x 50/50 = 3.0.
    """
    assert acid_demand_ml(sample_g=50, acid_ml=50, base_ml=back_ml) == pytest.approx(demand)
