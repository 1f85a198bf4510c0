"""Charge and energy of one segment: sums of trapezia in Ah, Wh, h and V h; what may have flowed in
a gap counts by its middle, and how far off that may be is kept beside it.

1 Ah = 3600 C, 1 Wh = 3600 J. Positive in the segment's own direction (a charge puts in, a
discharge takes out; of a rest, what flowed in). Owns no uncertainty.

Sums are kept by blocks of rows, so that a place in ten million rows is found and summed up to
without an array of that length being made.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sequencer.analysis.bridging import Bridge
from sequencer.analysis.segments import Segment
from sequencer.vocabulary.table import Floats, Whole

Direction = Literal["charge", "discharge"]

BLOCK = 1024
"""Intervals that are summed up together."""
CHUNK = 128 * BLOCK
"""Intervals that are worked on at a time: what a processor's cache holds."""


@dataclass(frozen=True, slots=True)
class Integral:
    """What flowed: charge (Ah), energy (Wh), the voltage's integral (V h), the current squared's
    (A^2 h), and for how long (h). ``open_ah`` and ``open_wh``: how far off charge and energy may be
    for ``bridged_hours`` of it that were not recorded."""

    ah: float
    wh: float
    volt_hours: float
    amp2_hours: float
    hours: float
    by: Direction
    open_ah: float = 0.0
    open_wh: float = 0.0
    bridged_hours: float = 0.0

    @property
    def open_share(self) -> float:
        """By which share its charge or its energy may be off for what was not recorded."""
        shares = ((self.open_ah, self.ah), (self.open_wh, self.wh))
        return max(part / abs(whole) if part and whole else 0.0 for part, whole in shares)

    @property
    def mean_a(self) -> float:
        """The mean current (A); NaN when it lasted no time."""
        return self.ah / self.hours if self.hours > 0 else math.nan

    @property
    def mean_v(self) -> float:
        """Energy by charge (V); NaN when nothing flowed."""
        return self.wh / self.ah if self.ah else math.nan

    def plus(self, then: "Integral") -> "Integral":
        """What flowed in this one and in ``then``, which has the same direction."""
        return Integral(
            ah=self.ah + then.ah,
            wh=self.wh + then.wh,
            volt_hours=self.volt_hours + then.volt_hours,
            amp2_hours=self.amp2_hours + then.amp2_hours,
            hours=self.hours + then.hours,
            by=self.by,
            open_ah=self.open_ah + then.open_ah,
            open_wh=self.open_wh + then.open_wh,
            bridged_hours=self.bridged_hours + then.bridged_hours,
        )

    def less(self, first: "Integral") -> "Integral":
        """What flowed after ``first``, which is the beginning of this one."""
        return Integral(
            ah=self.ah - first.ah,
            wh=self.wh - first.wh,
            volt_hours=self.volt_hours - first.volt_hours,
            amp2_hours=self.amp2_hours - first.amp2_hours,
            hours=self.hours - first.hours,
            by=self.by,
            open_ah=max(self.open_ah - first.open_ah, 0.0),
            open_wh=max(self.open_wh - first.open_wh, 0.0),
            bridged_hours=max(self.bridged_hours - first.bridged_hours, 0.0),
        )


@dataclass(frozen=True, slots=True)
class Running:
    """The sums of a segment up to each block's beginning, and the extremes of each block.

    ``sums`` has a row a block and one for the end; columns are Ah, Wh, V h, A^2 h, h.
    ``lows`` and ``highs`` are each block's lowest and highest voltage.
    """

    segment: Segment
    by: Direction
    sums: Floats
    lows: Floats
    highs: Floats

    def whole(self) -> Integral:
        """The segment from end to end."""
        return self._integral(self.sums[-1], float(len(self.segment)))

    def until(self, place: float) -> Integral:
        """Up to a place between samples (a fraction of the way from one to the next)."""
        last = max(len(self.segment) - 1, 0)
        low = min(int(place), last)
        part = min(place, float(last)) - low
        block = low // BLOCK
        parts = self._parts(block * BLOCK, low + (part > 0.0))
        if part > 0.0:
            parts[:, -1] *= part
        return self._integral(self.sums[block] + parts.sum(axis=1), low + part)

    def until_time(self, time_s: float) -> Integral:
        """Up to a test time (s); from end to end when it is NaN or after the end."""
        times = self.segment.time_s
        if not len(times) or not time_s < times[-1]:
            return self.whole()
        low = max(int(np.searchsorted(times, time_s, side="right")) - 1, 0)
        part = (time_s - float(times[low])) / float(times[low + 1] - times[low])
        return self.until(max(0.0, low + part))

    def running_ah(self) -> Floats:
        """The charge that had flowed at each sample (Ah)."""
        return _from_zero(self._steps(0))

    def running_wh(self) -> Floats:
        """The energy that had flowed at each sample (Wh)."""
        return _from_zero(self._steps(1))

    def steps_ah(self) -> Floats:
        """The charge of each interval (Ah)."""
        return self._steps(0)

    def crossing(self, voltage_v: float) -> float | None:
        """Where a falling (discharge) or rising (charge) voltage first crosses, or None.

        The place is interpolated between the sample before and the first one at or beyond. A
        voltage that the first readings are beyond already is not crossed.
        """
        volts, falls = self.segment.voltage_v, self.by == "discharge"
        reached = self.lows <= voltage_v if falls else self.highs >= voltage_v
        block = int(np.argmax(reached)) if len(reached) else 0
        if not len(reached) or not reached[block]:
            return None
        rows = volts[block * BLOCK : (block + 1) * BLOCK + 1]
        first = block * BLOCK + int(np.argmax(rows <= voltage_v if falls else rows >= voltage_v))
        if first <= self.segment.begins_inside:
            return None
        before, after = float(volts[first - 1]), float(volts[first])
        return first - 1 + (voltage_v - before) / (after - before)

    def is_bridged(self, place: float) -> bool:
        """Whether a place between samples lies in a gap."""
        low = int(place)
        return place > low and any(at == low for at, _ in self._bridges())

    def _integral(self, sums: Floats, place: float) -> Integral:
        ah, wh, volt_hours, amp2_hours, hours = (float(one) for one in sums)
        opens = [
            _open(one, self.segment.voltage_v[at : at + 2], min(place - at, 1.0))
            for at, one in self._bridges()
            if at < place
        ]
        opens += self._open_ends(place)
        return Integral(
            ah,
            wh,
            volt_hours,
            amp2_hours,
            hours,
            self.by,
            *(sum(x) for x in zip(*opens, strict=True)),
        )

    def _bridges(self) -> list[tuple[int, Bridge]]:
        """The gaps and coarse intervals, each with the sample before it."""
        times, both = self.segment.time_s, (*self.segment.gaps, *self.segment.coarse)
        return [(int(np.searchsorted(times, one.from_s)), one) for one in both]

    def _open_ends(self, place: float) -> list[tuple[float, float, float]]:
        """What flowed while nobody knows whether it was before or after the edge: at the beginning,
        and at the end where the place lies there."""
        ends = (
            (0, self.segment.open_s[0], True),
            (-1, self.segment.open_s[1], self._is_end(place)),
        )
        found = []
        for at, open_s, counts in ends:
            if counts and open_s > 0.0:
                ah = abs(float(self.segment.current_a[at])) * open_s / 3600.0
                found.append((ah, ah * float(self.segment.voltage_v[at]), 0.0))
        return found

    def _is_end(self, place: float) -> bool:
        return place >= len(self.segment) - 1

    def _parts(self, start: int, stop: int) -> Floats:
        return interval_sums(self.segment, self.by, start, stop)

    def _steps(self, column: int) -> Floats:
        found = np.empty(max(len(self.segment) - 1, 0))
        for start in range(0, len(found), CHUNK):
            stop = min(start + CHUNK, len(found))
            found[start:stop] = self._parts(start, stop)[column]
        return found


def running(segment: Segment, by: Direction | None = None) -> Running:
    """Sums up a segment; of an empty one, zeros."""
    way: Direction = by or ("discharge" if segment.kind == "discharge" else "charge")
    intervals = max(len(segment) - 1, 0)
    blocks = -(-intervals // BLOCK)
    sums = np.zeros((blocks + 1, 5))
    lows, highs = np.empty(blocks), np.empty(blocks)
    for start in range(0, intervals, CHUNK):
        stop = min(start + CHUNK, intervals)
        starts = np.arange(0, stop - start, BLOCK)
        rows = slice(start // BLOCK, start // BLOCK + len(starts))
        parts = interval_sums(segment, way, start, stop)
        sums[1 + rows.start : 1 + rows.stop] = np.add.reduceat(parts, starts, axis=1).T
        volts = segment.voltage_v[start : stop + 1]
        lows[rows] = np.minimum(np.minimum.reduceat(volts, starts), volts[_ends(starts, volts)])
        highs[rows] = np.maximum(np.maximum.reduceat(volts, starts), volts[_ends(starts, volts)])
    return Running(segment, way, np.cumsum(sums, axis=0), lows, highs)


def _ends(starts: Whole, volts: Floats) -> Whole:
    """The sample that closes each block: the next block's first."""
    ends: Whole = np.minimum(starts + BLOCK, len(volts) - 1)
    return ends


def interval_sums(segment: Segment, by: Direction, start: int, stop: int) -> Floats:
    """Ah, Wh, V h, A^2 h and h of each interval from ``start`` to ``stop``, as five rows."""
    rows = slice(start, stop + 1)
    times = segment.time_s[rows]
    hours = (times[1:] - times[:-1]) / 3600.0
    volts, amps = segment.voltage_v[rows], segment.current_a[rows]
    signed = amps if by == "charge" else -amps
    found = np.empty((5, len(hours)))
    for row, values in enumerate((signed, signed * volts, volts, amps * amps)):
        np.add(values[1:], values[:-1], out=found[row])
    found[:4] *= 0.5 * hours
    found[4] = hours
    for one in (*segment.gaps, *segment.coarse):
        place = int(np.searchsorted(segment.time_s[rows], one.from_s))
        if place < len(hours) and segment.time_s[start + place] == one.from_s:
            amps_h = (one.middle_a if by == "charge" else -one.middle_a) * hours[place]
            found[0, place] = amps_h
            found[1, place] = amps_h * 0.5 * (volts[place] + volts[place + 1])
            found[3, place] = one.middle_a**2 * hours[place]
    return found


def _open(one: Bridge, volts: Floats, part: float) -> tuple[float, float, float]:
    """How far off the charge (Ah) and the energy (Wh) of a gap may be, and its length (h). Where
    only a part of it counts, nobody knows when that part ended."""
    hours = (one.to_s - one.from_s) / 3600.0
    size, half = abs(one.middle_a) * hours, one.half_a * hours
    if part < 1.0:
        half = max(part * size, half + (1.0 - part) * size)
    wh = half * float(volts.max()) + (size + half) * 0.5 * float(np.ptp(volts))
    return half, wh, part * hours


def _from_zero(steps: Floats) -> Floats:
    found = np.empty(len(steps) + 1)
    found[0] = 0.0
    np.cumsum(steps, out=found[1:])
    return found
