"""What an instrument can set and measure: ranges, resolution, limits of error, and who says so.

Limits of error are what a maker promises (largest error), not standard uncertainties.
"""

from collections.abc import Iterable, Iterator
from typing import Annotated

from pydantic import Field

from sequencer.documents.fields import Document, Fraction, Number, Of, SecondsFromZero
from sequencer.documents.rules import Broken, gathered
from sequencer.vocabulary.quantities import Dimension, Quantity

Difference = Annotated[
    Quantity,
    Of(
        (
            Dimension.VOLTAGE,
            Dimension.CURRENT,
            Dimension.TEMPERATURE_DIFFERENCE,
            Dimension.POWER,
            Dimension.RESISTANCE,
            Dimension.TIME,
        ),
        low=0.0,
    ),
]
"""A resolution, offset or tolerance, never negative; of temperatures in K."""


End = Annotated[
    Quantity,
    Of(
        (
            Dimension.VOLTAGE,
            Dimension.CURRENT,
            Dimension.TEMPERATURE,
            Dimension.POWER,
            Dimension.RESISTANCE,
            Dimension.TIME,
        )
    ),
]
"""An end of a range: a Quantity that keeps its dimension."""


def difference_of(dimension: Dimension) -> Dimension:
    """The dimension in which two values of ``dimension`` differ (degC differ in K)."""
    if dimension is Dimension.TEMPERATURE:
        return Dimension.TEMPERATURE_DIFFERENCE
    return dimension


class Accuracy(Document):
    """Limit of error: of reading + of range + counts + offset, and a drift with the room."""

    of_reading: Fraction = 0.0
    of_range: Fraction = 0.0
    counts: Number = Field(default=0.0, ge=0.0)
    offset: Difference | None = None
    of_reading_per_kelvin: Fraction = 0.0


class Range(Document):
    """One range. ``gain`` and ``offset`` sum its accuracy up: error <= gain |x| + offset."""

    low: End
    high: End
    resolution: Difference
    accuracy: Accuracy

    def rules(self) -> Iterable[Iterator[Broken]]:
        """One dimension, low below high, something to resolve."""
        return (self._one_dimension(), self._ordered(), self._resolves())

    def _one_dimension(self) -> Iterator[Broken]:
        wanted = self.high.dimension
        differences = [self.resolution, self.accuracy.offset]
        fits = self.low.dimension is wanted and all(
            one is None or one.dimension is difference_of(wanted) for one in differences
        )
        if not fits:
            rule = f"low, high, resolution and offset must all be a {wanted.value}"
            yield f"{rule} (resolution and offset of a temperature are in K)", ()

    def _ordered(self) -> Iterator[Broken]:
        if not self.low.value < self.high.value:
            yield "low must be below high", ()

    def _resolves(self) -> Iterator[Broken]:
        if not self.resolution.value > 0.0:
            yield "must be above zero", ("resolution",)

    @property
    def gain(self) -> float:
        """The part of the limit of error that grows with the value (1)."""
        return self.accuracy.of_reading

    @property
    def offset(self) -> float:
        """The part of the limit of error that does not (inside unit); without the resolution."""
        fixed = self.accuracy.offset.value if self.accuracy.offset is not None else 0.0
        span = max(abs(self.low.value), abs(self.high.value))
        return self.accuracy.of_range * span + self.accuracy.counts * self.resolution.value + fixed

    def holds(self, value: float) -> bool:
        """Whether the value (inside unit) lies in this range; NaN does not."""
        return self.low.value <= value <= self.high.value


class Capability(Document):
    """Everything that one operation can do; ranges ordered as the maker lists them."""

    ranges: tuple[Range, ...] = Field(min_length=1)
    source: str = Field(min_length=1)
    fastest_interval: SecondsFromZero = 0.0

    def rules(self) -> Iterable[Iterator[Broken]]:
        """All ranges are of one dimension."""
        return (self._ranges_agree(),)

    def _ranges_agree(self) -> Iterator[Broken]:
        if len({one for _, one in gathered(lambda one: one.high.dimension, self.ranges)}) > 1:
            yield "all ranges of a capability must be of one dimension", ("ranges",)

    @property
    def dimension(self) -> Dimension:
        """What is set or measured."""
        return self.ranges[0].high.dimension

    @property
    def low(self) -> float:
        """The lowest value of any range (inside unit)."""
        return min(one.low.value for one in self.ranges)

    @property
    def high(self) -> float:
        """The highest value of any range (inside unit)."""
        return max(one.high.value for one in self.ranges)

    def range_for(self, value: float) -> Range | None:
        """The finest range that holds the value (inside unit), or None."""
        holding = [one for one in self.ranges if one.holds(value)]
        return min(holding, key=lambda one: one.resolution.value, default=None)
