"""Which intervals of a record are gaps: far longer than is usual there. Pure; owns no current."""

import numpy as np

from sequencer.vocabulary.table import Floats

GAP_FACTOR = 5.0
"""An interval this many times the 95 % longest one is a gap (no outside source)."""
GAP_LEAST_S = 3.0
"""Shorter than this is never a gap (s): the age at which a reading is called old."""
LIKE_NEIGHBOURS = 0.5
"""An interval is no gap where two of the six about it are more than this part as long."""


def usual_interval_s(time_s: Floats) -> float:
    """The 95 % longest interval, from about 20,000 of them, where times are numbers."""
    if len(time_s) < 2:
        return 0.0
    every = max(1, (len(time_s) - 1) // 20_000)
    before, after = time_s[:-1:every], time_s[1::every]
    good = np.isfinite(before) & np.isfinite(after)
    return float(np.percentile(after[good] - before[good], 95)) if good.any() else 0.0


def gaps_in(time_s: Floats, usual_s: float) -> tuple[int, ...]:
    """The samples after which an interval is far longer than is usual in the step and the run."""
    intervals = time_s[1:] - time_s[:-1]
    found = np.flatnonzero(intervals > max(GAP_FACTOR * usual_s, GAP_LEAST_S))
    if not len(found):
        return ()  # mostly: then nobody need know what is usual in the step
    found = found[intervals[found] > GAP_FACTOR * usual_interval_s(time_s)]
    return tuple(int(place) for place in found if not _is_like_neighbours(intervals, int(place)))


def _is_like_neighbours(intervals: Floats, place: int) -> bool:
    """Whether others about it are as long: a recorder that writes what changes, and little else."""
    about = intervals[max(place - 3, 0) : place + 4]
    return int(np.count_nonzero(about > LIKE_NEIGHBOURS * intervals[place])) > 2
