"""The errors that one measuring channel may have, as variables that everything it read shares.

Owns how a data sheet's limits of error become standard uncertainties; knows no figure. Assumed: a
limit is rectangular, u = a / sqrt(3) (GUM 4.3.7); each range of an instrument errs by itself (what
was measured in two ranges does not cancel); the read-back of a steady value errs by one rounding
that does not average out (the safe side).
"""

from collections.abc import Hashable
from math import hypot, inf, isfinite, isnan, nan

from uncertainties import UFloat, ufloat
from uncertainties.core import AffineScalarFunc, LinearCombination

from sequencer.analysis.uncertainty.gum import rectangular
from sequencer.analysis.uncertainty.zeros import Zero, zero_of
from sequencer.documents.capability import Capability, Range
from sequencer.vocabulary.table import Floats

ZERO_DRIFT = 0.1
"""Share of the stated offset that may come back after the zero was read (our assumption)."""


def exactly(value: float) -> UFloat:
    """A value that adds no uncertainty of its own."""
    return AffineScalarFunc(float(value), LinearCombination({}))


class Errors:
    """Every error variable of one analysis: made once, by its source, with its degrees of freedom.

    ``sources`` are the tags of the variables: the words that a budget shows.
    """

    def __init__(self) -> None:
        self._made: dict[Hashable, UFloat] = {}
        self.degrees: dict[str, float] = {}

    def one(
        self, key: Hashable, source: str, standard: float, degrees_of_freedom: float = inf
    ) -> UFloat:
        """The variable of that key: the same each time. NaN makes everything it touches NaN."""
        if key not in self._made:
            self.degrees[source] = min(degrees_of_freedom, self.degrees.get(source, inf))
            self._made[key] = ufloat(0.0, standard, tag=source) if standard != 0.0 else exactly(0.0)
        return self._made[key]


class ChannelErrors:
    """One channel: ``name`` is the instrument, ``quantity`` what it measures, in words.

    ``departure_k`` is how far the room was from 23 degC. ``zero`` is what it read at nothing, NaN
    when that was not recorded; ``at_rest`` is what it read in the rests. With ``capability`` None
    nothing is known: every error is NaN.
    """

    def __init__(
        self,
        errors: Errors,
        name: str,
        quantity: str,
        capability: Capability | None,
        departure_k: float = 0.0,
        zero: float = nan,
        at_rest: Floats | None = None,
    ) -> None:
        self._errors, self._capability = errors, capability
        self.name, self._quantity, self._departure_k = name, quantity, departure_k
        self._zero, self._at_rest = zero, at_rest
        self._found: dict[Range, Zero | None] = {}

    def zero_at(self, value: float) -> float:
        """The zero, to be taken off a reading of about ``value``: as it was read, or the middle of
        what a display that stops at zero leaves open; 0.0 when nothing was read."""
        one = self._range(value)
        if one is None:
            return 0.0
        seen = self._seen(one)
        if seen is not None:
            return seen.value
        if isnan(self._zero):
            return 0.0
        if self._tells(one):
            return self._zero
        low, high = self._hidden(one)
        return 0.5 * (low + high)

    def limit(self, value: float) -> float:
        """Largest error that the data sheet allows a reading of ``value`` (its unit), one count
        included, as ``check`` counts it before the night; NaN when nothing is known."""
        one = self._range(value)
        return nan if one is None else one.gain * abs(value) + one.offset + one.resolution.value

    def hidden_zero(self, value: float) -> tuple[float, float] | None:
        """The stated offset (its unit) that a zero reading of exactly 0 leaves open, because the
        display shows nothing below it, and how many times less a known zero would; else None."""
        one = self._range(value)
        if one is None or self._zero != 0.0 or self._tells(one) or not one.offset > 0.0:
            return None
        seen = self._seen(one)
        if seen is not None and not seen.is_hidden:
            return None
        low, high = self._hidden(one)
        known = hypot(ZERO_DRIFT * one.offset, 0.5 * one.resolution.value)
        return one.offset, 0.5 * (high - low) / known

    def count(self, value: float) -> float:
        """One count of the display at ``value``; 0.0 when nothing is known."""
        one = self._range(value)
        return 0.0 if one is None else one.resolution.value

    def gain(self, value: float) -> UFloat:
        """Relative error of a reading of about ``value`` (1)."""
        one = self._range(value)
        if one is None:
            return self._unknown()
        stated = self._one("gain", one, rectangular(one.gain))
        drift = rectangular(one.accuracy.of_reading_per_kelvin * self._departure_k)
        return stated + self._one("gain drift with the room's temperature", one, drift)

    def offset(self, value: float) -> UFloat:
        """Error of a reading of about ``value`` that does not grow with it (its unit)."""
        one = self._range(value)
        if one is None:
            return self._unknown()
        seen = self._seen(one)
        if seen is not None:
            drift = self._one("zero drift", one, rectangular(ZERO_DRIFT * one.offset))
            return drift + self._one("zero at rest", one, seen.standard)
        if not self._tells(one):
            low, high = self._hidden(one)
            return self._one("offset", one, rectangular(0.5 * (high - low)))
        left = self._one("zero drift", one, rectangular(ZERO_DRIFT * one.offset))
        return left + self._one("zero reading", one, rectangular(0.5 * one.resolution.value))

    def rounding(self, value: float) -> UFloat:
        """Error of rounding a steady ``value``: one for all readings that show the same."""
        one = self._range(value)
        if one is None:
            return self._unknown()
        count = one.resolution.value
        shown = round(value / count) if isfinite(value) else repr(value)
        return self._one("resolution", one, rectangular(0.5 * count), shown)

    def _seen(self, one: Range) -> Zero | None:
        """The zero that its readings in the rests tell."""
        if self._at_rest is None:
            return None
        if one not in self._found:
            count, has_sign = one.resolution.value, one.low.value < 0.0
            self._found[one] = zero_of(self._at_rest, count, one.offset, has_sign=has_sign)
        return self._found[one]

    def _tells(self, one: Range) -> bool:
        """Whether the recorded zero says what the offset is: a display that cannot go below zero
        shows 0 for every offset below it."""
        return not isnan(self._zero) and (one.low.value < 0.0 or self._zero > 0.0)

    def _hidden(self, one: Range) -> tuple[float, float]:
        """Between what the offset lies: as the sheet states it, and where a display that stops at
        zero read nothing, no higher than half a count and the drift since."""
        if isnan(self._zero):
            return -one.offset, one.offset
        above = 0.5 * one.resolution.value + ZERO_DRIFT * one.offset
        return -one.offset, min(above, one.offset)

    def _range(self, value: float) -> Range | None:
        if self._capability is None:
            return None
        widest = max(self._capability.ranges, key=lambda one: one.high.value - one.low.value)
        return self._capability.range_for(value) or widest

    def _one(self, what: str, one: Range, standard: float, more: Hashable = None) -> UFloat:
        key = (self.name, self._quantity, what, one.low.value, one.high.value, more)
        return self._errors.one(key, f"{self.name}, {self._quantity} {what}", standard)

    def _unknown(self) -> UFloat:
        return self._errors.one("unknown", "nothing is known of the instruments", nan)
