"""Is it honest, what was moved, and what to check next."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sandtrack.errors import FieldError
from sandtrack.trade.learning import Belief, Checks, backtest, learn_from, next_check, report

BELIEF = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)


def checks_of(times, *, half_width=0.0, temp_c=20.0, lever=35.0):
    """Checks a day apart, oldest first, on given strip times."""
    count = len(times)
    times = np.asarray(times, dtype=float)
    return Checks(
        temp_c=np.broadcast_to(temp_c, count), lever=np.broadcast_to(lever, count), lot=np.zeros(count),
        earliest_min=times - half_width, latest_min=times + half_width, age_days=np.arange(count)[::-1] * 1.0,
    )  # fmt: skip


def steady(count, *, seed=1, sd=0.1, **rest):
    """Checks on a shop that strips in about 45 min."""
    return checks_of(45 * np.exp(np.random.default_rng(seed).normal(0, sd, count)), **rest)


def test_each_check_is_foretold_from_those_before_it():
    """The first is foretold by the belief alone, the last by all others, with ages counted from its own day."""
    checks = steady(12)
    test = backtest(BELIEF, checks)
    assert test.order.tolist() == list(range(12))
    assert test.middle_min[0] == pytest.approx(60)
    before = learn_from(BELIEF, checks.taken(slice(0, 11)))
    expected = before.strip_range_min(20, 35, lot=0)
    assert (test.low_min[-1], test.middle_min[-1], test.high_min[-1]) == pytest.approx(expected, rel=1e-3)


def test_shares_and_errors_by_hand():
    """Two exact checks of 60 and 240 min against a belief of 60: half inside, errors 0 and ln 4 of the belief."""
    test = backtest(BELIEF, checks_of([60.0, 240.0]))
    assert (test.checks, test.closed, test.stride) == (2, 2, 1)
    assert (test.inside_50, test.inside_80, test.inside_95) == (0.5, 0.5, 0.5)
    assert test.error_default == pytest.approx(math.log(4) / 2)
    assert test.error_mean == pytest.approx(math.log(4) / 2)


def test_the_scaled_mean_doubles_for_ten_degrees():
    """A check of 40 min at 20 °C foretells 80 min at 10 °C and 35 %; by hand."""
    checks = replace(checks_of([40.0, 80.0]), temp_c=np.array([20.0, 10.0]))
    assert backtest(BELIEF, checks).error_mean == pytest.approx(math.log(60 / 40) / 2)


def test_an_interval_counts_by_the_chance_it_was_given():
    """A bracket wholly inside counts 1, wholly outside 0, one that holds the whole range counts its coverage."""
    high = BELIEF.strip_range_min(20, 35)[2]
    for early, late, share in ((55, 65, 1.0), (high * 1.1, high * 1.3, 0.0), (0.001, 1e6, 0.8)):
        one = Checks(temp_c=[20], lever=[35], earliest_min=[early], latest_min=[late], age_days=[0], lot=[0])
        assert backtest(BELIEF, one).inside_80 == pytest.approx(share, abs=1e-6)
    upper_half = Checks(temp_c=[20], lever=[35], earliest_min=[60], latest_min=[math.inf], age_days=[0], lot=[0])
    test = backtest(BELIEF, upper_half)
    assert test.inside_80 == pytest.approx(0.8, abs=1e-6)  # 0.4 of the upper half's 0.5
    assert test.closed == 0
    assert math.isnan(test.error)


def test_trust_is_earned():
    """Few checks are not trusted; a steady shop is, and the words say by what."""
    assert backtest(BELIEF, steady(10)).words == "Not yet: 10 checks with both bounds, 20 are wanted."
    test = backtest(BELIEF, steady(60))
    assert test.trusted
    assert test.words.startswith("Yes: ")
    assert test.error < test.error_default


def test_narrow_ranges_are_not_trusted():
    """A belief that takes the noise as known and far too small is found out."""
    sure = replace(BELIEF, check_sd=0.02, check_sd_spread=0.0, outlier_share=0.0, lot_sd=0.0, jump_sd=0.0)
    test = backtest(sure, steady(60))
    assert not test.trusted
    assert "too narrow" in test.words


def test_a_better_rival_is_told():
    """Where the belief alone does better, it is said."""
    times = 60 * np.exp(np.tile([-0.1, 0.1], 20))
    rough = replace(BELIEF, mean=(math.log(60), 50.5, 1.45), check_sd=0.3, check_sd_spread=0.0, outlier_share=0.0)
    test = backtest(replace(rough, half_life_days=0.3), checks_of(times))
    assert not test.trusted
    assert "simpler rule" in test.words


def test_many_checks_are_refitted_at_a_stride():
    """More than a hundred checks are refitted every few, and the stride is stated; one can be asked for."""
    assert backtest(BELIEF, steady(201)).stride == 3
    near, far = backtest(BELIEF, steady(40)), backtest(BELIEF, steady(40), stride=10)
    assert (near.stride, far.stride) == (1, 10)
    assert far.inside_80 == pytest.approx(near.inside_80, abs=0.1)
    for stride in (0, 1.5, True):
        with pytest.raises(FieldError):
            backtest(BELIEF, steady(5), stride=stride)


def test_nothing_to_foretell():
    """Without checks nothing is claimed."""
    test = backtest(BELIEF, steady(0))
    assert test.checks == 0
    assert math.isnan(test.inside_80)
    assert not test.trusted


def two_way(temps, levers, *, count=40):
    """Checks over given temperatures and levers in turn, on a law of 55 kJ/mol and exponent 1.2."""
    temp, lever = np.resize(temps, count).astype(float), np.resize(levers, count).astype(float)
    warmth = (1 / (temp + 273.15) - 1 / 293.15) * 1e3 / 8.314462618
    chance = np.random.default_rng(0).normal(0, 0.08, count)
    return checks_of(50 * np.exp(55 * warmth - 1.2 * np.log(lever / 35) + chance), temp_c=temp, lever=lever)


def test_what_is_not_learned_is_said_with_its_reason():
    """All at one setting: energy and exponent are still the belief, and it is said why."""
    told = report(learn_from(BELIEF, two_way([20], [35])))
    assert [c.clear for c in told.coefficients] == [True, False, False]
    assert told.coefficients[1].learned < 0.1
    assert told.coefficients[2].learned < 0.1
    assert "all checks were made at nearly the same temperature" in told.words[1]
    assert "all checks were made at nearly the same amount" in told.words[2]


def test_acid_by_a_chart_teaches_the_two_together():
    """Acid raised with the cold: together known, each alone not, as no check has another amount at the same warmth."""
    temps = np.array([5.0, 12.0, 20.0, 28.0])
    told = report(learn_from(BELIEF, two_way(temps, np.round(35 * np.exp(-0.04 * (temps - 20)), 1), count=120)))
    assert abs(told.correlation) > 0.7
    assert told.directions[0].learned > 0.95
    assert told.words == (
        "The reference time is the shop's own.",
        "How temperature and the amount act together is known; each alone is not: "
        "no check was made at another amount at the same temperature.",
    )


def law_of_doubt(shares, correlation):
    """What is learned of a law with known shares of variance gone: made by hand, so that its words can be foretold."""
    learned = learn_from(BELIEF, two_way([8, 20, 28], [28, 34, 45]))
    sds = np.sqrt(np.diag(BELIEF.covariance) * (1 - np.array(shares)))
    after = np.diag(sds**2)
    after[1, 2] = after[2, 1] = correlation * sds[1] * sds[2]
    return replace(learned, covariance=tuple(map(tuple, after)))


@pytest.mark.parametrize(
    ("shares", "correlation", "warmth", "amount"),
    [
        ((0.99, 0.88, 0.92), 0.82, "is learned", "is learned"),  # tied, but little doubt is left of either
        ((0.99, 0.60, 0.60), 0.20, "is learned", "is learned"),
        ((0.99, 0.60, 0.96), 0.80, "is known only together with the amount", "is learned"),
        ((0.99, 0.97, 0.70), 0.80, "is learned", "is known only together with warmth"),
        ((0.99, 0.40, 0.60), 0.20, "is still the starting belief", "is learned"),
        # tied; but of the two together 1 - 0.9·(1 - 0.75) = 0.775 is gone, less than 0.8
        ((0.99, 0.10, 0.10), 0.75, "is still the starting belief", "is still the starting belief"),
    ],
)
def test_what_is_learned_is_never_called_the_belief(shares, correlation, warmth, amount):
    """One sentence for each number: learned, known with the other only, or the belief; two tied count from 0.8 on."""
    words = report(law_of_doubt(shares, correlation)).words[1:]
    assert [word.partition(":")[0].rstrip(".") for word in words] == [
        f"How time falls with warmth {warmth}",
        f"How time falls with the amount {amount}",
    ]


def test_all_four_corners_teach_both():
    """Both amounts at both temperatures teach both numbers, near the true ones."""
    told = report(learn_from(BELIEF, two_way([8, 8, 28, 28], [28, 45], count=80)))
    assert all(c.clear for c in told.coefficients)
    assert told.coefficients[1].now == pytest.approx(55, abs=4)
    assert told.coefficients[2].now == pytest.approx(1.2, abs=0.15)
    assert "How time falls with the amount is learned." in told.words


def test_nothing_learned_is_said():
    """Without checks all of it is the starting belief."""
    told = report(learn_from(BELIEF, steady(0)))
    assert told.words == ("Nothing is learned yet: there is no check, all of it is the starting belief.",)
    assert [c.learned for c in told.coefficients] == [0.0, 0.0, 0.0]


def test_a_jump_is_said():
    """An alarm is told in words, with its size."""
    times = np.concatenate([steady(40, sd=0.05).latest_min, 1.4 * steady(10, sd=0.05, seed=2).latest_min])
    words = " ".join(report(learn_from(BELIEF, checks_of(times))).words)
    assert "The law jumped" in words
    assert "%" in words


def test_the_next_check_goes_where_nothing_is_known():
    """All checks at 20 °C and winter ahead: check in the cold; the gain is that of a normal law, by hand."""
    learned = learn_from(BELIEF, two_way([20], [35]))
    ask = {"work_temp_c": [5, 8], "work_lever": 40, "temps_c": [5, 8, 20], "levers": [35, 40, 45]}
    best = next_check(learned, **ask, bracket_min=5)
    assert best.temp_c == 5
    assert best.lever in (40, 45)
    assert best.gain > best.usual_gain > 0
    look = next_check(learned, **ask)
    assert 0 < look.gain < best.gain
    assert "Check a mould at 5 °C" in best.words


def test_gain_of_a_check_by_hand():
    """One place, no law but ln(time): V²/(V + τ² + s² + w²/12)/V; V 0.2916, s 0.115, τ 0.07, w = 6/60."""
    only_time = replace(BELIEF, covariance=((0.2916, 0, 0), (0, 0, 0), (0, 0, 0)))
    nothing = learn_from(only_time, steady(0))
    best = next_check(nothing, work_temp_c=20, work_lever=35, temps_c=20, levers=35, bracket_min=6)
    # 0.2916 / (0.2916 + 0.0049 + 0.013225 + 0.01/12) = 0.2916 / 0.310558
    assert best.gain == pytest.approx(0.938955, abs=2e-6)
    assert best.usual_gain == pytest.approx(best.gain)
    assert best.look_at_min == pytest.approx(60)
    one_look = next_check(nothing, work_temp_c=20, work_lever=35, temps_c=20, levers=35)
    assert one_look.gain == pytest.approx(2 / math.pi * 0.2916 / 0.309725, abs=2e-6)


@pytest.mark.parametrize("wrong", [{"work_temp_c": []}, {"levers": 0}, {"temps_c": -300}, {"bracket_min": -1}])
def test_impossible_plans_are_refused(wrong):
    """No work, impossible settings and negative brackets are refused."""
    ask = {"work_temp_c": 20, "work_lever": 35, "temps_c": 20, "levers": 35, **wrong}
    with pytest.raises(FieldError):
        next_check(learn_from(BELIEF, steady(3)), **ask)
