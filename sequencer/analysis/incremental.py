"""Incremental capacity, dQ/dV: charge counted into bins of voltage, then smoothed. The area under
the curve is the charge, whatever the noise. Owns the bin width and the smoothing, and states both.
"""

import numpy as np

from sequencer.analysis.integrals import Running
from sequencer.analysis.keys import key
from sequencer.analysis.results import Curve
from sequencer.vocabulary.table import Floats

BIN_V = 0.005
"""Width of a bin (V; no outside source: finer than any peak of an intercalation electrode)."""
SMOOTHED = 5
"""Bins that the binomial smoothing (1 4 6 4 1) / 16 spans."""
MOST_INTERVALS = 100_000
SHORTEST_AH = 1e-3
"""A segment that moved less tells nothing."""
FLAT_V = 1e-4
"""An interval that spans less is spread over this: a sum of steeper ramps would lose digits."""
_WEIGHTS = np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16.0


def incremental(sums: Running, label: str, *, until: float | None = None) -> Curve | None:
    """dQ/dV (Ah/V) against voltage over the segment, or up to the place ``until`` (the end of a
    charge's constant-current part); None when hardly anything moved or there is no spread."""
    first = int(sums.segment.begins_inside)
    stop = len(sums.segment) if until is None else int(until) + 1
    volts = sums.segment.voltage_v[first:stop]
    charge = sums.steps_ah()[first : stop - 1]
    if len(charge) < 20 or not abs(float(charge.sum())) > SHORTEST_AH:
        return None
    volts, charge = _coarser(volts, charge)
    centres, density = binned(volts, charge, BIN_V)
    if len(centres) < 2 * SMOOTHED:
        return None
    return Curve(
        key("dq-dv", sums.by, sums.segment.step),
        label,
        centres,
        np.convolve(density, _WEIGHTS, mode="same"),
        "voltage",
        "V",
        "dQ/dV",
        "Ah/V",
        note=f"bins of {BIN_V * 1000:g} mV, smoothed over {SMOOTHED} of them (1 4 6 4 1)",
    )


def _coarser(volts: Floats, charge: Floats) -> tuple[Floats, Floats]:
    """Neighbouring intervals taken together, until 100,000 are left: still far finer than a bin."""
    size = -(-len(charge) // MOST_INTERVALS)
    if size == 1:
        return volts, charge
    starts = np.arange(0, len(charge), size)
    return volts[np.append(starts, len(charge))], np.add.reduceat(charge, starts)


def binned(volts: Floats, charge: Floats, width_v: float) -> tuple[Floats, Floats]:
    """Centres of the bins, and charge by voltage in them; each interval's charge is spread evenly
    over the voltages it passed. Sums to the whole charge exactly."""
    low, high = np.minimum(volts[1:], volts[:-1]), np.maximum(volts[1:], volts[:-1])
    first = np.floor(low.min() / width_v)
    edges = (first + np.arange(int(np.ceil(high.max() / width_v) - first) + 2)) * width_v
    below = _below(edges, low, high, charge)
    return edges[:-1] + 0.5 * width_v, np.diff(below) / width_v


def _below(edges: Floats, low: Floats, high: Floats, charge: Floats) -> Floats:
    """The charge that flowed below each edge: intervals wholly below it, and parts of those it
    cuts. As slopes that begin at ``low`` and end at ``high``, it is a sum of ramps."""
    width = np.maximum(high - low, FLAT_V)
    density = charge / width
    total = np.zeros(len(edges))
    for bound, sign in ((low, 1.0), (low + width, -1.0)):
        place = np.searchsorted(edges, bound)
        slopes = np.bincount(place, density, len(edges) + 1)[: len(edges)]
        offsets = np.bincount(place, density * bound, len(edges) + 1)[: len(edges)]
        total += sign * (np.cumsum(slopes) * edges - np.cumsum(offsets))
    return total
