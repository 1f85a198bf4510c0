"""The specimen document: one cell in hand, as it came and as it is clamped. A run belongs to one.

Owns what was noted about the single cell; its type, limits and claims are the cell document's.
"""

from collections.abc import Iterable, Iterator
from math import fsum
from typing import Literal

from pydantic import Field

from sequencer.documents.fields import (
    Celsius,
    CountFromOne,
    Day,
    Document,
    Grams,
    OhmsFromZero,
    Volts,
)
from sequencer.documents.rules import Broken, each, gathered
from sequencer.vocabulary.quantities import decimals

Weighed = Literal["bare", "with tabs", "with leads"]
"""What lay on the balance, the lightest first."""


class Weighing(Document):
    """What the balance showed, and what of it is not the cell: each of ``less`` was weighed by
    itself. ``balance`` is the largest error of one reading; left out, one digit of it."""

    mass: Grams
    of: Weighed
    less: dict[str, Grams] = Field(default_factory=dict)
    balance: Grams | None = None
    on: Day | None = None

    @property
    def state(self) -> Weighed:
        """What the mass is of: with everything else taken off, the bare cell."""
        return "bare" if self.less else self.of

    @property
    def net_g(self) -> float:
        """The mass without what was taken off (g)."""
        return self.mass - fsum(self.less.values())

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Only what hangs on a cell is taken off, and a cell is left."""
        return (self._has_something_on_it(), self._leaves_a_cell())

    def _has_something_on_it(self) -> Iterator[Broken]:
        if self.less and self.of == "bare":
            yield "a bare cell has nothing to take off: write what lay on the balance", ("of",)

    def _leaves_a_cell(self) -> Iterator[Broken]:
        if self.less and not self.net_g > 0.0:
            yield f"is not more than what is taken off, {self.mass - self.net_g:g} g", ("mass",)


class Pack(Document):
    """The pack that the cell was taken out of: how many such cells, and all its other parts, each
    with its mass. ``balance`` is the largest error of one reading; left out, one digit of it."""

    pack: str = Field(min_length=1)
    cells: CountFromOne
    parts: dict[str, Grams] = Field(min_length=1)
    balance: Grams | None = None


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


class Reading(Document):
    """An open-circuit voltage that a person read on a day, nothing joined to the cell. ``within``:
    the largest error of it, 0 where none is stated; ``temperature``: of the cell; ``by``: which
    meter."""

    voltage: Volts
    on: Day
    within: Volts = 0.0
    by: str = Field(min_length=1)
    temperature: Celsius | None = None


class SpecimenDocument(Document):
    """One cell. ``cell`` is the name of its type, as the cell document has it."""

    specimen: str = Field(min_length=1, max_length=60)
    cell: str = Field(min_length=1)
    batch: str | None = None
    arrival: Arrival | None = None
    weighings: tuple[Weighing, ...] = ()
    out_of: Pack | None = None
    clamping: Clamping | None = None
    readings: tuple[Reading, ...] = ()
    note: str = ""

    def weighed(self, state: str) -> tuple[Weighing, ...]:
        """The weighings that tell the mass of that."""
        return tuple(one for one in self.weighings if one.state == state)

    @property
    def read_within(self) -> tuple[Reading, ...]:
        """The readings, each with its largest error: where none is stated, one digit of the most
        finely written reading of that meter."""
        return tuple(
            one if one.within else one.model_copy(update={"within": self._digit_v(one.by)})
            for one in self.readings
        )

    def _digit_v(self, meter: str) -> float:
        return 10.0 ** -max(decimals(one.voltage) for one in self.readings if one.by == meter)

    def rules(self) -> Iterable[Iterator[Broken]]:
        """What hangs on a cell makes it heavier, nothing was done before it arrived, and the cells
        of a pack are weighed bare."""
        return (
            each(self._is_lighter, self.weighings),
            each(self._weighed_after_arrival, self.weighings),
            self._clamped_after_arrival(),
            each(self._read_in_order, self.readings),
            self._pack_of_weighed_cells(),
        )

    def _is_lighter(self, number: int, one: Weighing) -> Iterator[Broken]:
        """What was weighed itself, not worked out, is no heavier than with more on it."""
        heavier = {"bare": ("with tabs", "with leads"), "with tabs": ("with leads",)}
        for state in heavier.get(one.state, ()):
            nets = gathered(lambda other: (other.state, other.net_g), self.weighings)
            least = min((net for _, (of, net) in nets if of == state), default=one.net_g)
            if one.net_g > least and not one.less:
                rule = f"a cell {one.state} cannot be heavier than {state}, {least:g} g"
                yield rule.replace("a cell bare", "a bare cell"), ("weighings", number, "mass")

    def _weighed_after_arrival(self, number: int, one: Weighing) -> Iterator[Broken]:
        yield from self._after_arrival(one.on, ("weighings", number, "on"))

    def _clamped_after_arrival(self) -> Iterator[Broken]:
        if self.clamping is not None:
            yield from self._after_arrival(self.clamping.on, ("clamping", "on"))

    def _read_in_order(self, number: int, one: Reading) -> Iterator[Broken]:
        """By day, and with one meter, so that its own error is the same in all."""
        yield from self._after_arrival(one.on, ("readings", number, "on"))
        before = self.readings[max(number - 1, 0)]
        if one.on < before.on:
            yield f"is before the reading above it, {before.on}", ("readings", number, "on")

    def _after_arrival(self, day: str | None, at: tuple[str | int, ...]) -> Iterator[Broken]:
        if self.arrival is not None and day is not None and day < self.arrival.on:
            yield f"is before the cell arrived, {self.arrival.on}", at

    def _pack_of_weighed_cells(self) -> Iterator[Broken]:
        if self.out_of is not None and not self.weighed("bare"):
            rule = "the mass of a pack needs the bare cell to be weighed"
            yield rule, ("out of",)
