"""Control charts, run rules, dated shifts and run lengths: limits, missing readings, refusals."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.control_chart import RUN_RULES, ewma, individuals, run_signals, shift
from sandtrack.trade.run_length import average_run_length

READINGS = st.lists(st.floats(-1e6, 1e6), min_size=4, max_size=30)


def test_individuals_by_hand():
    """2, 4, 3, 5: mean 3.5, ranges 2, 1, 2, mean 5/3; limits 3.5 ± 3·1.6667/1.128 = 4.4326 away."""
    chart = individuals([2, 4, 3, 5])
    assert chart.centre == 3.5
    assert chart.upper - 3.5 == pytest.approx(4.4326, abs=1e-4)
    assert 3.5 - chart.lower == pytest.approx(4.4326, abs=1e-4)


def test_reading_on_the_limit_is_no_signal():
    """A reading exactly on 3 sd is inside; a hair beyond it is outside."""
    steady = [0.0, 1.128] * 10  # sd 1, centre 0.564
    assert individuals([*steady, 3.564], baseline=20).outside == ()
    assert individuals([*steady, 3.565], baseline=20).outside == (20,)
    assert individuals([*steady, -2.437], baseline=20).outside == (20,)


def test_readings_all_the_same():
    """Readings all the same have limits on their centre and nothing outside, whatever rounding does."""
    chart = individuals([0.1] * 7)
    assert chart.sd == 0
    assert chart.outside == ()
    assert run_signals([0.1] * 9, rule="eight on one side", centre=sum([0.1] * 3) / 3) == ()


def test_baseline_sets_the_limits():
    """Limits come from the first readings alone; later ones are judged by them."""
    first = individuals([5.0, 5.2, 4.9, 5.1])
    both = individuals([5.0, 5.2, 4.9, 5.1, 9.0], baseline=4)
    assert (both.centre, both.upper) == (first.centre, first.upper)
    assert both.outside == (4,)


@pytest.mark.parametrize("baseline", [1, 5, 2.5])
def test_impossible_baselines_are_refused(baseline):
    """A baseline is a whole number of readings that are there, two or more."""
    with pytest.raises(FieldError):
        individuals([1, 2, 3, 4], baseline=baseline)


def test_eight_on_one_side_against_nine():
    """Eight on one side signal by the one rule, not by the other; a reading on the centre breaks the run."""
    eight = [1, 2, 1, 3, 1, 2, 2, 1]
    assert run_signals(eight, rule="eight on one side", centre=0) == (7,)
    assert run_signals(eight, rule="nine on one side", centre=0) == ()
    assert run_signals([*eight, 1], rule="nine on one side", centre=0) == (8,)
    assert run_signals([*eight[:4], 0, *eight[4:]], rule="eight on one side", centre=0) == ()
    assert run_signals([-each for each in eight], rule="eight on one side", centre=0) == (7,)


def test_rules_that_count_beyond_a_line():
    """Two of three beyond 2 sd, four of five beyond 1 sd, on the same side only, ending beyond the line."""
    two, four = "two of three beyond two sd", "four of five beyond one sd"
    assert run_signals([2.1, 0, 2.1], rule=two, centre=0, sd=1) == (2,)
    assert run_signals([2.1, 0, -2.1], rule=two, centre=0, sd=1) == ()
    assert run_signals([2.0, 0, 2.1], rule=two, centre=0, sd=1) == ()
    assert run_signals([2.1, 2.1, 0], rule=two, centre=0, sd=1) == (1,)
    assert run_signals([1.1, 1.2, 0, 1.5, 1.1], rule=four, centre=0, sd=1) == (4,)
    assert run_signals([1.1, 1.2, 0, 0, 1.1, 1.1], rule=four, centre=0, sd=1) == ()


def test_rules_are_asked_for_by_name():
    """A rule of another name, or one that lacks its sd, is refused with the names."""
    with pytest.raises(FieldError, match="eight on one side"):
        run_signals([1, 2], rule="eight", centre=0)
    with pytest.raises(FieldError, match="sd"):
        run_signals([1, 2], rule="two of three beyond two sd", centre=0)


@given(READINGS, st.sampled_from(sorted(RUN_RULES)))
def test_run_rules_against_counting(readings, rule):
    """Each rule finds what plain counting finds."""
    wanted, among, sds = RUN_RULES[rule]
    slack = max(abs(each) for each in readings) * 1e-12
    counted = []
    for end in range(len(readings)):
        window = readings[max(0, end - among + 1) : end + 1]
        for side in (1, -1):
            beyond = [side * each > sds * 2.0 + slack for each in window]
            if beyond[-1] and sum(beyond) >= wanted:
                counted.append(end)
    assert run_signals(readings, rule=rule, centre=0, sd=2.0) == tuple(sorted(counted))


def test_ewma_of_weight_one_is_the_readings():
    """With weight 1 the path is the readings themselves, its limits those of single readings."""
    chart = ewma([1.0, -2.0, 3.1], weight=1, centre=0, sd=1)
    assert chart.path == pytest.approx((1.0, -2.0, 3.1))
    assert chart.upper == (3.0, 3.0, 3.0)
    assert chart.first_signal == 2


def test_exact_limits_by_hand():
    """First limit width·sd·weight (0.6), second 0.3·2·sqrt(1 + 0.49) = 0.7324; both below the steady 0.8402."""
    chart = ewma([0.0, 0.0], weight=0.3, width=2, centre=0, sd=1)
    assert chart.upper == pytest.approx((0.6, 0.732393), abs=1e-6)
    steady = ewma([0.0], weight=0.3, width=2, centre=0, sd=1, limits="steady").upper[0]
    assert steady == pytest.approx(0.840168, abs=1e-6)


def test_exact_limits_signal_sooner():
    """A shift at the very start is seen earlier with exact limits."""
    readings = [2.9] * 6
    exact = ewma(readings, weight=0.1, centre=0, sd=1).first_signal
    steady = ewma(readings, weight=0.1, centre=0, sd=1, limits="steady").first_signal
    assert exact < steady


@given(READINGS, st.floats(-1e3, 1e3), st.floats(0.1, 10))
def test_charts_do_not_mind_the_unit(readings, offset, factor):
    """In another unit the path is the same path."""
    path = ewma(readings, weight=0.2, centre=0, sd=1).path
    moved = ewma([offset + factor * each for each in readings], weight=0.2, centre=offset, sd=factor).path
    scale = factor * max(map(abs, readings)) + abs(offset)
    assert moved == pytest.approx([offset + factor * each for each in path], rel=1e-9, abs=1e-9 * scale + 1e-12)


@pytest.mark.parametrize(
    "change",
    [
        {"weight": 0},
        {"weight": 1.1},
        {"width": 0},
        {"sd": 0},
        {"sd": -1},
        {"centre": math.nan},
        {"limits": "wide"},
        {"values": []},
        {"values": [1, math.nan]},
    ],
)
def test_impossible_charts_are_refused(change):
    """Numbers outside their meaning and missing readings are refused."""
    good = {"values": [1, 2], "weight": 0.2, "width": 3, "centre": 0, "sd": 1}
    with pytest.raises(FieldError):
        ewma(**(good | change))


@pytest.mark.parametrize("values", [[1], [1, math.nan, 2], [], "12", [[1, 2], [3, 4]]])
def test_broken_series_are_refused(values):
    """Too few readings, missing ones, text or two columns make no chart."""
    with pytest.raises(FieldError):
        individuals(values)


def test_series_and_arrays():
    """A Series or an array of readings gives the same chart as a list."""
    readings = [5.0, 5.2, 4.9, 5.1, 6.0]
    for kind in (np.array, pd.Series, tuple):
        assert individuals(kind(readings)) == individuals(readings)
        assert shift(kind(readings)) == shift(readings)
        assert ewma(kind(readings), weight=0.2, centre=5, sd=0.2) == ewma(readings, weight=0.2, centre=5, sd=0.2)


def test_shift_by_hand():
    """A clean step is dated to its first reading, with the levels either side, however it is asked."""
    readings = [1.0, 1.2, 0.8, 1.0, 3.0, 3.2, 2.8]
    for known in ({}, {"centre": 1.0}, {"sd": 0.2}, {"centre": 1.0, "sd": 0.2}):
        found = shift(readings, **known)
        assert (found.first, found.earliest, found.latest) == (4, 4, 4)
        assert (found.before, found.after) == pytest.approx((1.0, 3.0))


def test_shift_without_any_noise():
    """Two levels without noise are dated, not divided by zero."""
    found = shift([0.0, 0.0, 0.0, 5.0, 5.0])
    assert (found.first, found.earliest, found.latest) == (3, 3, 3)


def test_shift_before_the_first_reading():
    """Against a known centre all readings may lie after the step."""
    assert shift([3.0, 3.1, 2.9, 3.0, 3.2], centre=0.0).first == 0


def test_small_shift_has_a_wide_range():
    """Hardly any step may have been nearly anywhere, and the range says so; more chance is never narrower."""
    readings = np.random.default_rng(5).normal(size=30)
    wide, narrow = shift(readings, chance=0.95), shift(readings, chance=0.5)
    assert wide.latest - wide.earliest > 10
    assert wide.earliest <= narrow.earliest <= narrow.latest <= wide.latest


@given(READINGS, st.floats(0.1, 0.95))
def test_shift_lies_in_its_range(readings, chance):
    """Whatever the readings, the date lies in its range and in the series."""
    if max(readings) - min(readings) > 1e-9 * max(map(abs, readings)):
        found = shift(readings, chance=chance)
        assert 1 <= found.earliest <= found.first <= found.latest < len(readings)


@pytest.mark.parametrize("values", [[1, 2, 3], [2, 2, 2, 2], [1, 2, math.nan, 4]])
def test_no_shift_to_date(values):
    """Too few readings, readings all the same, or missing ones are refused."""
    with pytest.raises(FieldError):
        shift(values)


def test_run_length_falls_with_the_shift():
    """A larger shift is seen sooner, either side alike; columns go through and missing rows stay missing."""
    lengths = average_run_length(weight=0.2, width=3, shift_sd=pd.Series([0.0, 0.5, -0.5, 3.0, math.nan]))
    assert lengths[0] > lengths[1] > lengths[3] > 1
    assert lengths[1] == pytest.approx(lengths[2])
    assert math.isnan(lengths[4])


def test_exact_limits_run_no_longer():
    """Narrower limits at the start alarm no later, falsely or rightly; a huge shift is seen at once."""
    for shifted in (0.0, 1.0):
        design = {"weight": 0.1, "width": 2.8, "shift_sd": shifted}
        assert average_run_length(**design) < average_run_length(**design, limits="steady")
    assert average_run_length(weight=0.1, width=3, shift_sd=60) == pytest.approx(1)


@pytest.mark.parametrize(
    "change", [{"weight": 0.001}, {"weight": 1.5}, {"width": 0}, {"width": 7}, {"shift_sd": math.nan}, {"limits": "x"}]
)
def test_impossible_designs_are_refused(change):
    """Weights, widths and shifts outside their meaning are refused."""
    with pytest.raises(FieldError):
        average_run_length(**({"weight": 0.2, "width": 3.0} | change))
