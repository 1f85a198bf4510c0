"""Steps told by the current alone, where a record has no step column; pure.

Owns what counts as rest beside a noisy ammeter, and where one constant current follows another
without a rest. Knows neither files nor labels.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sequencer.vocabulary.table import Floats, Whole

REST_SHARE: Final = 0.005
"""Less than this share of the largest current counts as rest."""
QUIET: Final = 5.0
"""So many standard deviations of the current's noise count as rest."""
LEVEL_SHARE: Final = 0.05
"""Two constant currents differ by more than this share of the larger (no outside source)."""
STEADY_SHARE: Final = 0.01
"""A current that moves by less than this share from row to row is constant (no outside source)."""
MOST_NOISE: Final = 0.1
"""Noise never makes more than this part of the largest current count as rest."""
LEAST_ROWS: Final = 100
"""Fewer rows tell no noise."""
_SMOOTHED: Final = 9
_LEFT: Final = 0.4
"""A noisy current that drives is left for rest below this part of what counts as rest."""
_LOOKED_AT: Final = 1_000_000


def carried(values: Floats) -> Floats:
    """What is not told in a row is as in the row before; 0 before the first."""
    gone = ~np.isfinite(values)
    if not gone.any():
        return values
    places = np.maximum.accumulate(np.where(gone, -1, np.arange(len(values))))
    return np.where(places < 0, 0.0, values[np.maximum(places, 0)])


def noise_a(current_a: Floats) -> float:
    """Standard deviation of one reading about what it reads (A), of the first million rows: by the
    median second difference, so that edges and drift do not count."""
    seen = current_a[:_LOOKED_AT]
    seen = seen[np.isfinite(seen)]
    if len(seen) < LEAST_ROWS:
        return 0.0
    # The median size of a normal variable is its standard deviation / 1.4826.
    return float(1.4826 / math.sqrt(6.0) * np.median(np.abs(np.diff(seen, 2))))


def rest_a(current_a: Floats) -> float:
    """What counts as rest (A): a share of the largest current, or what the noise reaches."""
    finite = np.abs(current_a[np.isfinite(current_a)])
    largest = float(finite.max()) if len(finite) else 0.0
    noisy = min(QUIET * noise_a(current_a), MOST_NOISE * largest)
    return max(REST_SHARE * largest, noisy)


def signs(current_a: Floats) -> Floats:
    """1 charging, -1 discharging, 0 rest; no reading is as the row before.

    Beside noise, a current that drives stays so until its middle over nine rows is well within
    what counts as rest: a taper that fades into the noise ends once.
    """
    least = rest_a(current_a)
    found = np.where(np.abs(current_a) <= least, 0.0, np.sign(current_a))
    found = np.where(np.isfinite(current_a), found, np.nan)
    largest = float(np.nanmax(np.abs(current_a), initial=0.0))
    if least <= REST_SHARE * largest:
        return carried(found)
    smooth = _middle(carried(current_a))
    still = (found == 0.0) & (np.abs(smooth) > _LEFT * least)
    return carried(np.where(still, np.nan, found))


def _middle(values: Floats) -> Floats:
    """The median over nine rows about each."""
    from numpy.lib.stride_tricks import sliding_window_view

    half = _SMOOTHED // 2
    padded = np.pad(values, half, mode="edge")
    found: Floats = np.median(sliding_window_view(padded, _SMOOTHED), axis=1)
    return found


def steps_by_current(current_a: Floats) -> Whole:
    """Steps from 1: one at each change between charging, discharging and rest, and at each jump
    from one constant current to another."""
    if not len(current_a):
        return np.empty(0, np.int64)
    sign = signs(current_a)
    begins = np.diff(sign, prepend=sign[0]) != 0.0
    begins |= _jumps(carried(current_a), sign)
    return np.cumsum(begins).astype(np.int64) + 1


def _jumps(amps: Floats, sign: Floats) -> NDArray[np.bool_]:
    """The first row of each new level of one direction: two steady rows before it, two steady ones
    after it, and at most one row in between that belongs to neither."""
    found = np.zeros(len(amps), dtype=bool)
    if len(amps) < 5:
        return found
    noise = QUIET * noise_a(amps)
    size = np.maximum(np.abs(amps[:-4]), np.abs(amps[4:]))
    steady = np.maximum(STEADY_SHARE * size, noise)
    before, after = 0.5 * (amps[:-4] + amps[1:-3]), 0.5 * (amps[3:-1] + amps[4:])
    jumped = np.abs(after - before) > np.maximum(LEVEL_SHARE * size, 2.0 * noise)
    jumped &= np.abs(amps[1:-3] - amps[:-4]) <= steady
    jumped &= np.abs(amps[4:] - amps[3:-1]) <= steady
    jumped &= (sign[:-4] == sign[4:]) & (sign[2:-2] == sign[4:]) & (sign[4:] != 0.0)
    rise = np.abs(np.diff(amps, prepend=amps[0]))
    for first in np.flatnonzero(jumped & ~np.concatenate(([False], jumped[:-1]))) + 2:
        near = slice(first, min(first + 3, len(amps)))
        found[first + int(np.argmax(rise[near]))] = True
    return found
