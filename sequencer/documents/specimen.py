"""The specimen document: one cell in hand, as it came and as it is clamped. A run belongs to one.

Owns what was noted about the single cell; its type, limits and claims are the cell document's.
"""

from typing import Literal, Self

from pydantic import Field, model_validator

from sequencer.documents.fields import Day, Document, Grams, OhmsFromZero, RuleError, Volts

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

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        broken = [*self._bare_is_lighter(), *self._nothing_before_arrival()]
        if broken:
            raise RuleError(*broken)
        return self

    def _bare_is_lighter(self) -> list[tuple[str, tuple[str | int, ...]]]:
        tabbed = [one.mass for one in self.weighings if one.of == "with tabs"]
        return [
            (
                f"a bare cell cannot be heavier than with tabs, {min(tabbed):g} g",
                ("weighings", i, "mass"),
            )
            for i, one in enumerate(self.weighings)
            if one.of == "bare" and tabbed and one.mass > min(tabbed)
        ]

    def _nothing_before_arrival(self) -> list[tuple[str, tuple[str | int, ...]]]:
        if self.arrival is None:
            return []
        first = self.arrival.on
        days: list[tuple[str | None, tuple[str | int, ...]]] = [
            (one.on, ("weighings", i, "on")) for i, one in enumerate(self.weighings)
        ]
        if self.clamping is not None:
            days.append((self.clamping.on, ("clamping", "on")))
        return [
            (f"is before the cell arrived, {first}", loc)
            for day, loc in days
            if day is not None and day < first
        ]
