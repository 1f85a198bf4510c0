"""Instruments that err as far as their data sheets allow, drawn rectangular within each limit.

One draw a range: gain, offset, drift with the room, drift of the zero. A reading is rounded to the
resolution after a quarter of a count of noise, as displays do.
"""

import numpy as np

from sequencer.documents.capability import Capability
from tests.analysis.uncertainty.pretended import sheet

NOISE_COUNTS = 0.25


class Erring:
    """One channel of one instrument. ``zero()`` is what it shows at nothing, before the night."""

    def __init__(self, rng, capability: Capability, room_c: float) -> None:
        self.rng = rng
        one = self.one = capability.ranges[0]
        drift = one.accuracy.of_reading_per_kelvin * abs(room_c - 23.0)
        self.gain = rng.uniform(-1, 1) * one.gain + rng.uniform(-1, 1) * drift
        self.offset = rng.uniform(-1, 1) * one.offset
        moved = self.offset + rng.uniform(-0.1, 0.1) * one.offset
        self.later = float(np.clip(moved, -one.offset, one.offset))

    def _show(self, values, offset):
        count = self.one.resolution.value
        noise = self.rng.normal(0.0, NOISE_COUNTS, np.shape(values))
        shown = np.round((values * (1.0 + self.gain) + offset) / count + noise) * count
        return np.clip(shown, self.one.low.value, self.one.high.value)

    def zero(self) -> float:
        """One reading at nothing."""
        return float(self._show(0.0, self.offset))

    def read(self, values):
        """What it shows of true values."""
        return self._show(values, self.later)


def ammeter_sheet(rng, *, signed=False, coarse=False) -> Capability:
    """A modest current data sheet."""
    gain, offset = rng.uniform(0.03, 0.3), rng.uniform(0.5, 10.0)
    count = rng.choice([10, 50]) if coarse else rng.choice([0.1, 1, 10])
    accuracy = {
        "of reading": f"{gain:.4f} %",
        "offset": f"{offset:.4f} mA",
        "of reading per kelvin": f"{rng.choice([0.0, 0.01]):.3f} %",
    }
    return sheet(("-10 A" if signed else "0 A", "10 A", f"{count} mA", accuracy))


def voltmeter_sheet(rng) -> Capability:
    """A voltage data sheet, from a good multimeter's to a load's."""
    accuracy = {
        "of reading": f"{rng.uniform(0.005, 0.05):.4f} %",
        "of range": f"{rng.uniform(0.002, 0.01):.4f} %",
        "counts": f"{rng.choice([0, 2])}",
    }
    return sheet(("-10 V", "10 V", f"{rng.choice([0.1, 1])} mV", accuracy))
