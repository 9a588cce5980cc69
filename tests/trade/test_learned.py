"""What strip checks add to the belief: limits, contradictions, outliers, single looks, lots, jumps, fading."""

import math
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sandtrack.errors import FieldError
from sandtrack.trade.learning import Belief, Checks, StripTimes, learn, learn_from, report

BELIEF = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
GRADE = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=0.5, lever_kind="grade")


def checks_at(early, late, *, temp_c=20.0, lever=35.0, age_days=0.0, lot=-1):
    """Checks from two lists of bounds, the rest the same for all or a list."""
    count = len(early)
    rest = {"temp_c": temp_c, "lever": lever, "age_days": age_days, "lot": lot}
    columns = {name: np.broadcast_to(np.asarray(value), count) for name, value in rest.items()}
    return Checks(earliest_min=early, latest_min=late, **columns)


def taught(early, late, *, belief=BELIEF, **rest):
    """What is learned from such checks."""
    return learn_from(belief, checks_at(early, late, **rest))


def shop_checks(count, *, seed=3, jump_at=None, jump=0.3, age_each=0.5):
    """Checks of a plausible shop: brackets of five minutes, oldest first, one lot for forty checks."""
    rng = np.random.default_rng(seed)
    temp = 18 + 5 * np.sin(np.arange(count) / 30) + rng.normal(0, 2, count)
    lever = 35 * np.exp(rng.normal(0, 0.15, count))
    warmth = (1 / (temp + 273.15) - 1 / 293.15) * 1e3 / 8.314462618
    lot = np.arange(count) // 40
    ln_time = math.log(45) + 57 * warmth - 1.2 * np.log(lever / 35) + rng.normal(0, 0.05, lot.max() + 1)[lot]
    if jump_at is not None:
        ln_time = ln_time + jump * (np.arange(count) >= jump_at)
    strip = np.exp(ln_time + rng.normal(0, 0.1, count))
    early = np.floor(strip / 5) * 5
    ages = age_each * np.arange(count)[::-1]
    return Checks(temp_c=temp, lever=lever, earliest_min=early, latest_min=early + 5, age_days=ages, lot=lot)


def spread(learned, **where):
    """ln(high/low) of the 80 % range at 20 °C and 35 %."""
    low, _, high = learned.strip_range_min(20, 35, **where)
    return math.log(high / low)


@pytest.mark.parametrize("belief", [BELIEF, GRADE])
def test_without_checks_it_is_the_belief(belief):
    """With no check, range, chance and lever are those of the belief to 1e-9."""
    nothing = learn(belief, temp_c=[], lever=[], earliest_min=[], latest_min=[], age_days=[])
    assert (nothing.mean, nothing.covariance, nothing.checks) == (belief.mean, belief.covariance, 0)
    temps, lever = np.array([5.0, 20.0, 33.0]), belief.at_lever * 0.8
    for coverage in (0.5, 0.95):
        ours = nothing.strip_range_min(temps, lever, coverage=coverage)
        theirs = belief.strip_range_min(temps, lever, coverage=coverage)
        np.testing.assert_allclose(ours, theirs, rtol=1e-9)
    np.testing.assert_allclose(nothing.chance_by(50, temps, lever), belief.chance_by(50, temps, lever), rtol=1e-8)
    ours, theirs = (each.lever_for(95, 15, chance=0.6) for each in (nothing, belief))
    assert ours == pytest.approx(theirs, rel=1e-6)


def test_faded_checks_leave_the_belief():
    """Checks older than a dozen half-lives count no more."""
    old = taught([20, 25], [25, 30], age_days=1500)
    assert old.checks == 0
    assert old.mean == BELIEF.mean


def test_one_check_pulls_the_middle_towards_it():
    """One bracket well below the belief pulls the middle most of the way and narrows the range."""
    one = taught([40], [45])
    low, middle, high = one.strip_range_min(20, 35)
    assert 42 < middle < 48
    assert high / low < BELIEF.strip_range_min(20, 35)[2] / BELIEF.strip_range_min(20, 35)[0]


def test_single_looks_move_one_way_only():
    """ "Firm by 50" makes the middle smaller, "not yet at 70" larger; a look that tells nothing new moves nothing."""
    middle = BELIEF.strip_range_min(20, 35)[1]
    assert taught([0], [50]).strip_range_min(20, 35)[1] < 0.95 * middle
    assert taught([70], [math.inf]).strip_range_min(20, 35)[1] > 1.05 * middle
    assert taught([0], [600]).strip_range_min(20, 35)[1] == pytest.approx(middle, rel=0.01)


def test_a_bracket_teaches_more_than_a_look():
    """A bracket narrows the range more than one of its looks, an exact time at least as much as the bracket."""
    look, bracket, exact = (spread(taught([early], [late])) for early, late in ((0, 62), (58, 62), (60, 60)))
    assert exact <= bracket * 1.001
    assert bracket < look < spread(BELIEF)


def test_a_gross_outlier_hardly_matters():
    """One check written four times too long among twenty moves the middle by less than 3 %."""
    early, late = [40.0, 45.0] * 10, [45.0, 50.0] * 10
    clean = taught(early, late).strip_range_min(20, 35)
    dirty = taught([*early, 180.0], [*late, 185.0]).strip_range_min(20, 35)
    assert dirty[1] == pytest.approx(clean[1], rel=0.03)
    believed = replace(BELIEF, outlier_share=0.0)
    assert spread(taught([*early, 180.0], [*late, 185.0], belief=believed)) > 1.5 * math.log(dirty[2] / dirty[0])


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_contradiction_is_survived(count):
    """Checks that cannot all be true give a finite range."""
    early = [40.0 if k % 2 else 15.0 for k in range(count)]
    learned = taught(early, [e + 5 for e in early])
    low, middle, high = learned.strip_range_min(20, 35)
    assert 5 < low < middle < high < 150


def test_a_fit_that_does_not_settle_is_told():
    """Six checks at one setting, from 5 to 300 min, rule each other out: no rest is found, and the words say it."""
    learned = taught([10, 80, 40, 5, 300, 160], [11, 81, 41, 10, 301, 162], age_days=1)
    assert not learned.settled
    assert report(learned).words[-1].startswith("The checks contradict each other")


@given(st.integers(0, 10**6), st.sampled_from(["as it is", "no doubt", "noise known", "no lots", "hardly any noise"]))
@settings(max_examples=40, deadline=None)
def test_whatever_the_checks_the_range_is_finite(seed, kind):
    """Wild checks, many of them contradicting, of any width and age, never end in an error or a range without end."""
    changed = {
        "as it is": {},
        "no doubt": {"outlier_share": 0.0},
        "noise known": {"check_sd_spread": 0.0, "lot_sd_spread": 0.0},
        "no lots": {"lot_sd": 0.0},
        "hardly any noise": {"check_sd": 0.0, "check_sd_spread": 0.0},
    }
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 25))
    middle, width = np.exp(rng.normal(4, rng.choice([0.05, 0.5, 2]), count)), rng.choice([0, 1e-6, 0.01, 0.3, 3], count)
    kept = rng.random(count)
    learned = taught(
        np.where(kept < 0.2, 0, middle * np.exp(-width)),
        np.where(kept > 0.8, math.inf, middle * np.exp(width)),
        belief=replace(BELIEF, **changed[kind]),
        temp_c=rng.normal(18, rng.choice([0, 6, 20]), count),
        lever=35 * np.exp(rng.normal(0, rng.choice([0, 0.2, 1]), count)),
        age_days=rng.exponential(rng.choice([0, 50, 400]), count),
        lot=rng.integers(-1, 4, count),
    )
    ends = np.array(learned.strip_range_min([5, 20], 35.0, lot=2))
    assert np.all(np.isfinite(ends))
    assert np.all(np.diff(ends, axis=0) > 0)


def test_agreeing_checks_settle():
    """Checks that agree settle."""
    assert all(taught([40] * count, [45] * count).settled for count in (1, 2, 5, 30))


def test_noise_is_learned():
    """The chance of a check comes out near the one the checks were made with, and its range holds it."""
    for sd in (0.06, 0.2):
        times = 50 * np.exp(np.random.default_rng(5).normal(0, sd, 300))
        low, middle, high = taught(times, times).check_sd
        assert middle == pytest.approx(sd, rel=0.15)
        assert low < middle < high


def test_a_new_lot_widens_the_range():
    """A lot that was never checked is foretold wider than a known one, the more the lots differed before."""
    rng = np.random.default_rng(2)
    lot = np.arange(160) // 16

    def learned(lot_sd):
        times = 50 * np.exp(rng.normal(0, lot_sd, 10)[lot] + rng.normal(0, 0.08, 160))
        return taught(times, times, lot=lot)

    calm, restless = learned(0.02), learned(0.15)
    for each in (calm, restless):
        known, unsaid, new = spread(each, lot=9), spread(each, lot=None), spread(each, lot=99)
        assert known < unsaid < new
    widening = [spread(each, lot=99) / spread(each, lot=9) for each in (calm, restless)]
    assert widening[1] > 1.2 * widening[0]
    assert restless.lot_sd[1] > 2 * calm.lot_sd[1]


def test_lots_can_be_taken_to_differ_more():
    """By hand: spread 0.01 known, 0.07 at the least: the variance of a new lot grows by 0.0049 - 0.0001; no other's."""
    surely = replace(BELIEF, lot_sd=0.01, lot_sd_spread=0.0)
    known = taught([40.0] * 9, [44.0] * 9, belief=surely, lot=[1, 2, 3] * 3)
    for lot, more in ((9, 0.0048), (2, 0.0)):
        (means, sds, _), (same, wider, _) = (each.ln_time(20, 35, lot) for each in (known, known.with_lots_apart(0.07)))
        assert np.array_equal(means, same)
        assert wider**2 - sds**2 == pytest.approx(more, abs=1e-12)


def test_checks_of_a_new_lot_confirm_it():
    """A few checks of the new lot take most of the widening away, and move to where it stands."""
    rng = np.random.default_rng(4)
    lot = np.repeat(np.arange(9), 12)
    times = 50 * np.exp(rng.normal(0, 0.12, 9)[lot] + rng.normal(0, 0.08, lot.size))
    before = taught(times, times, lot=lot)
    new = np.full(6, 50 * math.exp(0.2))
    after = taught([*times, *new], [*times, *new], lot=[*lot, *[50] * 6])
    assert spread(after, lot=50) < 0.85 * spread(before, lot=50)
    assert after.strip_range_min(20, 35, lot=50)[1] > 1.08 * before.strip_range_min(20, 35, lot=50)[1]


def test_lots_can_be_left_out():
    """Without lots in the belief, labels change nothing."""
    bare = replace(BELIEF, lot_sd=0.0)
    learned = [taught([40, 45, 50], [45, 50, 55], belief=bare, lot=lot) for lot in ([1, 1, 1], [1, 2, 3])]
    assert learned[0].mean == learned[1].mean
    assert spread(learned[0], lot=1) == spread(learned[0], lot=7)


def test_older_checks_fade():
    """Of two groups that disagree the younger wins, the more so the shorter the half-life."""
    early = [40.0] * 8 + [55.0] * 8
    ages = [240.0] * 8 + [0.0] * 8
    middles = []
    for half_life in (math.inf, 120.0, 30.0):
        belief = replace(BELIEF, half_life_days=half_life, lot_sd=0.0, jump_sd=0.0)
        learned = taught(early, [e + 5 for e in early], age_days=ages, belief=belief)
        middles.append(learned.strip_range_min(20, 35)[1])
    assert middles[0] < middles[1] < middles[2]
    assert middles[0] == pytest.approx(math.sqrt(42.5 * 57.5), rel=0.03)
    assert middles[2] == pytest.approx(57.5, rel=0.03)


def test_a_jump_raises_the_alarm_and_is_followed():
    """A jump of 0.3 is found, told with its day and size, and the middle follows within ten checks."""
    learned = learn_from(BELIEF, shop_checks(78, jump_at=68))
    assert learned.alarm
    jump = learned.jumps[0]
    assert jump.checks_since == pytest.approx(10, abs=3)
    assert jump.change == pytest.approx(0.3, abs=3 * jump.change_sd)
    assert learned.strip_range_min(20, 35, lot=1)[1] == pytest.approx(45 * math.exp(0.3), rel=0.12)
    assert not learn_from(BELIEF, shop_checks(78)).alarm
    silent = learn_from(replace(BELIEF, jump_sd=0.0), shop_checks(78, jump_at=68))
    assert silent.jumps == ()


def test_an_old_jump_is_no_alarm():
    """A jump many checks ago is remembered, not rung again."""
    learned = learn_from(BELIEF, shop_checks(110, jump_at=60))
    assert learned.jumps
    assert not learned.alarm


def test_same_checks_same_answer():
    """Asked twice, the same numbers to the last bit."""
    first, second = (learn_from(BELIEF, shop_checks(60)) for _ in range(2))
    assert first.mean == second.mean
    assert first.strip_range_min(12, 40) == second.strip_range_min(12, 40)


@given(st.permutations(range(12)))
@settings(max_examples=15, deadline=None)
def test_order_of_equally_old_checks_does_not_matter(order):
    """Checks of equal age in any order give the same numbers to the last bit."""
    checks = replace(shop_checks(12), age_days=np.zeros(12))
    shuffled = learn_from(BELIEF, checks.taken(np.array(order)))
    assert shuffled.mean == learn_from(BELIEF, checks).mean


@given(st.floats(2, 38), st.floats(20, 60), st.floats(0.05, 0.9))
@settings(deadline=None)
def test_ranges_nest_and_agree_with_chances(temp, lever, coverage):
    """Wider coverage holds the narrower range; the chances at its ends differ by the coverage."""
    low, middle, high = SHOP.strip_range_min(temp, lever, coverage=coverage)
    wider = SHOP.strip_range_min(temp, lever, coverage=coverage + 0.05)
    assert wider[0] < low < middle < high < wider[2]
    assert SHOP.chance_by(middle, temp, lever) == pytest.approx(0.5, abs=1e-7)
    inside = SHOP.chance_by(high, temp, lever) - SHOP.chance_by(low, temp, lever)
    assert inside == pytest.approx(coverage, abs=1e-7)


def test_colder_and_less_is_slower():
    """The middle falls with temperature and with the lever; the chance rises with time."""
    temps, levers = np.linspace(2, 38, 50), np.linspace(20, 60, 50)
    assert np.all(np.diff(SHOP.strip_range_min(temps, 35)[1]) < 0)
    assert np.all(np.diff(SHOP.strip_range_min(20, levers)[1]) < 0)
    assert np.all(np.diff(SHOP.chance_by(np.linspace(20, 100, 50), 20, 35)) > 0)


@given(st.floats(4, 36), st.floats(15, 200), st.floats(0.05, 0.95))
@settings(deadline=None)
def test_lever_found_is_the_smallest_that_will_do(temp, wanted, chance):
    """The amount found reaches the chance, a little less does not; none is found only where the window has none."""
    found = SHOP.lever_for(wanted, temp, chance=chance, window=(20, 60))
    grid = SHOP.chance_by(wanted, temp, np.linspace(20, 60, 201))
    if found is None:
        assert np.all(grid < chance)
        return
    assert SHOP.chance_by(wanted, temp, found) >= chance - 1e-9
    if found > 20:
        assert SHOP.chance_by(wanted, temp, found * 0.999) < chance


def test_grades_are_learned_too():
    """A lever that is a share is learned with its own slope."""
    share = np.tile([0.2, 0.8], 30)
    times = 60 * np.exp(-1.0 * (share - 0.5) + np.random.default_rng(1).normal(0, 0.05, 60))
    learned = learn_from(GRADE, checks_at(times, times, lever=share))
    assert learned.mean[2] == pytest.approx(1.0, abs=0.1)
    assert 0 <= learned.lever_for(60, 20, chance=0.8) <= 1


def test_columns_go_through():
    """Columns, Series and lots of each row go through; a missing row stays missing."""
    temps = pd.Series([20.0, math.nan, 10.0], index=["a", "b", "c"])
    for column in SHOP.strip_range_min(temps, 35.0):
        assert list(column.index) == ["a", "b", "c"]
        assert column.isna().tolist() == [False, True, False]
    by_lot = SHOP.strip_range_min(20, 35, lot=np.array([0, 1, 99, -1]))[1]
    assert by_lot.shape == (4,)
    assert by_lot[1] == SHOP.strip_range_min(20, 35, lot=1)[1]
    assert by_lot[3] == SHOP.strip_range_min(20, 35)[1]
    assert type(SHOP.strip_range_min(20, 35)[0]) is float
    assert SHOP.chance_by([50, 60], 20, [35, 36]).shape == (2,)


def test_belief_and_learned_answer_the_same_questions():
    """Whoever asks need not know whether anything was learned."""

    def ask(times: StripTimes):
        return times.strip_range_min(20, 35, lot=1)[1], times.chance_by(60, 20, 35, lot=1)

    assert ask(BELIEF)[1] == 0.5
    assert ask(SHOP)[1] > 0.5


SHOP = learn_from(BELIEF, shop_checks(60))
GOOD = {
    "temp_c": [20.0, 18.0], "lever": [35.0, 36.0], "earliest_min": [40.0, 0.0], "latest_min": [45.0, 60.0],
    "age_days": [3.0, 1.0], "lot": [4, -1],
}  # fmt: skip


@pytest.mark.parametrize(
    ("field", "column", "says"),
    [
        ("latest_min", [45.0, 0.0], "out of range"),
        ("earliest_min", [50.0, 0.0], "of check 1 is before earliest_min"),
        ("latest_min", [45.0, math.inf], "of check 2 and earliest_min are both open"),
        ("temp_c", [20.0, math.nan], "of check 2 is missing"),
        ("temp_c", [20.0, -300.0], "out of range"),
        ("age_days", [3.0, -1.0], "out of range"),
        ("lever", [35.0], "another length"),
        ("lever", [35.0, 0.0], "out of range"),
        ("lot", [1.5, 2], "not a whole number"),
        ("lot", [-2, 2], "out of range"),
        ("latest_min", 45.0, "single value"),
        ("temp_c", ["warm", "cold"], "not a number"),
    ],
)
def test_impossible_checks_are_refused(field, column, says):
    """A check that cannot be is refused with its column, its row and the reason."""
    with pytest.raises(FieldError, match=says):
        learn(BELIEF, **{**GOOD, field: column})


def test_good_checks_are_taken():
    """The columns from which the impossible ones were made are fine themselves, also as Series."""
    assert learn(BELIEF, **GOOD).checks == 2
    assert learn(BELIEF, **{name: pd.Series(column) for name, column in GOOD.items()}).checks == 2


@pytest.mark.parametrize(
    "ask",
    [
        lambda: SHOP.strip_range_min(20, 35, coverage=0),
        lambda: SHOP.strip_range_min(20, 0),
        lambda: SHOP.strip_range_min(20, 35, lot=-3),
        lambda: SHOP.strip_range_min(20, 35, lot=0.5),
        lambda: SHOP.chance_by(0, 20, 35),
        lambda: SHOP.chance_by(60, -280, 35),
        lambda: SHOP.lever_for(60, 20, chance=1),
        lambda: SHOP.lever_for(60, 20, chance=0.5, window=(50, 20)),
        lambda: replace(BELIEF, outlier_share=0.5),
        lambda: replace(BELIEF, half_life_days=0),
        lambda: replace(BELIEF, jump_sd=-1),
    ],
)
def test_nonsense_is_refused(ask):
    """Questions and settings outside their meaning are refused."""
    with pytest.raises(FieldError):
        ask()


def test_a_choice_of_checks_keeps_them_whole():
    """Taking some checks keeps every column of each, and counts ages from another day but never below 0."""
    checks = shop_checks(10)
    some = checks.taken([2, 5], younger_by=3.0)
    assert len(some) == 2
    assert some.age_days.tolist() == [0.5, 0.0]
    assert {field.name: getattr(some, field.name)[0] for field in fields(some) if field.name != "age_days"} == {
        field.name: getattr(checks, field.name)[2] for field in fields(some) if field.name != "age_days"
    }
