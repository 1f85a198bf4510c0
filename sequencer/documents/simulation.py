"""Documents of the simulation: the true parameters of a cell, the truth of a bench."""

from collections.abc import Iterable, Iterator
from typing import Annotated

from pydantic import Field

from sequencer.documents.fields import (
    AmpHours,
    AmpsFromZero,
    Celsius,
    Count,
    Document,
    FadeShare,
    Farads,
    Grams,
    JoulesPerKelvin,
    JoulesPerMole,
    Number,
    Ohms,
    OhmsFromZero,
    Seconds,
    StateOfCharge,
    WattsPerKelvin,
)
from sequencer.documents.open_circuit import OpenCircuitPoint, rises
from sequencer.documents.rules import Broken, each


class Resistor(Document):
    """A resistance at 25 degC: R (1 + bend (2 s - 1)^2) exp(Ea/R (1/T - 1/298.15 K))."""

    resistance: Annotated[Ohms, Field(ge=1e-6, le=1000.0)]
    bend: Annotated[Number, Field(ge=-0.9, le=100.0)] = 0.0
    activation_energy: Annotated[JoulesPerMole, Field(le=200e3)] = 0.0


class Branch(Resistor):
    """A resistance beside a constant capacitance."""

    capacitance: Annotated[Farads, Field(ge=1e-3, le=1e7)]


HeatCapacity = Annotated[JoulesPerKelvin, Field(ge=0.1, le=1e6)]
Conductance = Annotated[WattsPerKelvin, Field(ge=1e-4, le=1e3)]


class ThermalMasses(Document):
    """Core and surface; the surface lags. With ``core to surface`` absent they are one mass."""

    core: HeatCapacity
    surface: HeatCapacity | None = None
    core_to_surface: Conductance | None = None
    surface_to_room: Conductance

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Two masses or one."""
        return (self._one_or_two(),)

    def _one_or_two(self) -> Iterator[Broken]:
        if (self.surface is None) != (self.core_to_surface is None):
            yield "surface and core to surface go together: two masses, or neither: one", ()


class SimulatedCellDocument(Document):
    """The truth about a simulated cell.

    ``capacity`` is what lies between 0 % and 100 % of the open-circuit curve; what a discharge
    yields is less, by what the resistances leave behind. ``self discharge`` is a steady current,
    ``fade`` the share of its capacity that the cell loses in a full cycle.
    """

    simulated_cell: str = Field(min_length=1)
    capacity: Annotated[AmpHours, Field(ge=0.001, le=10_000.0)]
    mass: Grams | None = None
    open_circuit: tuple[OpenCircuitPoint, ...] = Field(min_length=2)
    ohmic: Resistor
    branches: tuple[Branch, ...] = Field(default=(), max_length=2)
    thermal: ThermalMasses
    self_discharge: AmpsFromZero = 0.0
    fade: FadeShare = 0.0

    def rules(self) -> Iterable[Iterator[Broken]]:
        """The open-circuit curve begins empty, ends full, and rises."""
        return (self._begins_empty(), self._ends_full(), each(self._rises, self.open_circuit))

    def _begins_empty(self) -> Iterator[Broken]:
        if self.open_circuit[0].at != 0.0:
            rule = "the open-circuit curve must run from 0 % to 100 %: this is its first point"
            yield rule, ("open-circuit", 0, "at")

    def _ends_full(self) -> Iterator[Broken]:
        if self.open_circuit[-1].at != 1.0:
            rule = "the open-circuit curve must run from 0 % to 100 %: this is its last point"
            yield rule, ("open-circuit", len(self.open_circuit) - 1, "at")

    def _rises(self, number: int, point: OpenCircuitPoint) -> Iterator[Broken]:
        yield from rises(self.open_circuit, number, point)


RoomCelsius = Annotated[Celsius, Field(ge=-40.0, le=85.0)]


class RoomPoint(Document):
    """How warm a simulated room is ``after`` so long."""

    after: Seconds
    temperature: RoomCelsius


class Simulation(Document):
    """What is true about a simulated bench beyond what its documents say.

    ``room``: at the start; then it goes in straight lines from point to point of the schedule, and
    stays at the last.

    ``ground path``: the resistance of a path beside the negative lead, and beside what sits in it,
    through grounds that are joined; None without one.
    """

    cell: str = Field(min_length=1)
    state_of_charge: StateOfCharge = 0.3
    room: RoomCelsius = 25.0
    room_schedule: tuple[RoomPoint, ...] = ()
    lead_resistance: OhmsFromZero | None = None
    ground_path: Ohms | None = None
    seed: Count = 1

    def rules(self) -> Iterable[Iterator[Broken]]:
        """The points of the schedule lie one behind the other."""
        return (each(self._comes_later, self.room_schedule),)

    def _comes_later(self, number: int, point: RoomPoint) -> Iterator[Broken]:
        if number and not point.after > self.room_schedule[number - 1].after:
            yield "must be later than the point before", ("room schedule", number, "after")
