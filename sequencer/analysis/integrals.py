"""Charge and energy of one stretch: sums of trapezia in Ah, Wh, h and V h, gaps left out.

1 Ah = 3600 C, 1 Wh = 3600 J. Positive in the stretch's own direction (a charge puts in, a
discharge takes out; of a rest, what flowed in). Owns no uncertainty.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sequencer.analysis.stretches import Stretch
from sequencer.vocabulary.table import Floats

Direction = Literal["charge", "discharge"]


@dataclass(frozen=True, slots=True)
class Integral:
    """What flowed: charge (Ah), energy (Wh), the voltage's integral (V h), the current squared's
    (A^2 h), and for how long (h)."""

    ah: float
    wh: float
    volt_hours: float
    amp2_hours: float
    hours: float
    by: Direction

    @property
    def mean_a(self) -> float:
        """The mean current (A); NaN when it lasted no time."""
        return self.ah / self.hours if self.hours > 0 else math.nan

    @property
    def mean_v(self) -> float:
        """Energy by charge (V); NaN when nothing flowed."""
        return self.wh / self.ah if self.ah else math.nan


@dataclass(frozen=True, slots=True)
class Running:
    """What had flowed at each sample, as arrays of the stretch's length."""

    stretch: Stretch
    by: Direction
    ah: Floats
    wh: Floats
    hours: Floats

    def whole(self) -> Integral:
        """The stretch from end to end."""
        return self.until(float(len(self.ah) - 1))

    def until(self, place: float) -> Integral:
        """Up to a place between samples (a fraction of the way from one to the next)."""
        low = min(int(place), len(self.ah) - 1)
        part = place - low
        volt_hours, amp2_hours = self._rest(low, part)
        return Integral(
            ah=_between(self.ah, low, part),
            wh=_between(self.wh, low, part),
            volt_hours=volt_hours,
            amp2_hours=amp2_hours,
            hours=_between(self.hours, low, part),
            by=self.by,
        )

    def _rest(self, low: int, part: float) -> tuple[float, float]:
        """Integrals of V and I^2 up to the place (V h, A^2 h)."""
        stop = low + 1 + (part > 0)
        steps = np.diff(self.hours[:stop])
        if part > 0:
            steps[-1] *= part
        volts, amps = self.stretch.voltage_v[:stop], self.stretch.current_a[:stop]
        squares = amps * amps
        return float(_mids(volts) @ steps), float(_mids(squares) @ steps)

    def crossing(self, voltage_v: float) -> float | None:
        """Where a falling (discharge) or rising (charge) voltage first crosses, or None.

        The place is interpolated between the sample before and the first one at or beyond. A
        voltage that the first readings are beyond already is not crossed.
        """
        volts, sign = self.stretch.voltage_v, 1.0 if self.by == "charge" else -1.0
        beyond = sign * volts >= sign * voltage_v
        first = int(np.argmax(beyond))
        if not beyond[first] or first <= self.stretch.begins_inside:
            return None
        before, after = float(volts[first - 1]), float(volts[first])
        return first - 1 + (voltage_v - before) / (after - before)


def running(stretch: Stretch, by: Direction | None = None) -> Running:
    """Sums up a stretch; of an empty one, single zeros."""
    way: Direction = by or ("discharge" if stretch.kind == "discharge" else "charge")
    if len(stretch) < 2:
        zero = np.zeros(1)
        return Running(stretch, way, zero, zero, zero)
    hours = np.diff(stretch.time_s)
    for start_s, _ in stretch.gaps:
        hours[int(np.searchsorted(stretch.time_s, start_s))] = 0.0
    hours /= 3600.0
    amps = stretch.current_a if way == "charge" else -stretch.current_a
    watts = amps * stretch.voltage_v
    return Running(stretch, way, _sums(amps, hours), _sums(watts, hours), _sums(None, hours))


def _sums(values: Floats | None, hours: Floats) -> Floats:
    found = np.empty(len(hours) + 1)
    found[0] = 0.0
    np.cumsum(hours if values is None else _mids(values) * hours, out=found[1:])
    return found


def _mids(values: Floats) -> Floats:
    mids = values[1:] + values[:-1]
    mids *= 0.5
    return mids


def _between(sums: Floats, low: int, part: float) -> float:
    if part == 0.0 or low + 1 >= len(sums):
        return float(sums[low])
    return float(sums[low] + part * (sums[low + 1] - sums[low]))
