"""The specimen document: one cell in hand, as it came and as it is clamped. A run belongs to one.

Owns what was noted about the single cell; its type, limits and claims are the cell document's.
"""

from collections.abc import Iterable, Iterator
from typing import Literal

from pydantic import Field

from sequencer.documents.fields import Day, Document, Grams, OhmsFromZero, Volts
from sequencer.documents.rules import Broken, each, gathered

Bareness = Literal["bare", "with tabs"]


class Weighing(Document):
    """What the scale showed: the mass of the bare cell, or of the cell with its tabs."""

    mass: Grams
    of: Bareness
    on: Day | None = None


class Arrival(Document):
    """The cell as it came: its open-circuit voltage before anything was done, and the day."""

    voltage: Volts
    on: Day


class Clamping(Document):
    """Which clamping (counted from 1, anew each time the cell is put in) of which adapter.

    Contact resistance belongs to a clamping: two of them are not compared without saying so.
    """

    adapter: str = Field(min_length=1)
    clamping: str = Field(min_length=1)
    resistance: OhmsFromZero | None = None
    on: Day | None = None


class SpecimenDocument(Document):
    """One cell. ``cell`` is the name of its type, as the cell document has it."""

    specimen: str = Field(min_length=1, max_length=60)
    cell: str = Field(min_length=1)
    batch: str | None = None
    arrival: Arrival | None = None
    weighings: tuple[Weighing, ...] = ()
    clamping: Clamping | None = None
    note: str = ""

    def mass_g(self, of: Bareness) -> float | None:
        """The mean of the weighings in that state (g), or None when there is none."""
        seen = [one.mass for one in self.weighings if one.of == of]
        return sum(seen) / len(seen) if seen else None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Bare is lighter than with tabs, and nothing was done before the cell arrived."""
        return (
            each(self._bare_is_lighter, self.weighings),
            each(self._weighed_after_arrival, self.weighings),
            self._clamped_after_arrival(),
        )

    def _bare_is_lighter(self, number: int, one: Weighing) -> Iterator[Broken]:
        masses = gathered(lambda other: other.of == "with tabs" and other.mass, self.weighings)
        tabbed = [mass for _, mass in masses if mass]
        if one.of == "bare" and tabbed and one.mass > min(tabbed):
            rule = f"a bare cell cannot be heavier than with tabs, {min(tabbed):g} g"
            yield rule, ("weighings", number, "mass")

    def _weighed_after_arrival(self, number: int, one: Weighing) -> Iterator[Broken]:
        yield from self._after_arrival(one.on, ("weighings", number, "on"))

    def _clamped_after_arrival(self) -> Iterator[Broken]:
        if self.clamping is not None:
            yield from self._after_arrival(self.clamping.on, ("clamping", "on"))

    def _after_arrival(self, day: str | None, at: tuple[str | int, ...]) -> Iterator[Broken]:
        if self.arrival is not None and day is not None and day < self.arrival.on:
            yield f"is before the cell arrived, {self.arrival.on}", at
