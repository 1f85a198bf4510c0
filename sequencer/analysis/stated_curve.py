"""The voltage at rest over the charge in a cell, as a document states it or a run measured it.

Owns its slope, and where it is too flat to be read. Reads nothing off it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from sequencer.documents.open_circuit import OpenCircuitPoint
from sequencer.documents.specimen import Reading
from sequencer.vocabulary.table import Floats

SLOPE_SHARE: Final = 0.2
"""A stated curve's slope may be off by this share (no outside source)."""
FLAT_V: Final = 0.2
"""Where the curve moves by less than this (V over the whole capacity, 2 mV a percent), as on the
plateau of iron phosphate, nothing is read as a charge (no outside source)."""


@dataclass(frozen=True, slots=True)
class ShelfCurve:
    """Voltage at rest (``volts``) and its temperature coefficient (``entropic``, V/K) over the
    share of ``ah`` that is in the cell, rising. ``slope_share``: by which share its slope may be
    off; ``charge_share``: the standard uncertainty of ``ah``, as a share of it."""

    at: Floats
    volts: Floats
    entropic: Floats
    ah: float
    slope_share: float = SLOPE_SHARE
    charge_share: float = 0.0

    def covers(self, readings: Sequence[Reading]) -> bool:
        """Whether all of them lie on it."""
        return all(self.volts[0] <= one.voltage <= self.volts[-1] for one in readings)

    def off(self, voltage: float, within: float) -> str:
        """``below`` or ``above`` where that voltage does not lie on it, within so much (V); else
        empty. Its ends say nothing of what lies beyond them."""
        if voltage < self.volts[0] - within:
            return "below"
        return "above" if voltage > self.volts[-1] + within else ""

    def slope_at(self, place: float) -> float:
        """Volts per whole capacity around there: over 2 % of it either way, within the curve."""
        low, high = max(place - 0.02, float(self.at[0])), min(place + 0.02, float(self.at[-1]))
        rises = np.interp((low, high), self.at, self.volts)
        return float(rises[1] - rises[0]) / (high - low)


def stated_curve(points: Sequence[OpenCircuitPoint], rated_ah: float) -> ShelfCurve:
    """As the cell document has it."""
    at, volts, entropic = (
        np.array([getattr(point, name) for point in points])
        for name in ("at", "voltage", "entropic")
    )
    return ShelfCurve(at, volts, entropic, rated_ah)
