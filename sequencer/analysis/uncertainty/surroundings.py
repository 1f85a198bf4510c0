"""What a run tells of its own surroundings: the room, the sampling, the noise of the readings.

Owns estimates from the table alone; of a long run it looks at a part. Knows no instrument.
"""

from math import sqrt

import numpy as np

from sequencer.vocabulary.table import Floats, Table

REFERENCE_C = 23.0
"""Room temperature that data sheets state their accuracy at (common practice)."""
UNMEASURED_C = (10.0, 30.0)
"""A room without a sensor (homes over the year; common practice)."""

_ENOUGH, _FEW, _STEPS = 20_000, 30, 50
_STEADY = 0.05


def departure_k(room_c: Floats) -> float:
    """How far the room was from 23 degC at most (K), the odd reading apart."""
    seen = _thinned(room_c)
    if not len(seen):
        return max(abs(one - REFERENCE_C) for one in UNMEASURED_C)
    low, high = np.percentile(seen, (2.0, 98.0))
    return float(max(abs(low - REFERENCE_C), abs(high - REFERENCE_C)))


def half_interval_s(time_s: Floats) -> float:
    """Half of the usual interval between samples (s)."""
    if len(time_s) < 2:
        return 0.0
    places = np.unique(np.linspace(0, len(time_s) - 2, _ENOUGH).astype(np.int64))
    return 0.5 * float(np.median(time_s[places + 1] - time_s[places]))


def _thinned(values: Floats) -> Floats:
    """The finite ones, of a long run every so many."""
    some = values[:: max(len(values) // _ENOUGH, 1)]
    return some[np.isfinite(some)]


def noise(table: Table, values: Floats, kind: str, count: float) -> float:
    """Standard deviation of one reading about its own run, beyond what rounding to ``count`` makes
    of it (the unit of ``values``): the median over the second halves of the steps of that kind that
    are steady. The second difference of what drifts slowly is noise alone, sqrt(6) times as large.
    """
    spreads = []
    for number in [n for n, step in table.steps.items() if step.kind == kind][:_STEPS]:
        first, stop = np.searchsorted(table.step, (number, number + 1))
        seen = values[(first + stop) // 2 : stop][:_ENOUGH]
        seen = seen[np.isfinite(seen)]
        if len(seen) > _FEW and float(np.ptp(seen)) <= _STEADY * float(abs(seen.mean())) + count:
            spreads.append(float(np.var(np.diff(seen, 2))) / 6.0)
    return sqrt(max(float(np.median(spreads)) - count**2 / 12.0, 0.0)) if spreads else 0.0
