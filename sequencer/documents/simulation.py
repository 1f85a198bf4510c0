"""Documents of the simulated: the true parameters of a pretended cell, the truth of a bench."""

from itertools import pairwise
from typing import Annotated, Self

from pydantic import Field, model_validator

from sequencer.documents.fields import (
    AmpHours,
    AmpsFromZero,
    Celsius,
    Count,
    Document,
    Farads,
    Grams,
    JoulesPerKelvin,
    JoulesPerMole,
    Number,
    Ohms,
    OhmsFromZero,
    StateOfCharge,
    Volts,
    VoltsPerKelvin,
    WattsPerKelvin,
)


class OpenCircuitPoint(Document):
    """One point of the open-circuit curve at 25 degC, with its entropic coefficient."""

    at: StateOfCharge
    voltage: Volts
    entropic: VoltsPerKelvin = 0.0


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

    @model_validator(mode="after")
    def _one_or_two(self) -> Self:
        if (self.surface is None) != (self.core_to_surface is None):
            raise ValueError("surface and core to surface go together: two masses, or neither: one")
        return self


class SimulatedCellDocument(Document):
    """The truth about a pretended cell.

    ``capacity`` is what lies between 0 % and 100 % of the open-circuit curve; what a discharge
    yields is less, by what the resistances leave behind. ``self discharge`` is a steady current.
    """

    simulated_cell: str = Field(min_length=1)
    capacity: Annotated[AmpHours, Field(ge=0.001, le=10_000.0)]
    mass: Grams | None = None
    open_circuit: tuple[OpenCircuitPoint, ...] = Field(min_length=2)
    ohmic: Resistor
    branches: tuple[Branch, ...] = Field(default=(), max_length=2)
    thermal: ThermalMasses
    self_discharge: AmpsFromZero = 0.0

    @model_validator(mode="after")
    def _curve_rises(self) -> Self:
        points = self.open_circuit
        if points[0].at != 0.0 or points[-1].at != 1.0:
            raise ValueError("the open-circuit curve must run from 0 % to 100 %")
        if any(b.at <= a.at or b.voltage < a.voltage for a, b in pairwise(points)):
            raise ValueError("the open-circuit curve must rise with the state of charge")
        return self


class Simulation(Document):
    """What is true about a simulated bench beyond what its documents say."""

    cell: str = Field(min_length=1)
    state_of_charge: StateOfCharge = 0.3
    room: Annotated[Celsius, Field(ge=-40.0, le=85.0)] = 25.0
    lead_resistance: OhmsFromZero | None = None
    seed: Count = 1
