"""A charge in its two parts, and what a taper that was cut short did not put in.

The hold begins where the line of the last constant-current samples meets the held voltage. What was
not put in is told by two models whose difference is the honest width: one exponential alone finds
only about three quarters of a tail that has two time constants.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from sequencer.analysis.decays import Decay, fit, thinned
from sequencer.analysis.integrals import Integral, Running
from sequencer.analysis.segments import Segment
from sequencer.recording.current_levels import noise_a
from sequencer.vocabulary.table import Floats

TARGET_RATE = 0.02
"""The C-rate to which a taper is thought to go on (common practice: C/50)."""
HELD_BAND_V = 3e-3
"""A voltage that stays this near to where it ended is held (no outside source)."""
ONE_FROM = 2.0
"""One exponential is laid through what lies below so many times the last current."""
TWO_FROM = (0.5, 0.3, 1.0)
"""Parts of the first held current below which two exponentials are laid, until they fit."""
LONGEST_TAU = 5.0
"""A time constant this many times as long as the tail is not one that was seen."""
LEAST_HELD = 12
"""Fewer samples at the end of a charge are no hold."""


@dataclass(frozen=True, slots=True)
class Parts:
    """Constant-current part, constant-voltage part (None: there was none), the held voltage."""

    constant_current: Integral
    constant_voltage: Integral | None
    held_v: float = math.nan


@dataclass(frozen=True, slots=True)
class Missing:
    """Charge left out (Ah) down to ``target_a`` by one and by two exponentials; NaN: no fit."""

    one_ah: float
    two_ah: float
    target_a: float
    termination_a: float


def parts(sums: Running) -> Parts:
    """Splits a charge where the hold begins."""
    whole = sums.whole()
    begins = hold_begins(sums.segment)
    if begins is None:
        return Parts(whole, None)
    first = sums.until(begins)
    return Parts(first, whole.less(first), _held_v(sums.segment))


def _held_v(segment: Segment) -> float:
    last = max(len(segment) // 20, min(len(segment), 5))
    return float(np.median(segment.voltage_v[-last:]))


def hold_begins(segment: Segment) -> float | None:
    """The place (between samples) where the voltage came to be held and the current began to fall;
    None when the charge had no such part."""
    if segment.kind != "charge" or len(segment) < 2 * LEAST_HELD:
        return None
    volts, amps = segment.voltage_v, segment.current_a
    held = _held_v(segment)
    outside = np.flatnonzero(volts < held - HELD_BAND_V)
    low = int(outside[-1]) + 1 if len(outside) else 0
    full = float(np.median(amps[: max(low, 1)])) if low else float(amps[:5].max())
    if len(volts) - low < LEAST_HELD or not amps[-1] < 0.9 * full:
        return None
    if low < 3:
        return float(low)
    return _meeting(segment, low, held)


def _meeting(segment: Segment, inside: int, held: float) -> float:
    """Where the rising line before ``inside`` meets the held voltage.

    The line is laid through the last samples that still carried the full current.
    """
    volts, amps, time_s = segment.voltage_v, segment.current_a, segment.time_s
    full = float(np.median(amps[:inside]))
    below_a = max(min(1e-3, 0.005 * full), 3.0 * noise_a(amps[:inside]))
    carried = np.flatnonzero(amps[inside:] < 0.995 * full - below_a)
    latest = inside + (int(carried[0]) if len(carried) else 0)
    points = slice(max(inside - 6, 1), inside)
    about = time_s[points] - time_s[inside - 1]
    if len(about) < 2:
        return float(inside)
    slope, start = np.polyfit(about, volts[points], 1)
    if not slope > 0.0:
        return float(inside)
    meets_s = float(time_s[inside - 1] + (held - start) / slope)
    meets_s = min(max(meets_s, float(time_s[inside - 1])), float(time_s[max(latest, inside)]))
    place = int(np.searchsorted(time_s, meets_s, side="right")) - 1
    if place + 1 >= len(time_s):
        return float(place)
    return place + (meets_s - float(time_s[place])) / float(time_s[place + 1] - time_s[place])


def tail(segment: Segment, rated_ah: float) -> "Tail | None":
    """The end of a charge from which one can tell what its taper left out; None when there was no
    hold or it went low enough by itself."""
    begins = hold_begins(segment)
    target = TARGET_RATE * rated_ah
    last = float(np.mean(segment.current_a[-3:])) if len(segment) else math.nan
    if begins is None or not math.isfinite(target) or not last > target:
        return None
    return Tail.of(segment, int(begins) + 1, target)


@dataclass(frozen=True, slots=True)
class Tail:
    """The few points of a taper that fits are laid through, so that its samples need not be kept:
    one exponential through the last factor of two of the current; two through the lower half,
    since the upper one also follows the bend of the open-circuit curve."""

    target_a: float
    termination_a: float
    one: "_Points"
    two: "tuple[_Points, ...]"

    @classmethod
    def of(cls, segment: Segment, begins: int, target_a: float) -> "Tail":
        """The tail from the sample ``begins`` on."""
        amps = segment.current_a[begins:]
        time_s = segment.time_s[begins:] - segment.time_s[begins]
        last = float(amps[-3:].mean())
        two = tuple(_below(time_s, amps, share * amps[0]) for share in TWO_FROM)
        return cls(target_a, last, _below(time_s, amps, ONE_FROM * last), two)

    def missing(self) -> Missing:
        """Fits it and integrates both fits from its end to the target."""
        two = math.nan
        for points in self.two:
            two = two if math.isfinite(two) else _left_out(points, 2, self.target_a)
        one = _left_out(self.one, 1, self.target_a)
        return Missing(one, two, self.target_a, self.termination_a)


class _Points(NamedTuple):
    """At most 240 points of a tail, and when it ended (s): averages end a little before."""

    time_s: Floats
    amps: Floats
    ends_s: float


def _below(time_s: Floats, amps: Floats, below_a: float) -> _Points:
    """The part of a tail below a current."""
    first = int(np.argmax(amps <= below_a))
    since = time_s[first:] - time_s[first]
    return _Points(*thinned(since, amps[first:].copy()), float(since[-1]))


def _left_out(points: _Points, terms: int, target_a: float) -> float:
    """What is left by a fit through those points; NaN when it does not fit."""
    decay = fit(points.time_s, points.amps, terms, has_floor=False)
    if decay is None or decay.taus[-1] > LONGEST_TAU * points.ends_s:
        return math.nan
    return _beyond(decay, points.ends_s, target_a)


def _beyond(decay: Decay, ends_s: float, target_a: float) -> float:
    """Ah under the fit from its end until it has fallen to the target."""
    if not all(a > 0.0 for a in decay.amplitudes):
        return math.nan
    if decay.at(ends_s) <= target_a:
        return 0.0
    low, high = ends_s, ends_s + decay.taus[-1]
    while decay.at(high) > target_a:
        high += high - ends_s
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if decay.at(middle) > target_a else (low, middle)
    return decay.integral(ends_s, high) / 3600.0
