"""Voltage and current of one segment brought to common times by interpolation; holes left out.

Two instruments read one after the other: their readings belong to different moments. Interpolating
across an edge would mix what was with what is, so the caller gives rows of one side only.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sequencer.vocabulary.table import Floats, Table

LOOK_BACK = 200
"""Rows that are searched for the last reading before an edge, or the first one after it."""


EDGE_SHARE = 0.1
"""A current below this part of the one before it, to the end, is an output that went off."""
OFF_SHARE = 0.02
OFF_V = 0.03
"""... where it is below 2 % of the step's largest, or the voltage moved by more than this (V): else
it is a taper that is followed coarsely (no outside source)."""
LEAST_DRIVEN_A = 0.01
"""Smaller currents are what an output that is off seems to carry (A; no outside source)."""


class Readings(NamedTuple):
    """Three arrays of one length; times rise, nothing is NaN."""

    time_s: Floats
    voltage_v: Floats
    current_a: Floats

    def until(self, stop: int) -> "Readings":
        """The first ``stop`` samples."""
        return Readings(self.time_s[:stop], self.voltage_v[:stop], self.current_a[:stop])

    def at(self, places: NDArray[np.bool_]) -> "Readings":
        """Only the samples marked."""
        return Readings(self.time_s[places], self.voltage_v[places], self.current_a[places])

    def from_time(self, start_s: float) -> "Readings":
        """With one sample more in front, at ``start_s``, that holds the first one's readings."""
        return Readings(
            np.concatenate(([start_s], self.time_s)),
            np.concatenate((self.voltage_v[:1], self.voltage_v)),
            np.concatenate((self.current_a[:1], self.current_a)),
        )

    def to_time(self, ends_s: float, voltage_v: float) -> "Readings":
        """With one sample more behind, at ``ends_s``: the last current, and that voltage."""
        return Readings(
            np.append(self.time_s, ends_s),
            np.append(self.voltage_v, voltage_v),
            np.append(self.current_a, self.current_a[-1]),
        )


EMPTY = Readings(np.empty(0), np.empty(0), np.empty(0))
ALONE = "one sample alone: nothing can be integrated"


def common(table: Table, rows: slice, hole_s: float) -> tuple[Readings, list[str]]:
    """The readings of the rows at common times, and in words what was left out.

    The times are those of the channel that gave more readings (the voltage's when it is a tie);
    the other is interpolated, except across holes longer than ``hole_s`` and three seconds.
    """
    volts, amps = table.voltage_v[rows], table.current_a[rows]
    if not len(volts):
        return EMPTY, [ALONE]
    v_times = _times(table, table.voltage_time_s, rows)
    i_times = _times(table, table.current_time_s, rows)
    v_good, i_good = np.isfinite(volts), np.isfinite(amps)
    troubles = [
        f"no {what} reading at all"
        for what, good in (("voltage", v_good), ("current", i_good))
        if not good.any()
    ]
    if troubles or len(volts) < 2:
        return EMPTY, troubles or [ALONE]
    if v_good.all() and i_good.all() and np.array_equal(v_times, i_times):
        return _rising(Readings(v_times, volts, amps), troubles)
    voltage = _rising(Readings(v_times[v_good], volts[v_good], volts[v_good]), troubles)[0]
    current = _rising(Readings(i_times[i_good], amps[i_good], amps[i_good]), troubles)[0]
    return _joined(voltage, current, max(hole_s, 3.0), len(volts), troubles)


def _joined(
    voltage: Readings, current: Readings, hole_s: float, rows: int, troubles: list[str]
) -> tuple[Readings, list[str]]:
    led = voltage if len(voltage.time_s) >= len(current.time_s) else current
    grid = led.time_s
    other = current if led is voltage else voltage
    known = _known(grid, other.time_s, hole_s)
    times = grid[known]
    volts = np.interp(times, voltage.time_s, voltage.voltage_v)
    amps = np.interp(times, current.time_s, current.current_a)
    lost = rows - int(known.sum())
    if lost > max(0.02 * rows, 2):
        troubles.append(f"{lost} of {rows} samples have no usable reading and are left out")
    return Readings(times, volts, amps), troubles


def _known(grid: Floats, times: Floats, hole_s: float) -> NDArray[np.bool_]:
    """Which grid points have a reading of the other channel near enough on both sides."""
    after = np.searchsorted(times, grid)
    last = len(times) - 1
    right, left = times[np.minimum(after, last)], times[np.maximum(after - 1, 0)]
    wide = (right - left) > hole_s
    at_reading = (right == grid) | (left == grid)
    beyond = np.maximum(times[0] - grid, grid - times[-1]) > hole_s
    known: NDArray[np.bool_] = (~wide | at_reading) & ~beyond
    return known


def _times(table: Table, own: Floats, rows: slice) -> Floats:
    """A channel's own times; the tick's where it has none."""
    times = own[rows]
    missing = ~np.isfinite(times)
    return np.where(missing, table.time_s[rows], times) if missing.any() else times


def _rising(readings: Readings, troubles: list[str]) -> tuple[Readings, list[str]]:
    """Without samples whose time does not rise above every one before."""
    times = readings.time_s
    if len(times) < 2 or bool((times[1:] > times[:-1]).all()):
        return readings, troubles
    highest = np.maximum.accumulate(times)
    keep = np.concatenate(([True], times[1:] > highest[:-1]))
    troubles.append(f"{int((~keep).sum())} samples whose time does not rise are left out")
    return readings.at(keep), troubles


def last_before(values: Floats, place: int) -> float:
    """The last finite value at ``place`` or up to 200 rows before it, or NaN."""
    if place < 0:
        return math.nan
    window = values[max(place - LOOK_BACK + 1, 0) : place + 1]
    finite = np.flatnonzero(np.isfinite(window))
    return float(window[finite[-1]]) if len(finite) else math.nan


def first_after(values: Floats, place: int, stop: int) -> float:
    """The first finite value from ``place`` on, before ``stop`` and 200 rows, or NaN."""
    window = values[place : min(stop, place + LOOK_BACK)]
    finite = np.flatnonzero(np.isfinite(window))
    return float(window[finite[0]]) if len(finite) else math.nan


def without_tail(readings: Readings) -> Readings:
    """Without the samples after the output went off (a trip, the end of the run)."""
    size = np.abs(readings.current_a)
    highest = float(size.max()) if len(size) > 2 else 0.0
    if highest < LEAST_DRIVEN_A or not size[-1] < EDGE_SHARE * highest:
        return readings
    later = np.maximum.accumulate(size[::-1])[::-1]
    is_off = (later[1:] < OFF_SHARE * highest) | (np.abs(np.diff(readings.voltage_v)) > OFF_V)
    off = np.flatnonzero((later[1:] < EDGE_SHARE * size[:-1]) & is_off)
    return readings.until(int(off[0]) + 1) if len(off) else readings
