"""Strip times learned from a shop's own checks: the starting belief, what the checks add, and how far to trust it."""

from __future__ import annotations

from sandtrack.trade.learning.belief import Belief
from sandtrack.trade.learning.checks import Checks
from sandtrack.trade.learning.fit import learn, learn_from
from sandtrack.trade.learning.learned import Jump, Learned

__all__ = ["Belief", "Checks", "Jump", "Learned", "learn", "learn_from"]
