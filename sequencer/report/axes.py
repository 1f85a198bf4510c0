"""From numbers to places on a picture: round ticks and the scale between them; pure."""

import math
from collections.abc import Sequence
from typing import NamedTuple

TARGET_TICKS = 5
_HOURS = (1 / 60, 1 / 12, 0.25, 0.5, 1, 2, 3, 6, 12, 24, 48, 120, 240)


class Axis(NamedTuple):
    """One axis: the values at its ends, where its ticks are, and what stands beside them."""

    low: float
    high: float
    ticks: tuple[float, ...]
    words: tuple[str, ...]

    def place(self, value: float, near: float, far: float) -> float:
        """Where ``value`` lies when ``low`` lies at ``near`` and ``high`` at ``far``."""
        return near + (value - self.low) / (self.high - self.low) * (far - near)


def axis(
    values: Sequence[float], *, hours: bool = False, zero: bool = False, ticks: int = TARGET_TICKS
) -> Axis:
    """An axis that holds every finite value, its ends on ticks. ``hours``: ticks as a clock has
    them. ``zero``: the axis reaches to zero. ``ticks``: about how many are wanted."""
    finite = [value for value in values if math.isfinite(value)] or [0.0, 1.0]
    low, high = min(finite), max(finite)
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    if high - low < 1e-9 * max(1.0, abs(high)):
        room = 0.5 * abs(high) or 0.5
        low, high = low - (0.0 if zero and low == 0.0 else room), high + room
    step = _hour_step(high - low) if hours else _step(high - low, ticks)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    at = tuple(round(step * number, 12) for number in range(first, last + 1))
    return Axis(at[0], at[-1], at, _words(at, step))


def close_axis(low: float, high: float, *, hours: bool = False) -> Axis:
    """An axis that ends where the data end, with the ticks that lie inside."""
    if not high > low:
        return axis([low, high], hours=hours)
    step = _hour_step(high - low) if hours else _step(high - low)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    ticks = tuple(round(step * number, 12) for number in range(first, last + 1))
    return Axis(low, high, ticks, _words(ticks, step))


def _step(span: float, ticks: int = TARGET_TICKS) -> float:
    rough = span / ticks
    power = 10.0 ** math.floor(math.log10(rough))
    for factor in (1.0, 2.0, 2.5, 5.0):
        if rough <= factor * power * (1 + 1e-9):
            return factor * power
    return 10.0 * power


def _hour_step(span: float) -> float:
    return next((step for step in _HOURS if span / step <= TARGET_TICKS + 2), _step(span))


def _words(ticks: Sequence[float], step: float) -> tuple[str, ...]:
    places = next((p for p in range(7) if abs(round(step, p) - step) < 1e-9 * step), 6)
    return tuple(f"{tick + 0.0:.{places}f}".replace("-", "\u2212") for tick in ticks)
