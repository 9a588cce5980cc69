"""Invented shops whose law is known, to see whether what is learned from their checks can be believed.

`python tests/trade/shops.py --shops 500 --seed 1` prints the table; `--jumps` shops whose law jumps, `--alarms`
how often the alarm is false. Each shop has its own stream of random numbers: the same seed gives the same shops.

What is drawn, and where it departs from what the fit supposes: each of the three numbers of the law stands 0.2 to 1.5
sd off the middle of the belief, either way; the chance of a mould has a sd of 0.10 to 0.18 and is normal in half of the
shops, in the others Student's t with 4 degrees of freedom or a mixture of a narrow and a wide normal; up to 5 % of
checks are gross errors; lots last 12 to 45 days and shift the law by 0.02 to 0.09 (sd), half of the shops do not record
them; a yearly wave of up to 0.07 is in no model; acid is raised in the cold by a chart, by the season, or as somebody
feels. Whoever checks looks near the time he expects.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
from dataclasses import dataclass

import numpy as np
from scipy import special

from sandtrack.trade.learning import Belief, Checks, learn_from

STAGES = (0, 1, 5, 20, 100, 400)
COVERAGES = (0.5, 0.8, 0.95)
POLICIES = ("chart", "season", "freely")
NOISES = ("normal", "student", "normal", "mixture")
BELIEF = Belief.default(strip_time_min=60, at_temp_c=20, at_lever=35)
PRIOR_MEAN = np.array(BELIEF.mean)
PRIOR_SD = np.sqrt(np.diag(BELIEF.covariance))
NEXT = 4  # moulds asked about after each stage
MOST = STAGES[-1] + NEXT


def warmth(temp_c):
    """(1/T - 1/T0)/R in mol/kJ, T0 = 20 °C."""
    return (1 / (temp_c + 273.15) - 1 / 293.15) * 1e3 / 8.314462618


class Noise:
    """Chance of one mould: its distribution in ln(time)."""

    def __init__(self, kind, sd):
        self.kind, self.sd = kind, sd
        self.grid = self.quantile((np.arange(400) + 0.5) / 400)

    def cdf(self, x):
        """Chance below x."""
        if self.kind == "normal":
            return special.ndtr(x / self.sd)
        if self.kind == "student":
            return special.stdtr(4, x / self.sd * math.sqrt(2))
        return 0.85 * special.ndtr(x / (0.745 * self.sd)) + 0.15 * special.ndtr(x / (1.88 * self.sd))

    def quantile(self, chance):
        """Value below which it lies with a chance."""
        if self.kind == "normal":
            return special.ndtri(chance) * self.sd
        if self.kind == "student":
            return special.stdtrit(4, chance) * self.sd / math.sqrt(2)
        x = np.linspace(-12, 12, 20001) * self.sd
        return np.interp(chance, self.cdf(x), x)


@dataclass
class Shop:
    """Truth of one shop, its moulds and the checks on them."""

    policy: str
    noise: Noise
    records_lots: bool
    law: np.ndarray
    day: np.ndarray
    temp_c: np.ndarray
    lever: np.ndarray
    lot: np.ndarray
    shift: np.ndarray  # lot, season and jump of each mould, in ln(time)
    earliest_min: np.ndarray
    latest_min: np.ndarray
    off: np.ndarray  # factor on the lever for questions off the usual

    def true_ln_time(self, which, factor=1.0):
        """ln of the time of moulds, without their chance."""
        distance = np.log(self.lever[which] * factor / BELIEF.at_lever)
        law = self.law
        return law[0] + law[1] * warmth(self.temp_c[which]) - law[2] * distance + self.shift[which]

    def labels(self, which):
        """Labels of the lots as the shop records them."""
        return self.lot[which] if self.records_lots else np.full(np.shape(self.lot[which]), -1)

    def checks(self, count):
        """The first checks, aged on the day of the next mould."""
        which = slice(0, count)
        return Checks(
            temp_c=self.temp_c[which], lever=self.lever[which], earliest_min=self.earliest_min[which],
            latest_min=self.latest_min[which], age_days=self.day[count] - self.day[which], lot=self.labels(which),
        )  # fmt: skip


def make_shop(seed, number, *, moulds=MOST, jump_at=None):
    """One shop; after `jump_at` moulds its law jumps by 0.3, up or down."""
    rng = np.random.default_rng([seed, number])
    policy, noise_kind = POLICIES[number % 3], NOISES[(number // 3) % 4]
    away = rng.choice([-1.0, 1.0], 3) * rng.uniform(0.2, 1.5, 3)
    law = PRIOR_MEAN + away * PRIOR_SD
    noise = Noise(noise_kind, rng.uniform(0.1, 0.18))
    day = np.cumsum(rng.exponential(1 / rng.uniform(0.5, 2.0), moulds))
    start, swing = rng.uniform(0, 365), rng.uniform(4, 9)
    mean_c = 19 - swing * np.cos(2 * np.pi * (day + start) / 365)
    temp_c = np.round(np.clip(mean_c + rng.normal(0, 2.0, moulds), 3, 38), 1)
    if policy == "chart":
        lever = BELIEF.at_lever * np.exp(PRIOR_MEAN[1] * warmth(temp_c) / PRIOR_MEAN[2])
    elif policy == "season":
        lever = np.where(mean_c < 15, 45.0, np.where(mean_c < 22, 36.0, 29.0))
    else:
        lever = BELIEF.at_lever * np.exp(rng.normal(0, 0.13, moulds) - 0.012 * (temp_c - 20))
    lever = np.clip(np.round(lever), 20, 60)
    lot = np.floor(day / rng.uniform(12, 45)).astype(int)
    shift = rng.normal(0, rng.uniform(0.02, 0.09), lot.max() + 1)[lot]
    shift = shift + rng.uniform(0, 0.07) * np.sin(2 * np.pi * (day / 365 + rng.random()))
    if jump_at is not None:
        shift = shift + rng.choice([-0.3, 0.3]) * (np.arange(moulds) >= jump_at)
    empty = np.zeros(moulds)
    off = np.exp(rng.uniform(math.log(0.7), math.log(1.4), moulds))
    shop = Shop(policy, noise, bool(rng.random() < 0.5), law, day, temp_c, lever, lot, shift, empty, empty, off)
    shop.earliest_min, shop.latest_min = looked(rng, np.exp(shop.true_ln_time(slice(None))), noise)
    return shop


def looked(rng, expected_min, noise):
    """Bounds of the checks: two looks, one look, or the time itself; some of them gross errors."""
    count = expected_min.size
    strip_min = expected_min * np.exp(noise.quantile(rng.random(count)))
    exact, single = rng.uniform(0, 0.15), rng.uniform(0.1, 0.5)
    kind = rng.random(count)
    guess = expected_min * np.exp(rng.normal(0, 0.13, count))
    first, step = np.round(guess * rng.uniform(0.65, 0.9)), np.ceil(guess * rng.uniform(0.08, 0.2))
    looks = np.floor(np.maximum(strip_min - first, 0) / step)
    early = np.where(strip_min <= first, 0.0, first + looks * step)
    late = np.where(strip_min <= first, first, first + (looks + 1) * step)
    once = np.round(guess)
    early = np.where(kind < single, np.where(strip_min > once, once, 0.0), early)
    late = np.where(kind < single, np.where(strip_min > once, np.inf, once), late)
    early = np.where(kind > 1 - exact, np.round(strip_min, 1), early)
    late = np.where(kind > 1 - exact, np.round(strip_min, 1), late)
    wrong = rng.random(count) < rng.uniform(0, 0.05)
    factor = np.where(wrong, np.exp(rng.choice([-1.0, 1.0], count) * rng.uniform(0.5, 1.2, count)), 1.0)
    return early * factor, late * factor


def default_ln_time(temp_c, lever):
    """The rival that never learns: the middle of the belief."""
    return PRIOR_MEAN[0] + PRIOR_MEAN[1] * warmth(temp_c) - PRIOR_MEAN[2] * np.log(lever / BELIEF.at_lever)


def mean_ln_time(checks, temp_c, lever):
    """The rival that averages: closed checks so far, scaled by the belief's own slopes."""
    closed = (checks.earliest_min > 0) & np.isfinite(checks.latest_min)
    here = default_ln_time(temp_c, lever)
    if not closed.any():
        return here
    middle = 0.5 * np.log(checks.earliest_min[closed] * checks.latest_min[closed])
    return here + np.mean(middle - default_ln_time(checks.temp_c[closed], checks.lever[closed]))


def scored(shop, count, *, factor=1.0, learned=None):
    """Scores after `count` checks: inside 50, 80, 95 %; ln width and error, then those of who knows; rivals."""
    checks = shop.checks(count)
    learned = learned or learn_from(BELIEF, checks)
    which = np.arange(count, count + NEXT)
    truth, temp_c, lever = shop.true_ln_time(which, factor), shop.temp_c[which], shop.lever[which] * factor
    row, width = [], 0.0
    for coverage in COVERAGES:
        low, middle, high = learned.strip_range_min(temp_c, lever, coverage=coverage, lot=shop.labels(which))
        row.append(np.mean(shop.noise.cdf(np.log(high) - truth) - shop.noise.cdf(np.log(low) - truth)))
        width = np.mean(np.log(high / low)) if coverage == 0.8 else width

    def error(ln_time):
        return np.mean(np.abs((ln_time - truth)[:, None] - shop.noise.grid))

    known = shop.noise.quantile(0.9) - shop.noise.quantile(0.1)
    rivals = (error(default_ln_time(temp_c, lever)), error(mean_ln_time(checks, temp_c, lever)))
    return [*row, width, error(np.log(middle)), known, error(truth), *rivals]


def one_shop(task):
    """All scores of one shop: stage, usual or off, score."""
    seed, number = task
    shop = make_shop(seed, number)
    rows = np.zeros((len(STAGES), 2, 9))
    for at, count in enumerate(STAGES):
        learned = learn_from(BELIEF, shop.checks(count))
        rows[at, 0] = scored(shop, count, learned=learned)
        rows[at, 1] = scored(shop, count, factor=shop.off[count : count + NEXT], learned=learned)
    return rows


def run(shops, seed, *, processes=1, first=0):
    """Scores of many shops, (shop, stage, usual or off, score)."""
    return np.array(mapped(one_shop, [(seed, first + number) for number in range(shops)], processes))


def mapped(function, tasks, processes):
    """Results in the order of the tasks."""
    if processes == 1:
        return [function(task) for task in tasks]
    with multiprocessing.Pool(processes) as pool:
        return pool.map(function, tasks, chunksize=4)


def table(scores):
    """The scores as text: all shops, then each way of choosing the acid, then questions off the usual acid."""
    numbers = np.arange(scores.shape[0])
    groups = [("usual acid, all shops", numbers, 0)]
    groups += [(f"usual acid, by {policy}", numbers[numbers % 3 == at], 0) for at, policy in enumerate(POLICIES)]
    groups += [("another acid, all shops", numbers, 1)]
    groups += [(f"another acid, {policy}", numbers[numbers % 3 == at], 1) for at, policy in enumerate(POLICIES)]
    lines = []
    for name, which, off in groups:
        lines.append(f"{name} ({which.size} shops)")
        lines.append(
            "checks   50 %   80 %   95 %  (se 80) | high/low  his  ratio | error    his  ratio | default  mean"
        )
        for at, count in enumerate(STAGES):
            rows = scores[which, at, off]
            inside, se = 100 * rows[:, :3].mean(axis=0), 100 * rows[:, 1].std() / math.sqrt(which.size)
            width, error, his_width, his_error, default, mean = rows[:, 3:].mean(axis=0)
            ratios = math.exp(width - his_width), error / his_error
            lines.append(
                f"{count:6d} {inside[0]:6.1f} {inside[1]:6.1f} {inside[2]:6.1f}  ({se:4.2f})  | {math.exp(width):6.3f}"
                f" {math.exp(his_width):6.3f} {ratios[0]:6.3f} | {error:6.4f} {his_error:6.4f} {ratios[1]:6.3f}"
                f" | {default:6.3f} {mean:6.3f}"
            )
    return "\n".join(lines)


AFTER = (0, 3, 6, 10, 20, 40)


def one_jump(task):
    """Inside the 80 % range after a jump, and how many checks the alarm took."""
    seed, number = task
    jump_at = 40 + 7 * (number % 16)
    shop = make_shop(seed, number, moulds=jump_at + AFTER[-1] + NEXT, jump_at=jump_at)
    inside = [scored(shop, jump_at + after)[1] for after in AFTER]
    lag = math.nan
    for after in range(1, AFTER[-1]):
        learned = learn_from(BELIEF, shop.checks(jump_at + after))
        if any(jump.checks_since <= after + 5 for jump in learned.jumps):
            lag = after
            break
    return [*inside, lag]


def one_quiet(task):
    """Checks and false alarms of one shop without a jump, asked anew after every check."""
    seed, number = task
    shop = make_shop(seed, number, moulds=101)
    seen, alarms = [], 0
    for count in range(2, 101):
        days = [shop.day[count] - jump.age_days for jump in learn_from(BELIEF, shop.checks(count)).jumps]
        fresh = [day for day in days if all(abs(day - old) > 10 for old in seen)]
        alarms += bool(fresh)
        seen += fresh
    return alarms


def main():
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--jumps", action="store_true")
    parser.add_argument("--alarms", action="store_true")
    asked = parser.parse_args()
    tasks = [(asked.seed, number) for number in range(asked.shops)]
    if asked.jumps:
        rows = np.array(mapped(one_jump, tasks, asked.processes))
        print("checks after the jump", AFTER, "inside 80 %:", np.round(100 * rows[:, :-1].mean(axis=0), 1))
        lag = rows[:, -1]
        print("alarm raised in", np.round(100 * np.mean(~np.isnan(lag)), 1), "% of shops; within 3, 6, 10:",
              [round(100 * np.mean(lag <= after), 1) for after in (3, 6, 10)])  # fmt: skip
    elif asked.alarms:
        alarms = np.array(mapped(one_quiet, tasks, asked.processes))
        print("false alarms per 100 checks:", np.round(alarms.mean(), 3), "shops with one:", np.mean(alarms > 0))
    else:
        print(table(run(asked.shops, asked.seed, processes=asked.processes)))


if __name__ == "__main__":
    main()
