"""What a rest tells: its last voltage, where it would settle, how fast it still drifts.

Owns the looking; what a drift means as a current needs the slope of the open-circuit curve, which
is not known here.
"""

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.decays import Decay, fit, thinned
from sequencer.analysis.segments import Segment
from sequencer.analysis.uncertainty.gum import fit_line

LEAST_S = 300.0
"""A shorter rest tells no open-circuit voltage (s; no outside source)."""
SETTLED_S = 3 * 3600.0
"""Rest after which NMC and LFP cells have settled (Batteries 2022, 8, 77; NCA needs longer)."""
DRIFT_S = 24 * 3600.0
"""A drift is told from a rest of at least this length (s): a day, so that what relaxes is over."""


SLOWEST_SHARE = 0.5
"""A slower time constant than this part of the rest cannot be told from a drift."""
LAST_SHARE = 0.02
MOST_LAST = 10
"""The last voltage is the mean of the last 2 % of the rest, ten readings at most."""


@dataclass(frozen=True, slots=True)
class Drift:
    """A straight line through the last half of a long rest: slope (V/h) with its standard
    uncertainty and degrees of freedom, and what is left of relaxing there (V/h)."""

    volts_per_hour: float
    standard: float
    degrees_of_freedom: float
    relaxing: float


@dataclass(frozen=True, slots=True)
class Rested:
    """A rest that was looked at. Voltages V, times s. ``model_v``: how far apart the fits to all of
    it and to its first half say that it settles; NaN without both."""

    step: int
    lasted_s: float
    last_v: float
    decay: Decay | None
    model_v: float
    drift: Drift | None


def rested(segment: Segment, *, fits: bool) -> Rested | None:
    """What the rest tells; None when it is shorter than five minutes."""
    if segment.kind != "rest" or segment.duration_s < LEAST_S or len(segment) < 10:
        return None
    time_s = segment.time_s - segment.time_s[0]
    first = int(segment.begins_inside)
    decay, model_v = None, math.nan
    if fits:
        decay = _fitted(time_s[first:], segment.voltage_v[first:])
        half = int(np.searchsorted(time_s, 0.5 * time_s[-1]))
        earlier = _fitted(time_s[first:half], segment.voltage_v[first:half])
        if decay is not None and earlier is not None:
            model_v = abs(decay.floor - earlier.floor)
    lasted = segment.duration_s
    late = int(np.searchsorted(time_s, (1.0 - LAST_SHARE) * time_s[-1]))
    last = segment.voltage_v[max(late, len(segment) - MOST_LAST) :]
    drift = _drift(time_s, segment, decay) if lasted >= DRIFT_S else None
    return Rested(segment.step, lasted, float(last.mean()), decay, model_v, drift)


def _fitted(time_s: np.ndarray, volts: np.ndarray) -> Decay | None:
    return fit(*thinned(time_s, volts, early=True), 2, has_floor=True)


def _drift(time_s: np.ndarray, segment: Segment, decay: Decay | None) -> Drift | None:
    half = int(np.searchsorted(time_s, time_s[-1] / 2))
    hours, volts = thinned(time_s[half:] / 3600.0, segment.voltage_v[half:])
    if len(hours) < 10:
        return None
    line = fit_line(hours, volts)
    relaxing = _relaxing(decay, float(time_s[half:].mean()), float(time_s[-1]))
    return Drift(line.slope, line.slope_u, line.degrees_of_freedom, relaxing)


def _relaxing(decay: Decay | None, at_s: float, lasted_s: float) -> float:
    """What the fit's relaxations still move there (V/h). A time constant of half the rest or more
    is the drift itself."""
    if decay is None:
        return math.nan
    pairs = zip(decay.amplitudes, decay.taus, strict=True)
    ending = [(a, tau) for a, tau in pairs if tau < SLOWEST_SHARE * lasted_s]
    return 3600.0 * sum(-a / tau * math.exp(-at_s / tau) for a, tau in ending)
