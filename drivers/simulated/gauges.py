"""What a simulated instrument shows of a true value, and what it makes of a setting.

Owns resolution, range, and the instrument's own small errors, drawn once from the seed; knows no
circuit. Everything follows from the definition's capabilities, so that a rehearsal shows what the
user's own instrument cannot resolve.
"""

from collections.abc import Callable
from math import inf
from random import Random

from sequencer.documents.capability import Capability, Range

SHARE_OF_LIMIT = 0.5
"""A pretended instrument errs by at most this part of what its maker allows (our choice: one that
keeps its promise with room to spare)."""
NOISE_COUNTS = 0.25
"""Standard deviation of the noise of a reading, in counts (our choice)."""
_NOISE_LENGTH = 1021


def _random_for(seed: int, *names: str) -> Random:
    return Random("/".join((str(seed), *names)))  # text seeds are hashed: the same on every run


def _noise(random: Random, resolution: float) -> tuple[float, ...]:
    deviation = NOISE_COUNTS * resolution
    return tuple(random.gauss(0.0, deviation) for _ in range(_NOISE_LENGTH))


class Rounding:
    """Rounds to whole counts; the result is the float nearest to the decimal number shown."""

    __slots__ = ("_count", "_per_unit")

    def __init__(self, resolution: float) -> None:
        per_unit = 1.0 / resolution
        self._count = resolution
        self._per_unit = float(round(per_unit)) if abs(per_unit % 1.0 - 0.5) > 0.499999 else 0.0

    def __call__(self, value: float) -> float:
        """``value`` in whole counts."""
        if self._per_unit:
            return round(value * self._per_unit) / self._per_unit
        return round(round(value / self._count) * self._count, 9)


class _Scale:
    """One range of a gauge with the errors that it happens to have."""

    __slots__ = ("gain", "high", "low", "noise", "offset", "per_unit", "rounding")

    def __init__(self, one: Range, gain: float, offset: float, random: Random) -> None:
        resolution = one.resolution.value
        self.gain, self.offset = 1.0 + gain * one.gain, offset * one.offset
        self.low, self.high = one.low.value, one.high.value
        self.noise = _noise(random, resolution)
        self.rounding = Rounding(resolution)


class Gauge:
    """One measuring channel: true value in, displayed value out.

    ``alter`` may be set by a fault: it gets what would have been shown and gives what is shown.
    With ``overloads`` a value beyond the highest range is shown as infinite (the caller writes
    that as its instrument does), otherwise it sticks at the end of the range.
    """

    __slots__ = ("_index", "_scale", "_scales", "alter", "overloads")

    def __init__(self, capability: Capability, seed: int, *names: str, overloads: bool) -> None:
        random = _random_for(seed, *names)
        gain, offset = (random.uniform(-SHARE_OF_LIMIT, SHARE_OF_LIMIT) for _ in range(2))
        ranges = sorted(capability.ranges, key=lambda one: one.resolution.value)
        self._scales = tuple(_Scale(one, gain, offset, random) for one in ranges)
        self._scale = self._scales[-1]
        self._index = 0
        self.overloads = overloads
        self.alter: Callable[[float], float] | None = None

    def read(self, true: float) -> float:
        """What is shown now; each reading moves the noise on by one."""
        scale = self._scale
        if len(self._scales) > 1:
            scale = self._scale = self._finest(true)
        index = self._index
        self._index = index + 1 if index < _NOISE_LENGTH - 1 else 0
        shown = scale.rounding(true * scale.gain + scale.offset + scale.noise[index])
        if shown > scale.high:
            shown = inf if self.overloads else scale.high
        elif shown < scale.low:
            shown = -inf if self.overloads else scale.low
        return shown if self.alter is None else self.alter(shown)

    def _finest(self, true: float) -> _Scale:
        fits = (one for one in self._scales if one.low <= true <= one.high)
        return next(fits, self._scales[-1])


class Setting:
    """One setting: what was asked in, what is set (quantised, in range), what it truly does.

    ``alter`` may be set by a fault: it gets what would be set and what is set, and gives what is
    set from now on. With ``admits`` False the read-back tells what was asked instead.
    """

    __slots__ = ("_asked", "_ranges", "_scale", "admits", "alter", "high", "low", "value")

    def __init__(self, capability: Capability, seed: int, *names: str) -> None:
        random = _random_for(seed, *names)
        gain, offset = (random.uniform(-SHARE_OF_LIMIT, SHARE_OF_LIMIT) for _ in range(2))
        self.low, self.high = capability.low, capability.high
        self._ranges = tuple(
            (one, Rounding(one.resolution.value), 1.0 + gain * one.gain, offset * one.offset)
            for one in sorted(capability.ranges, key=lambda one: one.resolution.value)
        )
        self.value = self._asked = self.low if self.low > 0.0 else 0.0
        self.alter: Callable[[float, float], float] | None = None
        self.admits = True

    def set(self, wanted: float) -> None:
        """Take ``wanted`` as an instrument does: in whole counts, and not beyond its range."""
        inside = min(max(wanted, self.low), self.high)
        asked = self._asked = self._for(inside)[1](inside)
        self.value = asked if self.alter is None else self.alter(asked, self.value)

    @property
    def shown(self) -> float:
        """As read back."""
        return self.value if self.admits else self._asked

    @property
    def true(self) -> float:
        """What the setting really brings about."""
        _, _, gain, offset = self._for(self.value)
        return self.value * gain + offset

    def _for(self, value: float) -> tuple[Range, Rounding, float, float]:
        return next((one for one in self._ranges if one[0].holds(value)), self._ranges[-1])
