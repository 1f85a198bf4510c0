"""What the voltage did after the current jumped: readings at stated times after each edge.

Owns the times; the resistance itself is a formula. A time at which nothing was read is left out and
told; nothing is extrapolated.
"""

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.keys import PULSE_TIMES_S
from sequencer.analysis.segments import Segment

LEAST_STEP_A = 0.05
"""A smaller jump of current tells no resistance (A; no outside source) ..."""
LEAST_SHARE = 0.05
"""... or one below this share of the largest current, where that is less: small cells."""
WIDEST = 0.5
"""Readings around a time may be this part of it apart to be interpolated."""
OFF_SHARE = 0.02
"""A current below this part of the edge's own is off (no outside source)."""
CHANGED_SHARE = 0.2
"""A current that fell by more than this part of the edge's own between two readings is another one
from there on (no outside source)."""
SLOWEST_METER_S = 3.0
"""For so long a slow meter may repeat what it showed before (common practice)."""
STOOD_SHARE = 1.0 / 3.0
"""A voltage that repeats for less of the time since the edge is nearly of that time: by then a cell
has moved by little more (no outside source)."""
STOOD_COUNTS = 5.0
"""A voltage that moved by fewer counts may stand still (no outside source)."""
NEAR = 0.05
"""A reading within this part of the wanted time will do for it."""


@dataclass(frozen=True, slots=True)
class EdgeReading:
    """Voltage (V) and current (A, positive when it charges) so long after an edge (s), how fast the
    voltage still moves there (V/s), what it was after a third of the time (V; NaN when nothing had
    been read by then), by how much the voltage may be off because nothing was read at that very
    time (V), and when it stood still although it had moved just before (s; NaN: it did not)."""

    after_s: float
    voltage_v: float
    current_a: float
    volts_per_s: float = 0.0
    third_v: float = math.nan
    open_v: float = 0.0
    stood_from_s: float = math.nan


@dataclass(frozen=True, slots=True)
class Edge:
    """A jump of the current at ``at_s``: what was before, what was read after, what is missing.

    ``direction`` is that of the current that flowed after it, or before it when it went off
    (``is_off``). ``soonest_s`` is when the first reading after it was taken. ``early_s``: how much
    before or after ``at_s`` the current may have jumped, between two rows. ``least_a``: a smaller
    jump tells no resistance. ``open_s``: the same as ``early_s`` where no row stands at the edge,
    else 0.
    """

    step: int
    at_s: float
    direction: str
    is_off: bool
    before_v: float
    before_a: float
    readings: tuple[EdgeReading, ...]
    soonest_s: float
    lasted_s: float
    early_s: float = 0.0
    least_a: float = LEAST_STEP_A
    open_s: float = 0.0

    def open_share(self, reading: "EdgeReading") -> float:
        """By which share a resistance may be off for rows that the record does not have: nobody
        knows when the current jumped, or what was read so long after it."""
        rise_v = abs(reading.voltage_v - self.before_v)
        open_v = abs(reading.volts_per_s) * self.open_s + reading.open_v
        return open_v / rise_v if rise_v else 0.0

    def at(self, after_s: float) -> EdgeReading | None:
        """The reading of that time, or None."""
        return next((one for one in self.readings if one.after_s == after_s), None)


def edge_of(segment: Segment, *, is_cut_short: bool = False) -> Edge | None:
    """The edge that the segment begins with, or None when the current hardly moved, or when nobody
    knows when it did, for what came first was not recorded.
    ``is_cut_short``: its voltage ended it, so that no time counts that it did not fully reach."""
    first = int(segment.begins_inside)
    if len(segment) - segment.ends_outside < first + 2 or not math.isfinite(
        segment.before_v + segment.before_a
    ):
        return None
    if segment.gaps and segment.gaps[0].from_s <= segment.time_s[0]:
        return None
    step_a = float(segment.current_a[first]) - segment.before_a
    least_a = min(LEAST_STEP_A, LEAST_SHARE * segment.largest_a)
    if not abs(step_a) >= least_a > 0.0:
        return None
    is_off, flowed_s = segment.kind == "rest", _flowed_s(segment, first)
    flows = segment.before_a if is_off else float(segment.current_a[first])
    at_s, early_s = float(segment.time_s[0]), _early_s(segment, first)
    return Edge(
        step=segment.step,
        at_s=at_s,
        direction="charge" if flows > 0 else "discharge",
        is_off=is_off,
        before_v=segment.before_v,
        before_a=segment.before_a,
        readings=tuple(_readings(segment, first, flowed_s, is_cut_short=is_cut_short)),
        soonest_s=float(segment.time_s[first]) - at_s,
        lasted_s=min(segment.duration_s, flowed_s - at_s),
        early_s=early_s,
        least_a=least_a,
        open_s=0.0 if first and not math.isfinite(segment.open_s[0]) else early_s,
    )


def _early_s(segment: Segment, first: int) -> float:
    """What the record leaves open; or else half the interval to the first reading where a row
    stands at the edge, and where none does, all of the time since the last row before it."""
    if math.isfinite(segment.open_s[0]):
        return segment.open_s[0]
    if first:
        return 0.5 * float(segment.time_s[1] - segment.time_s[0])
    return float(segment.time_s[0]) - segment.before_s


def _readings(
    segment: Segment, first: int, flowed_s: float, *, is_cut_short: bool
) -> list[EdgeReading]:
    at_s = float(segment.time_s[0])
    longest = PULSE_TIMES_S[-1] * (1 + WIDEST) + 1.0
    last = len(segment) - segment.ends_outside
    stop = min(int(np.searchsorted(segment.time_s, at_s + longest)) + 2, last)
    after = segment.time_s[first:stop] - at_s
    volts, amps = segment.voltage_v[first:stop], segment.current_a[first:stop]
    found = []
    for wanted in PULSE_TIMES_S:
        if (is_cut_short and wanted > after[-1]) or at_s + wanted > flowed_s:
            break
        if _is_read(after, wanted):
            volt = float(np.interp(wanted, after, volts))
            amp = float(np.interp(wanted, after, amps))
            third = float(np.interp(wanted / 3.0, after, volts, left=math.nan))
            slope, open_v = _slope(after, volts, wanted), _open_v(after, volts, wanted)
            stood_s = _stood_from_s(after, volts, wanted)
            found.append(EdgeReading(wanted, volt, amp, slope, third, open_v, stood_s))
    return found


def _stood_from_s(after: np.ndarray, volts: np.ndarray, wanted: float) -> float:
    """Since when the voltage of a time reads digit for digit the same (s), where a cell's would not
    stand still: it moves about as much from one time to twice that as it did up to the one before,
    and by then it moved by some counts. NaN: it did not, or too little to tell."""
    last = int(np.abs(after - wanted).argmin())
    others = np.flatnonzero(volts[: last + 1] != volts[last])
    if not len(others):
        return math.nan
    first_s, now_s = float(after[others[-1] + 1]), float(after[last])
    if now_s - first_s <= max(SLOWEST_METER_S, STOOD_SHARE * now_s):
        return math.nan
    moves = np.abs(np.diff(volts[: last + 1]))
    count_v = float(moves[moves > 0.0].min())
    before_v = float(np.interp(first_s * first_s / now_s, after, volts))
    has_moved = abs(volts[last] - before_v) >= (STOOD_COUNTS - 0.5) * count_v
    return first_s if has_moved else math.nan


def _flowed_s(segment: Segment, first: int) -> float:
    """Until when the current of the edge flowed without a break (test time, s): a person's pause,
    by the journal, or a current that was off or fell to another one, whoever recorded it. A rest is
    not broken by it."""
    if segment.kind == "rest":
        return math.inf
    paused_s = segment.end.paused_s if segment.end is not None else math.nan
    sizes = np.abs(segment.current_a[first:])
    fell = np.diff(sizes, prepend=sizes[:1]) < -CHANGED_SHARE * sizes[0]
    broken = np.flatnonzero((sizes < OFF_SHARE * sizes[0]) | fell)
    last_s = math.nan
    if len(broken) and broken[0]:
        last_s = float(segment.time_s[first + int(broken[0]) - 1])
    return min(one if math.isfinite(one) else math.inf for one in (paused_s, last_s))


def _open_v(after: np.ndarray, volts: np.ndarray, wanted: float) -> float:
    """By how much the voltage at a time may be off (V): between two readings it may have moved as
    evenly in time as in the logarithm of time, and beyond the last it may have moved on."""
    if wanted > after[-1]:
        return abs(_slope(after, volts, wanted)) * float(wanted - after[-1])
    place = int(np.searchsorted(after, wanted))
    if not place or after[place] == wanted:
        return 0.0
    (one_s, two_s), moved_v = after[place - 1 : place + 1], volts[place] - volts[place - 1]
    by_time = (wanted - one_s) / (two_s - one_s)
    by_logarithm = math.log(wanted / one_s) / math.log(two_s / one_s) if one_s > 0.0 else 1.0
    return abs(float(moved_v * (by_time - by_logarithm)))


def _slope(after: np.ndarray, volts: np.ndarray, wanted: float) -> float:
    """How fast the voltage moves about a time (V/s), over 30 % of it to either side."""
    ends = np.clip((0.7 * wanted, 1.3 * wanted), after[0], after[-1])
    if not ends[1] > ends[0]:
        return 0.0
    low, high = np.interp(ends, after, volts)
    return float((high - low) / (ends[1] - ends[0]))


def _is_read(after: np.ndarray, wanted: float) -> bool:
    """Whether readings stand near enough around the wanted time."""
    if bool((np.abs(after - wanted) <= NEAR * wanted).any()):
        return True
    place = int(np.searchsorted(after, wanted))
    if place in (0, len(after)):
        return False
    return bool(after[place] - after[place - 1] <= WIDEST * wanted)
