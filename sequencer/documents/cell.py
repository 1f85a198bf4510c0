"""The cell document: one cell type, its maker's limits, and what its seller claims."""

from typing import Literal, Self

from pydantic import Field, model_validator

from sequencer.documents.fields import (
    AmpHours,
    Amps,
    Celsius,
    CurrentOrRate,
    Document,
    Fraction,
    Grams,
    Millilitres,
    Millimetres,
    Ohms,
    Rate,
    Volts,
    WattHours,
    WattHoursPerKilogram,
)
from sequencer.vocabulary.quantities import Dimension, Quantity

Chemistry = Literal["NMC", "NCA", "LCO", "LMO", "LFP", "LTO"]


class Range(Document):
    """Low and high of a temperature window."""

    low: Celsius
    high: Celsius

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.low < self.high:
            raise ValueError("low must be below high")
        return self


class Limits(Document):
    """One set of limits. Currents may be given in A or as a C-rate of the rated capacity."""

    charge_voltage: Volts
    cut_off_voltage: Volts
    charge_current: CurrentOrRate
    discharge_current: CurrentOrRate
    charge_temperature: Range
    discharge_temperature: Range


class CurrentLimit(Document):
    """One row of the maker's table: the current allowed inside a band.

    A band left out holds for every value of it.
    """

    direction: Literal["charge", "discharge"]
    current: CurrentOrRate
    state_of_charge_from: Fraction = 0.0
    state_of_charge_to: Fraction = 1.0
    temperature_from: Celsius = -273.15
    temperature_to: Celsius = 1000.0

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.state_of_charge_from < self.state_of_charge_to <= 1.0:
            raise ValueError("state of charge must run from a lower to a higher fraction, at most 100 %")
        if not self.temperature_from < self.temperature_to:
            raise ValueError("temperature must run from a lower to a higher value")
        return self


class Conditions(Document):
    """Under which conditions a claim was made; what is left out was not given."""

    rate: Rate | None = None
    current: Amps | None = None
    cut_off: Volts | None = None
    charge_voltage: Volts | None = None
    temperature: Celsius | None = None


class Claim(Document):
    """One claim of the seller, with where it was said. Exactly one value."""

    said_on: str = Field(min_length=1)
    conditions: Conditions | Literal["none given"]
    capacity: AmpHours | None = None
    energy: WattHours | None = None
    energy_per_mass: WattHoursPerKilogram | None = None
    resistance: Ohms | None = None
    mass: Grams | None = None
    discharge_current: Amps | None = None

    @model_validator(mode="after")
    def _one_value(self) -> Self:
        values = (
            self.capacity,
            self.energy,
            self.energy_per_mass,
            self.resistance,
            self.mass,
            self.discharge_current,
        )
        if sum(value is not None for value in values) != 1:
            raise ValueError(
                "a claim states exactly one of capacity, energy, energy per mass, resistance, "
                "mass, discharge current"
            )
        return self


class Size(Document):
    """Outer dimensions."""

    length: Millimetres
    width: Millimetres
    thickness: Millimetres


class CellDocument(Document):
    """A cell type."""

    cell: str = Field(min_length=1)
    chemistry: Chemistry
    rated_capacity: AmpHours
    mass: Grams | None = None
    volume: Millilitres | None = None
    size: Size | None = None
    expected_resistance: Ohms | None = None
    recommended: Limits
    absolute: Limits
    storage_voltage: Volts
    current_limits: tuple[CurrentLimit, ...] = ()
    claims: tuple[Claim, ...] = ()

    def amps(self, given: Quantity) -> float:
        """A current or a C-rate as amperes: It[A] = Cn[Ah] / 1 h (IEC 61434 convention)."""
        if given.dimension is Dimension.RATE:
            return given.value * self.rated_capacity
        return given.value
