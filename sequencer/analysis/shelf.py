"""What a drift of the voltage on the shelf means: charge lost by a cell that nothing is joined to.

Owns the arithmetic of readings by hand on the open-circuit curve, as it was measured on this cell
or else as it is stated: charge is read off the curve at both readings, the second corrected to the
temperature of the first. Readings, the slope of the curve and the temperature coefficient each have
their share of the uncertainty. What is not above its own uncertainty is no loss yet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil, hypot, inf, isfinite, isinf, sqrt
from typing import Final

import numpy as np

from sequencer.analysis.measured_cell import MeasuredCell
from sequencer.analysis.stated_curve import FLAT_V, ShelfCurve, stated_curve
from sequencer.documents.open_circuit import OpenCircuitPoint
from sequencer.documents.specimen import Reading

COVERAGE: Final = 1.96
"""Of a normal distribution, for 95 % (JCGM 100, table G.1)."""
MEASURED_SLOPE_SHARE: Final = 0.05
"""The slope of a curve that a slow discharge measured may be off by this share: what is left in it
of a resistance that changes with the charge (our choice, held against the simulated cell's own
curve; of a stated curve: ``stated_curve.SLOPE_SHARE``)."""
ENTROPIC_V_PER_K: Final = 0.3e-3
"""How far a temperature coefficient that nobody states may lie from zero (common practice: within
0.3 mV/K of lithium-ion cells over most of their charge)."""
UNKNOWN_K: Final = 5.0
"""By how much two readings without a temperature may differ (no outside source)."""
OWN_V: Final = 1e-3
"""A rested cell's voltage may move by this much without losing charge (relaxation, hysteresis; no
outside source)."""


def measured_curve(cell: MeasuredCell, stated: Sequence[OpenCircuitPoint]) -> ShelfCurve:
    """What drove a slow discharge of this cell, over the charge that it gave; with the stated
    temperature coefficient, where there is one."""
    ah = float(cell.out_ah[-1])
    at = 1.0 - cell.out_ah[::-1] / ah
    entropic = np.zeros(len(at))
    if stated:
        known = stated_curve(stated, ah)
        entropic = np.interp(at, known.at, known.entropic)
    volts = np.maximum.accumulate(cell.source_v[::-1])
    charge_share = cell.charge_share if isfinite(cell.charge_share) else MEASURED_SLOPE_SHARE
    return ShelfCurve(at, volts, entropic, ah, MEASURED_SLOPE_SHARE, charge_share)


@dataclass(frozen=True, slots=True)
class ShelfDrift:
    """Between the first and the last reading: days, the voltage lost (V) and the share of the
    capacity ``ah`` of the curve (1), each with half of its 95 % interval (infinite where the curve
    is too flat at one of them); how many days after the last reading a loss at the present rate
    would be seen (0: it is seen; infinite: it never would)."""

    days: int
    lost_v: float
    lost_half_v: float
    share: float
    share_half: float
    wait_days: float
    ah: float

    @property
    def is_seen(self) -> bool:
        """Whether it is more than its own uncertainty."""
        return self.share > self.share_half

    @property
    def is_gained(self) -> bool:
        """Whether the voltage rose by more than its own uncertainty, which no loss does."""
        return self.share < -self.share_half

    @property
    def charge_ah(self) -> tuple[float, float]:
        """The charge lost (Ah), and half of its 95 % interval."""
        return self.share * self.ah, self.share_half * self.ah

    @property
    def current_a(self) -> tuple[float, float]:
        """The mean current of it (A), and half of its 95 % interval."""
        hours = 24.0 * max(self.days, 1)
        lost, half = self.charge_ah
        return lost / hours, half / hours


def off_the_curve(readings: Sequence[Reading], curve: ShelfCurve) -> tuple[Reading, str] | None:
    """Which of the first and the last reading is ``below`` or ``above`` the curve; None: neither.
    Where both are, the last, which tells how the cell is now."""
    for one in (*readings[-1:], *readings[:1]):
        if side := curve.off(one.voltage, one.within + OWN_V):
            return one, side
    return None


def drift(readings: Sequence[Reading], curve: ShelfCurve) -> ShelfDrift | None:
    """From the first reading to the last; None with fewer than two, two of one day, or one that
    does not lie on the curve."""
    if len(readings) < 2:
        return None
    first, last = readings[0], readings[-1]
    days = (date.fromisoformat(last.on) - date.fromisoformat(first.on)).days
    if days < 1 or off_the_curve(readings, curve):
        return None
    place = float(np.interp(first.voltage, curve.volts, curve.at))
    warmer_k, unsure_k = _warmer(first, last)
    entropic = float(np.interp(place, curve.at, curve.entropic))
    corrected = last.voltage - entropic * warmer_k
    lost_v = first.voltage - corrected
    unsure_v = hypot(
        OWN_V / sqrt(3.0),
        first.within / sqrt(3.0),
        last.within / sqrt(3.0),
        ENTROPIC_V_PER_K * abs(warmer_k) / sqrt(3.0),
        (abs(entropic) + ENTROPIC_V_PER_K) * unsure_k / sqrt(3.0),
    )
    ended = float(np.interp(corrected, curve.volts, curve.at))
    slope = min(curve.slope_at(place), curve.slope_at(ended))
    share = place - ended
    of_curve = hypot(curve.slope_share / sqrt(3.0), curve.charge_share) * share
    half = COVERAGE * hypot(unsure_v / slope, of_curve) if slope >= FLAT_V else inf
    wait_days = _wait(days, share, half)
    return ShelfDrift(days, lost_v, COVERAGE * unsure_v, share, half, wait_days, curve.ah)


def _warmer(first: Reading, last: Reading) -> tuple[float, float]:
    """By how much the last was warmer (K), and by how much that may be off."""
    if first.temperature is None or last.temperature is None:
        return 0.0, UNKNOWN_K
    return last.temperature - first.temperature, 0.0


def _wait(days: int, share: float, half: float) -> float:
    """Days until a loss at the rate that is most likely (at least a third of what could hide) would
    be above its uncertainty."""
    if share > half:
        return 0.0
    if isinf(half) or share < -half:
        return inf
    rate = max(share, half / 3.0) / days
    return max(1.0, ceil(half / rate - days))
