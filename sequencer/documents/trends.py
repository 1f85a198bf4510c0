"""What ends a step by more than one reading: a voltage that rests, or one that bends, or a
temperature that has stayed."""

from collections.abc import Iterable, Iterator
from typing import Literal

from pydantic import Field

from sequencer.documents.fields import (
    Celsius,
    CelsiusPerSecond,
    Document,
    Seconds,
    Volts,
    VoltsPerSecond,
)
from sequencer.documents.rules import Broken

SHORTEST_S = 60.0
"""A change is judged by means of tenths of a time: each needs a few readings."""


class _Judged(Document):
    """Over what time a change is judged, and when at the earliest."""

    in_: Seconds = Field(alias="in")
    at_least: Seconds | None = None

    @property
    def least_s(self) -> float:
        """How long the step lasts at least (s)."""
        return max(self.at_least or 0.0, self.in_)

    def rules(self) -> Iterable[Iterator[Broken]]:
        """A time in which some readings lie."""
        return (self._long_enough(),)

    def _long_enough(self) -> Iterator[Broken]:
        if self.in_ < SHORTEST_S:
            yield f"is shorter than {SHORTEST_S:g} s, the shortest that can be judged", ("in",)


class Relaxed(_Judged):
    """How little the voltage of a relaxed cell moves, and over what time that is judged."""

    below: Volts


class Reached(Document):
    """Between which temperatures the surface, or the room, has been, and how long without a break;
    one edge may be left open."""

    low: Celsius | None = None
    high: Celsius | None = None
    of: Literal["surface", "room"] = "surface"
    for_at_least: Seconds | None = None

    @property
    def least_s(self) -> float:
        """How long the step lasts at least (s)."""
        return self.for_at_least or 0.0

    def rules(self) -> Iterable[Iterator[Broken]]:
        """At least one edge; low is below high."""
        return (self._edges(),)

    def _edges(self) -> Iterator[Broken]:
        if self.low is None and self.high is None:
            yield "give 'low', 'high' or both: from where to where the temperature lies", ()
        elif self.low is not None and self.high is not None and not self.low < self.high:
            yield "low must be below high", ()


class Slope(_Judged):
    """How fast the voltage moves on, or the surface warms, when a driven step ends."""

    voltage: VoltsPerSecond | None = None
    temperature: CelsiusPerSecond | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """The slope of one thing."""
        return (*super().rules(), self._one_of_two())

    def _one_of_two(self) -> Iterator[Broken]:
        if (self.voltage is None) is (self.temperature is None):
            yield "give the slope of one: 'voltage' or 'temperature'", ()
