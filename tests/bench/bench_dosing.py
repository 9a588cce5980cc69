"""One dosing answer, and strip times as arrays, side by side with NumPy alone."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from history import PLANT
from measuring import Measure, Run

from sandtrack.ledger import Ledger
from sandtrack.shop import Answer, Shop
from sandtrack.shop.loading import open_folder
from sandtrack.trade.cure import CureLaw
from sandtrack.trade.learning import Belief, Checks, Learned, learn, learn_from

TIMES, RANGES, CALLS = 1_000_000, 1_000, 100
GAS_CONSTANT, ZERO_C = 8.314462618, 273.15
REFERENCE = {"strip_time_min": 45.0, "at_temp_c": 20.0, "at_lever": 35.0}


def bare(temp_c: Any, lever: Any) -> Any:
    """The cure law written down in NumPy, with nothing checked: ln t = ln t0 + E/R (1/T − 1/T0) − n ln(c/c0)."""
    warmth = 50.5e3 / GAS_CONSTANT * (1 / (temp_c + ZERO_C) - 1 / (20.0 + ZERO_C))
    return np.exp(math.log(45.0) + warmth - 1.4 * np.log(lever / 35.0))


@pytest.fixture(scope="module")
def learned() -> Learned:
    """A law learned from invented checks around the formula, with lots."""
    checks = 200
    chance = np.random.default_rng(1)
    temp, lever = chance.uniform(12, 28, checks), chance.uniform(28, 42, checks)
    strip = bare(temp, lever) * np.exp(chance.normal(0, 0.08, checks))
    return learn(
        Belief.default(**REFERENCE),
        temp_c=temp, lever=lever, earliest_min=0.95 * strip, latest_min=1.05 * strip,
        age_days=np.arange(checks, 0, -1.0), lot=np.arange(checks) // 20,
    )  # fmt: skip


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented foundry's year in a shop file."""
    path = tmp_path_factory.mktemp("year") / "demo.sandtrack"
    ledger, _ = open_folder(PLANT.parent, path, sender="set-up")
    ledger.close()
    return path


def setting(shop: Shop, **more: Any) -> Answer:
    """What to set for sand of 18 °C."""
    return shop.setting("m1", "furan", 18.0, at="2025-12-15 10:00", **more)


def test_first_setting(measure: Measure, year: Path) -> None:
    """The first answer of `setting` from a file just opened; the first of all also imports what it needs."""

    @contextmanager
    def opened() -> Iterator[Run]:
        with closing(Ledger.open(year)) as ledger:
            yield lambda: setting(Shop(ledger))

    measure("`setting`, first call: reads and fits 500 checks", opened, unit="ms", warmups=0, anew=True)


@pytest.mark.parametrize(
    ("which", "wanted"),
    [
        ("law at hand, with its reads of the ledger", {}),
        ("for a wanted strip time, the same", {"strip_time_min": 60.0}),
    ],
    ids=["law at hand", "strip time wanted"],
)
def test_setting(measure: Measure, year: Path, which: str, wanted: dict[str, float]) -> None:
    """The answer of `setting` where the law is known from the call before."""
    with closing(Ledger.open(year)) as ledger:
        shop = Shop(ledger)
        measure(f"`setting`, {which}", lambda: setting(shop, **wanted), unit="ms", aim="≤ 5", rounds=20)


def test_setting_from_a_learned_law(measure: Measure, learned: Learned) -> None:
    """The calculation alone: a setting and its range, and one strip time by the bare formula."""
    temp_c, lever_pct = np.float64(18.0), np.float64(35.0)

    def one() -> object:
        lever = learned.lever_for(60.0, 18.0, chance=0.9)
        return lever, learned.strip_range_min(18.0, 35.0 if lever is None else lever)

    measure(
        "one setting from a learned law and its range ÷ the bare formula",
        repeated(one),
        repeated(lambda: bare(temp_c, lever_pct)),
        unit="ms", of=CALLS, aim="stated; this ≤ 1", rounds=15,
    )  # fmt: skip


def repeated(run: Run) -> Run:
    """Many calls in a row."""
    return lambda: [run() for _ in range(CALLS)]


@pytest.mark.parametrize(("which", "lots"), [("lot not said", 0), ("ten lots", 10)], ids=["no_lot", "ten_lots"])
def test_learned_ranges(measure: Measure, learned: Learned, which: str, lots: int) -> None:
    """A thousand ranges from a learned law at once."""
    chance = np.random.default_rng(2)
    temp_c, lever = chance.uniform(10, 30, RANGES), chance.uniform(28, 42, RANGES)
    lot = np.arange(RANGES) % lots if lots else None
    measure(
        f"a thousand learned ranges as arrays, {which}, each",
        lambda: learned.strip_range_min(temp_c, lever, lot=lot),
        unit="µs", of=RANGES, aim="≤ 20", rounds=15,
    )  # fmt: skip


@pytest.mark.parametrize(("count", "aim"), [(1_000, "≤ 50"), (10_000, "≤ 400")])
def test_learning_anew(measure: Measure, count: int, aim: str) -> None:
    """A law from many checks: looks every eight minutes over three years, a lot a month."""
    chance = np.random.default_rng(3)
    age = np.sort(chance.uniform(0, 3 * 365, count))[::-1]
    temp, lever = chance.uniform(8, 30, count), chance.uniform(26, 45, count)
    earliest = np.floor(bare(temp, lever) * np.exp(chance.normal(0, 0.1, count)) / 8) * 8
    checks = Checks(
        temp_c=temp, lever=lever, earliest_min=earliest, latest_min=earliest + 8, age_days=age, lot=np.floor(age / 30)
    )
    belief = Belief.default(**REFERENCE)
    measure(f"learning anew from {count:,} checks", lambda: learn_from(belief, checks), unit="ms", aim=aim)


def test_strip_times(measure: Measure) -> None:
    """A million strip times of the cure law, and the same formula in bare NumPy."""
    chance = np.random.default_rng(2)
    temp_c, lever = chance.uniform(10, 30, TIMES), chance.uniform(28, 42, TIMES)
    law = CureLaw(**REFERENCE, activation_energy_kj_mol=50.5, exponent=1.4)
    assert np.allclose(law.strip_time_min(temp_c, lever), bare(temp_c, lever))  # the same formula
    measure(
        "a million strip times of the cure law ÷ bare NumPy",
        lambda: law.strip_time_min(temp_c, lever),
        lambda: bare(temp_c, lever),
        unit="ms", aim="≤ 2", rounds=15,
    )  # fmt: skip
