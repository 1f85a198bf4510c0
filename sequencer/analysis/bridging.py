"""What may have flowed where rows are missing: between a least and a most current, with a reason.

In a record of ours the step was commanded: a constant current counts as that current, and where
the voltage was held or nothing is known of the command, as anything between the readings on both
sides. In a foreign record nobody knows what happened: anything from nothing to the larger reading
beside the gap.
"""

import math
from typing import NamedTuple

from sequencer.analysis.commanded import Commanded

CARRIED = 0.02
"""A reading within this part of the commanded current shows that it was carried (no outside
source)."""
MOST_SHARE = 0.05
"""More of a step's time in gaps than this, and it tells no capacity (our choice)."""


class Bridge(NamedTuple):
    """A gap from one test time to another (s), and the least and the most current that may have
    flowed in it (A, positive when it charges)."""

    from_s: float
    to_s: float
    low_a: float
    high_a: float

    @property
    def middle_a(self) -> float:
        """The current that is counted (A)."""
        return 0.5 * (self.low_a + self.high_a)

    @property
    def half_a(self) -> float:
        """How far the current may have been from that (A)."""
        return 0.5 * (self.high_a - self.low_a)

    def said(self) -> str:
        """The gap and what is counted for it."""
        words = f"a gap of {self.to_s - self.from_s:.4g} s at {self.from_s:.6g} s"
        if not max(abs(self.low_a), abs(self.high_a)) > 0.0:
            return words
        low, high = sorted((abs(self.low_a), abs(self.high_a)))
        if self.low_a * self.high_a < 0.0:
            return f"{words} is counted as {self.low_a:.4g} to {self.high_a:.4g} A"
        return f"{words} is counted as {low:.4g} to {high:.4g} A"


def bridge(
    span_s: tuple[float, float], before_a: float, after_a: float, told: Commanded | None
) -> Bridge:
    """The gap of that span between two readings. ``told``: what the journal says of the step; None
    in a record without a journal, or where the step was broken in it."""
    if told is None or told.is_again:
        return Bridge(*span_s, min(before_a, after_a, 0.0), max(before_a, after_a, 0.0))
    size = told.current_a
    off = max(abs(abs(before_a) - size), abs(abs(after_a) - size))
    if math.isfinite(size) and off <= CARRIED * size:
        middle = 0.5 * (before_a + after_a)
        return Bridge(*span_s, middle - off, middle + off)
    return Bridge(*span_s, min(before_a, after_a), max(before_a, after_a))
