"""How much current may still flow into or out of the cell, from what instruments read: pure.

A reading is compared with this run's zero, which may not exceed the stated error at zero: what is
beyond that is current. Each direction has its own bound: a supply that is off can only leak out of
the cell, a load can only draw. Unit: A; positive current charges.
"""

from collections.abc import Iterable, Sequence
from math import inf
from typing import NamedTuple

from sequencer.documents.safing import Safed

NOTHING_KNOWN = (-inf, inf)
_COUNTS = 2.0
"""Counts that a reading and this run's zero may be apart without current: one for each."""


class CurrentRange(NamedTuple):
    """The current (A) into the cell lies between these."""

    low: float
    high: float

    @property
    def most_a(self) -> float:
        """The larger magnitude."""
        return max(abs(self.low), abs(self.high))

    def also(self, other: "CurrentRange") -> "CurrentRange":
        """What both allow; where they contradict each other, what either allows."""
        low, high = max(self.low, other.low), min(self.high, other.high)
        if low <= high:
            return CurrentRange(low, high)
        return CurrentRange(min(self.low, other.low), max(self.high, other.high))


def zero_of(one: Safed) -> float:
    """This run's zero (A), as far as the stated error at zero explains it; 0 if none is known."""
    stated_a = one.visible_a - one.leak_a
    if one.zero_a is None or not stated_a < inf:
        return 0.0
    return max(-stated_a, min(one.zero_a, stated_a))


def reads_current(one: Safed, amps: float) -> bool:
    """Whether a reading is more than the instrument may show without any; NaN is."""
    return not abs(amps) <= one.visible_a


def reading_range(one: Safed, amps: float) -> CurrentRange:
    """What a reading leaves possible: the narrower of what the stated error and what this run's
    zero say. A display without a sign may hide a zero below zero, so its 0 is no zero."""
    stated_a = one.visible_a - one.leak_a
    if not stated_a < inf or not abs(amps) < inf:
        return CurrentRange(*NOTHING_KNOWN)
    stated = CurrentRange(amps - stated_a, amps + stated_a)
    if one.zero_a is None or (one.zero_a == 0.0 and not one.is_signed):
        return stated
    moved, counts = amps - zero_of(one), _COUNTS * one.count_a
    return stated.also(CurrentRange(moved - counts, moved + counts))


def output_range(one: Safed, readings: Sequence[float]) -> CurrentRange:
    """The current that an output which is off may drive (positive) or draw (negative) through the
    cell, from its own readings, in its own sign; what leaks is added."""
    seen = _widest(reading_range(one, amps) for amps in readings)
    most_a, back_a = max(0.0, seen.high), max(0.0, -seen.low)
    low, high = 0.0, 0.0
    if "charge" in one.roles:
        low, high = -max(one.leak_a, back_a if one.sinks else 0.0), most_a
    if "discharge" in one.roles:
        low = min(low, -max(one.leak_a, most_a))
    return CurrentRange(low, high)


def total(parts: Iterable[CurrentRange]) -> CurrentRange:
    """Currents of several outputs into one cell."""
    found = list(parts)
    return CurrentRange(sum(one.low for one in found), sum(one.high for one in found))


def ammeter_range(one: Safed, readings: Sequence[float]) -> CurrentRange:
    """The current through an ammeter in series with the cell."""
    return _widest(reading_range(one, amps) for amps in readings)


def _widest(ranges: Iterable[CurrentRange]) -> CurrentRange:
    found = list(ranges)
    if not found:
        return CurrentRange(*NOTHING_KNOWN)
    return CurrentRange(min(one.low for one in found), max(one.high for one in found))
