"""Strip times kept to what looks leave of them, against the truncated normal written out by hand and SciPy's."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import truncnorm

from sandtrack.errors import FieldError
from sandtrack.trade.learning import Belief, learn
from sandtrack.trade.learning.within import chance_within_by, strip_range_within_min

BELIEF = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
# At the reference only the spread of the reference time, of a mould and of a lot count.
MIDDLE, SD = math.log(60), math.sqrt(0.54**2 + 0.115**2 + 0.07**2)


@settings(max_examples=40, deadline=None)
@given(st.floats(1, 200), st.floats(1.05, 20), st.floats(0.5, 0.99))
def test_range_is_that_of_a_normal_cut_off_at_both_ends(after, wider, coverage):
    """Quantiles of ln(time) are SciPy's for the normal between the two looks."""
    until = after * wider
    low, high = (math.log(after) - MIDDLE) / SD, (math.log(until) - MIDDLE) / SD
    assume(BELIEF.chance_by(until, 20, 35) - BELIEF.chance_by(after, 20, 35) >= 1e-6)
    cut = truncnorm(low, high, loc=MIDDLE, scale=SD)
    found = strip_range_within_min(BELIEF, 20, 35, after_min=after, until_min=until, coverage=coverage)
    for time, share in zip(found, ((1 - coverage) / 2, 0.5, (1 + coverage) / 2), strict=True):
        assert time == pytest.approx(math.exp(cut.ppf(share)), rel=1e-5)
        by = chance_within_by(BELIEF, time, 20, 35, after_min=after, until_min=until)
        assert by == pytest.approx(share, abs=1e-6)


def test_without_looks_it_is_the_estimate():
    """Soft at nothing and firm at infinity leave everything, for a belief and for what was learned."""
    shop = learn(BELIEF, temp_c=[20, 18], lever=[35, 35], earliest_min=[40, 45], latest_min=[45, 55], age_days=[2, 1])
    for times in (BELIEF, shop):
        found = strip_range_within_min(times, 20, 35, after_min=0, until_min=math.inf)
        assert found == pytest.approx(times.strip_range_min(20, 35), rel=1e-7)


def test_columns_and_their_kinds():
    """Rows with looks and without stand side by side; a look that leaves nothing gives NaN, not a number."""
    after, until = np.array([110.0, 0.0, 5000.0]), np.array([np.inf, 40.0, np.inf])
    low, middle, high = strip_range_within_min(BELIEF, np.full(3, 20.0), 35, after_min=after, until_min=until)
    assert middle[0] > 110
    assert low[1] < middle[1] < high[1] < 40
    assert np.isnan([low[2], middle[2], high[2]]).all()
    assert isinstance(strip_range_within_min(BELIEF, 20, 35, after_min=110, until_min=math.inf)[0], float)


@pytest.mark.parametrize("bad", [{"after_min": -1.0}, {"until_min": 0.0}, {"after_min": math.nan}])
def test_times_that_cannot_be(bad):
    """Below 0 and missing are refused."""
    with pytest.raises(FieldError):
        strip_range_within_min(BELIEF, 20, 35, **{"after_min": 10.0, "until_min": 20.0, **bad})
