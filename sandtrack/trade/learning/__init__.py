"""Strip times learned from a shop's own checks: the starting belief, what the checks add, and how far to trust it."""

from __future__ import annotations

from sandtrack.trade.learning.belief import Belief
from sandtrack.trade.learning.checks import Checks
from sandtrack.trade.learning.fit import learn, learn_from
from sandtrack.trade.learning.honesty import Backtest, backtest
from sandtrack.trade.learning.learned import Jump, Learned
from sandtrack.trade.learning.moved import Report, report
from sandtrack.trade.learning.planning import NextCheck, next_check
from sandtrack.trade.learning.protocol import StripTimes

__all__ = [
    "Backtest",
    "Belief",
    "Checks",
    "Jump",
    "Learned",
    "NextCheck",
    "Report",
    "StripTimes",
    "backtest",
    "learn",
    "learn_from",
    "next_check",
    "report",
]
