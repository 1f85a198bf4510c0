"""What a record without a journal leaves open of its steps, and what its rows tell all the same:
which steps are one charge, when a step began and ended, what flowed between coarse rows of a taper.

Owns nothing that a journal says better.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from sequencer.analysis.bridging import Bridge
from sequencer.analysis.common_times import Readings, last_before
from sequencer.recording.current_levels import QUIET, noise_a
from sequencer.vocabulary.table import Floats, Table

HELD_V = 0.005
"""A voltage that moves by no more than this is held (no outside source)."""
NEAR_V = 0.03
"""The last row of a constant current may be this far below the voltage that is then held (V)."""
REGULAR = 0.1
"""Intervals that differ by no more than this share are one."""
LEAST_EDGES = 2
"""So many steps whose last row comes sooner than a regular one show a row at each end."""
COARSE = 1.1
"""A current that falls by more than this factor from row to row is followed coarsely."""
COARSE_SHARE = 0.02
"""... when it falls by more than this share of the largest current of the step, and its noise."""


class StepEdge(NamedTuple):
    """When a step began or ended (s), and by how much that may be off either way (s)."""

    at_s: float
    open_s: float


@dataclass(frozen=True, slots=True)
class RowPattern:
    """How the record's rows lie at the ends of steps. ``ends_written``: a row stands at the very
    end of each step, and the next step's rows are counted from there."""

    ends_written: bool

    @classmethod
    def of(cls, table: Table, blocks: Sequence[slice]) -> "RowPattern":
        """The pattern of a record; where nothing shows it, no row is taken to stand at an end."""
        times = table.time_s
        kept = [(one, _usual_s(times[one])) for one in blocks if one.stop - one.start > 3]
        shown = 0
        for (block, usual_s), (after, after_s) in pairwise(kept):
            if after.start != block.stop:
                continue
            last_s = float(times[block.stop - 1] - times[block.stop - 2])
            between_s = float(times[after.start] - times[block.stop - 1])
            if last_s < (1.0 - REGULAR) * usual_s:  # rows that are lost make it longer
                shown += 1 if abs(between_s - after_s) <= REGULAR * after_s else -1
        return cls(shown >= LEAST_EDGES)

    def edge(self, table: Table, one: slice, two: slice) -> StepEdge:
        """The edge between two steps that follow each other."""
        before_s, after_s = float(table.time_s[one.stop - 1]), float(table.time_s[two.start])
        if after_s <= before_s:  # clocks that do not agree
            half_s = 0.5 * _usual_s(table.time_s[two])
            return StepEdge(after_s - half_s, half_s + before_s - after_s)
        usual_s = max(_usual_s(table.time_s[block]) for block in (one, two))
        if self.ends_written and after_s - before_s <= (1.0 + REGULAR) * usual_s:
            return StepEdge(before_s, 0.0)
        half_s = 0.5 * (after_s - before_s)
        return StepEdge(before_s + half_s, half_s)


def _usual_s(times: Floats) -> float:
    """The usual interval (s), from the first thousand; 0 of a single row."""
    return float(np.median(np.diff(times[:1000]))) if len(times) > 1 else 0.0


def joined(table: Table, blocks: Sequence[slice], most_s: float) -> list[slice]:
    """The steps with each constant-voltage charge joined to the constant-current one before it,
    where no more than ``most_s`` lies between them."""
    found: list[slice] = []
    for block in blocks:
        if found and _is_hold_after(table, found[-1], block, most_s):
            block = slice(found.pop().start, block.stop)
        found.append(block)
    return found


def _is_hold_after(table: Table, first: slice, second: slice, most_s: float) -> bool:
    """Whether a step holds the voltage that the charge before it had come to."""
    if first.stop != second.start or second.stop - second.start < 3:
        return False
    if float(table.time_s[second.start] - table.time_s[first.stop - 1]) > most_s:
        return False
    came_to_v, came_at_a = (last_before(x, first.stop - 1) for x in _both(table))
    volts, amps = (values[second] for values in _both(table))
    good = np.isfinite(volts) & np.isfinite(amps)
    volts, amps = volts[good], amps[good]
    if len(volts) < 3 or not came_at_a > 0.0:
        return False
    held_v = float(np.median(volts))
    wide = float(np.percentile(volts, 95) - np.percentile(volts, 5))
    tapers = 0.0 < float(np.median(amps[-3:])) < float(np.median(amps[:3])) <= 1.1 * came_at_a
    return tapers and wide <= HELD_V and abs(held_v - came_to_v) <= NEAR_V


def _both(table: Table) -> tuple[Floats, Floats]:
    return table.voltage_v, table.current_a


def coarse(readings: Readings, gaps: Sequence[Bridge]) -> tuple[Bridge, ...]:
    """Intervals of a taper in which the current fell by much: it may have fallen as an exponential
    does or as a line does, and where the hold began in between, later than both."""
    amps = np.abs(readings.current_a)
    if len(amps) < 3:
        return ()
    fall = amps[:-1] - amps[1:]
    least_a = max(COARSE_SHARE * float(amps.max()), QUIET * noise_a(amps))
    much = (fall > least_a) & (amps[:-1] > COARSE * amps[1:])
    much &= (amps[1:] > 0.0) & (readings.current_a[:-1] * readings.current_a[1:] > 0.0)
    taken = {one.from_s for one in gaps}
    found = []
    for at in np.flatnonzero(much):
        span_s = float(readings.time_s[at]), float(readings.time_s[at + 1])
        if span_s[0] not in taken:
            found.append(Bridge(*span_s, *_between(readings, int(at))))
    return tuple(found)


def _between(readings: Readings, at: int) -> tuple[float, float]:
    """The least and the most current of such an interval (A, signed as it was read)."""
    one, two = (float(abs(x)) for x in readings.current_a[at : at + 2])
    low = (one - two) / math.log(one / two)
    risen_v = abs(float(readings.voltage_v[at + 1] - readings.voltage_v[at]))
    high = one if risen_v > HELD_V else 0.5 * (one + two)
    sign = math.copysign(1.0, float(readings.current_a[at]))
    low, high = sorted((sign * low, sign * high))
    return low, high
