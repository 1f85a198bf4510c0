"""What a simulated instrument shows of a true value, and what it makes of a setting.

Owns resolution, range, and the instrument's own small errors, drawn once from the seed; knows no
circuit. Everything follows from the definition's capabilities, so that a rehearsal shows what the
user's own instrument cannot resolve.
"""

from collections.abc import Callable
from functools import lru_cache
from math import inf
from random import Random

import numpy as np
from numpy.typing import NDArray

from sequencer.documents.capability import Capability, Range
from sequencer.vocabulary.quantities import Dimension
from sequencer.vocabulary.sample import ELECTRICAL_DIGITS, TEMPERATURE_DIGITS

SHARE_OF_LIMIT = 0.5
"""A simulated instrument errs by at most this part of what its maker allows (our choice: well
within what it states)."""
NOISE_COUNTS = 0.25
"""Standard deviation of the noise of a reading, in counts (our choice)."""
_NOISE_LENGTH = 1021
_Noise = tuple[tuple[float, ...], ...]


def _random_for(seed: int, *names: str) -> Random:
    return Random("/".join((str(seed), *names)))  # text seeds are hashed: the same on every run


@lru_cache(maxsize=256)
def _drawn(seed: int, names: tuple[str, ...], ranges: int) -> tuple[float, float, _Noise]:
    """Errors of gain and offset as shares of what is allowed, and the noise of each range. Kept:
    a campaign makes the same bench a hundred thousand times."""
    random = _random_for(seed, *names)
    gain, offset = (random.uniform(-SHARE_OF_LIMIT, SHARE_OF_LIMIT) for _ in range(2))
    noise = tuple(
        tuple(random.gauss(0.0, NOISE_COUNTS) for _ in range(_NOISE_LENGTH)) for _ in range(ranges)
    )
    return gain, offset, noise


def _counts_per_unit(resolution: float) -> tuple[float, bool]:
    """Counts in one unit, and whether that is a whole number: dividing a whole number of counts by
    it then gives the float nearest to the decimal that is shown."""
    per_unit = 1.0 / resolution
    whole = float(round(per_unit))
    return (whole, True) if abs(per_unit - whole) < 1e-6 * per_unit else (per_unit, False)


def _in_counts(value: float, resolution: float) -> float:
    per_unit, is_decimal = _counts_per_unit(resolution)
    counted = round(value * per_unit) / per_unit
    return counted if is_decimal else round(counted, 9)


def shows_recorded_digits(capability: Capability) -> bool:
    """Whether what it measures has no more digits than a record: its counts are whole numbers of
    the last of them."""
    digits = _RECORDED.get(capability.dimension)
    if digits is None:
        return True
    counts = [one.resolution.value * 10.0**digits for one in capability.ranges]
    return all(one > 0.5 and abs(one - round(one)) < 1e-6 * one for one in counts)


_RECORDED = {
    Dimension.TEMPERATURE: TEMPERATURE_DIGITS,
    Dimension.VOLTAGE: ELECTRICAL_DIGITS,
    Dimension.CURRENT: ELECTRICAL_DIGITS,
}


class _Scale:
    """One range of a gauge with the errors that it happens to have, in counts."""

    __slots__ = (
        "covers", "drawn", "gain", "high", "is_decimal", "low", "noise", "noises", "offset",
        "per_unit",
    )  # fmt: skip

    def __init__(self, one: Range, gain: float, offset: float, noise: tuple[float, ...]) -> None:
        resolution = one.resolution.value
        self.per_unit, self.is_decimal = _counts_per_unit(resolution)
        self.gain = (1.0 + gain * one.gain) * self.per_unit
        self.offset = offset * one.offset * self.per_unit
        self.low, self.high, self.covers = one.low.value, one.high.value, one.holds
        self.noise, self.noises, self.drawn = noise, np.empty(0), 0

    def noise_ahead(self, count: int) -> NDArray[np.float64]:
        """The noise of so many more readings, which are not yet made."""
        at = self.drawn % _NOISE_LENGTH
        if len(self.noises) < at + count:
            self.noises = np.resize(self.noise, at + count + _NOISE_LENGTH)
        return self.noises[at : at + count]

    def next_noise(self) -> float:
        """The noise of one more reading; after the last the first again."""
        self.drawn += 1
        return self.noise[self.drawn % _NOISE_LENGTH - 1]


Alter = Callable[[float], float]


class Display:
    """One measuring channel: true value in, displayed value out.

    With ``overloads`` a value beyond the highest range is shown as infinite (the caller writes
    that as its instrument does), otherwise it sticks at the end of the range.
    """

    __slots__ = ("_alter", "_is_plain", "_scale", "_scales", "overloads")

    def __init__(self, capability: Capability, seed: int, *names: str, overloads: bool) -> None:
        ranges = sorted(capability.ranges, key=lambda one: one.resolution.value)
        gain, offset, noises = _drawn(seed, names, len(ranges))
        self._scales = tuple(
            _Scale(one, gain, offset, noise) for one, noise in zip(ranges, noises, strict=True)
        )
        self._scale = self._scales[-1]
        self.overloads = overloads
        self.alter = None

    @property
    def alter(self) -> Alter | None:
        """May be set by a fault: gets what would have been shown and gives what is shown."""
        return self._alter

    @alter.setter
    def alter(self, alter: Alter | None) -> None:
        self._alter = alter
        self._is_plain = alter is None and len(self._scales) == 1 and self._scale.is_decimal

    @property
    def parts(self) -> tuple[object, ...]:
        """What changes by reading."""
        return self, *self._scales

    def read(self, true: float) -> float:
        """What is shown now; each reading moves the noise on by one."""
        scale = self._scale
        shown = round(true * scale.gain + scale.offset + scale.next_noise()) / scale.per_unit
        if self._is_plain and scale.low <= shown <= scale.high:
            return shown
        return self._read_otherwise(true)

    def read_each(self, true: NDArray[np.float64]) -> list[float]:
        """What ``read`` shows of one true value after the other; where it is plain by the same
        expression over all of them."""
        scale, count = self._scale, len(true)
        if self._is_plain:
            counts = np.rint(true * scale.gain + scale.offset + scale.noise_ahead(count))
            shown = counts / scale.per_unit
            if scale.low <= shown.min() and shown.max() <= scale.high:
                scale.drawn += count
                return list((shown + 0.0).tolist())  # a zero that is shown has no sign
        return [self.read(one) for one in true.tolist()]

    def _read_otherwise(self, true: float) -> float:
        scale = self._scale = self._finest(true)
        shown = round(true * scale.gain + scale.offset + scale.next_noise()) / scale.per_unit
        if not scale.is_decimal:
            shown = round(shown, 9)
        if shown > scale.high:
            shown = inf if self.overloads else scale.high
        elif shown < scale.low:
            shown = -inf if self.overloads else scale.low
        return shown if self._alter is None else self._alter(shown)

    def _finest(self, true: float) -> _Scale:
        return next((one for one in self._scales if one.covers(true)), self._scales[-1])


class SimulatedSetting:
    """One setting: what was asked in, what is set (quantised, in range), what it truly does.

    ``alter`` may be set by a fault: it gets what would be set and what is set, and gives what is
    set from now on. With ``admits`` False the read-back tells what was asked instead.
    """

    __slots__ = ("_asked", "_ranges", "admits", "alter", "high", "low", "value")

    def __init__(self, capability: Capability, seed: int, *names: str) -> None:
        random = _random_for(seed, *names)
        gain, offset = (random.uniform(-SHARE_OF_LIMIT, SHARE_OF_LIMIT) for _ in range(2))
        self.low, self.high = capability.low, capability.high
        self._ranges = tuple(
            (one, 1.0 + gain * one.gain, offset * one.offset)
            for one in sorted(capability.ranges, key=lambda one: one.resolution.value)
        )
        self.value = self._asked = self.low if self.low > 0.0 else 0.0
        self.alter: Callable[[float, float], float] | None = None
        self.admits = True

    def set(self, wanted: float) -> None:
        """Take ``wanted`` as an instrument does: in whole counts, and not beyond its range."""
        inside = min(max(wanted, self.low), self.high)
        asked = self._asked = _in_counts(inside, self._for(inside)[0].resolution.value)
        self.value = asked if self.alter is None else self.alter(asked, self.value)

    @property
    def shown(self) -> float:
        """As read back."""
        return self.value if self.admits else self._asked

    @property
    def true(self) -> float:
        """What the setting really brings about."""
        _, gain, offset = self._for(self.value)
        return self.value * gain + offset

    def _for(self, value: float) -> tuple[Range, float, float]:
        return next((one for one in self._ranges if one[0].holds(value)), self._ranges[-1])
