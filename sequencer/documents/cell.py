"""The cell document: one cell type, its maker's limits, and what its seller claims."""

from typing import Literal, NamedTuple, Self

from pydantic import Field, model_validator

from sequencer.documents.fields import (
    AmpHours,
    Amps,
    Celsius,
    CurrentOrRate,
    Document,
    Grams,
    Millilitres,
    Millimetres,
    Ohms,
    Rate,
    RuleError,
    Seconds,
    StateOfCharge,
    Volts,
    WattHours,
    WattHoursPerKilogram,
)
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.quantities import Dimension, Quantity

Chemistry = Literal["NMC", "NCA", "LCO", "LMO", "LFP", "LTO"]

CEILING_V: dict[Chemistry, float] = {
    "NMC": 4.5,
    "NCA": 4.5,
    "LCO": 4.5,
    "LMO": 4.5,
    "LFP": 3.8,
    "LTO": 3.0,
}
"""No cell of this chemistry takes more: a guard against the wrong chemistry's numbers, above what
makers state (LFP 3.65 V, LTO 2.8 V, the others 4.2 to 4.45 V; common practice)."""

Broken = tuple[str, tuple[str | int, ...]]


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

    @model_validator(mode="after")
    def _cut_off_below_charge(self) -> Self:
        if not self.cut_off_voltage < self.charge_voltage:
            rule = f"is not below the charge voltage, {self.charge_voltage:g} V"
            raise RuleError((rule, ("cut-off voltage",)))
        return self


class CurrentLimit(Document):
    """One row of the maker's table: the current allowed inside a band.

    A band left out holds for every value of it.
    """

    direction: Literal["charge", "discharge"]
    current: CurrentOrRate
    state_of_charge_from: StateOfCharge = 0.0
    state_of_charge_to: StateOfCharge = 1.0
    temperature_from: Celsius = -273.15
    temperature_to: Celsius = 1000.0

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.state_of_charge_from < self.state_of_charge_to:
            raise ValueError("state of charge must run from a lower to a higher fraction")
        if not self.temperature_from < self.temperature_to:
            raise ValueError("temperature must run from a lower to a higher value")
        return self

    def touches(
        self, state_of_charge: tuple[float, float], temperature_c: tuple[float, float]
    ) -> bool:
        """Whether the row holds anywhere in the box (fractions; degC), edges included."""
        return (
            self.state_of_charge_from <= state_of_charge[1]
            and state_of_charge[0] <= self.state_of_charge_to
            and self.temperature_from <= temperature_c[1]
            and temperature_c[0] <= self.temperature_to
        )

    def is_about_the_same_as(self, other: Self) -> bool:
        """Whether both rows have one direction and one band."""
        return self.model_copy(update={"current": other.current}) == other


class Conditions(Document):
    """Under which conditions a claim was made; what is left out was not given.

    ``termination_current`` ends the charge before it. ``after`` is how long after the edge of a
    pulse a resistance is read, ``state_of_charge`` where; ``mass`` is which mass an energy per
    mass is by.
    """

    rate: Rate | None = None
    current: Amps | None = None
    cut_off: Volts | None = None
    charge_voltage: Volts | None = None
    termination_current: CurrentOrRate | None = None
    temperature: Celsius | None = None
    after: Seconds | None = None
    state_of_charge: StateOfCharge | None = None
    mass: Literal["bare", "with tabs"] | None = None

    @model_validator(mode="after")
    def _make_sense(self) -> Self:
        if self.rate is not None and self.current is not None:
            raise RuleError(("give the rate or the current, not both", ("current",)))
        if self.cut_off and self.charge_voltage and not self.cut_off < self.charge_voltage:
            rule = f"is not below the charge voltage, {self.charge_voltage:g} V"
            raise RuleError((rule, ("cut-off",)))
        return self


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


class CurrentCeiling(NamedTuple):
    """The largest current allowed somewhere (A), and where in the cell document that stands."""

    current_a: float
    loc: tuple[str | int, ...]


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
    kindest_conditions: Conditions | None = None

    def amps(self, given: Quantity) -> float:
        """A current or a C-rate as amperes: It[A] = Cn[Ah] / 1 h (IEC 61434 convention).

        Rounded to the nanoampere, so that 1.1 C of 3 Ah is 3.3 A and not a hair above.
        """
        if given.dimension is Dimension.RATE:
            return round(given.value * self.rated_capacity, 9)
        return given.value

    def ceiling(
        self,
        direction: Direction,
        state_of_charge: tuple[float, float] = (0.0, 1.0),
        temperature_c: tuple[float, float] = (-273.15, 1000.0),
    ) -> CurrentCeiling:
        """The tightest limit on current anywhere in a box of state of charge and temperature.

        A row of the table counts as soon as it touches the box, edges included: the safe side.
        Without a row that touches, the absolute current. For Direction.REST it is zero.
        """
        if direction is Direction.REST:
            return CurrentCeiling(0.0, ("absolute",))
        way = direction.value
        given = (
            self.absolute.charge_current
            if direction is Direction.CHARGE
            else self.absolute.discharge_current
        )
        rows = [
            CurrentCeiling(self.amps(row.current), ("current limits", number, "current"))
            for number, row in enumerate(self.current_limits)
            if row.direction == way and row.touches(state_of_charge, temperature_c)
        ]
        return min([CurrentCeiling(self.amps(given), ("absolute", f"{way} current")), *rows])

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        broken = [
            *self._beyond_absolute(),
            *self._windows_beyond_absolute(),
            *self._beyond_chemistry(),
            *self._storage(),
            *self._rows(),
            *self._kindest(),
        ]
        if broken:
            raise RuleError(*broken)
        return self

    def _beyond_absolute(self) -> list[Broken]:
        normal, absolute = self.recommended, self.absolute
        pairs = [
            ("charge voltage", "above", normal.charge_voltage, absolute.charge_voltage, "V"),
            ("cut-off voltage", "below", normal.cut_off_voltage, absolute.cut_off_voltage, "V"),
        ]
        for way, one, other in (
            ("charge current", normal.charge_current, absolute.charge_current),
            ("discharge current", normal.discharge_current, absolute.discharge_current),
        ):
            pairs.append((way, "above", self.amps(one), self.amps(other), "A"))
        return [
            (
                f"{ours:g} {unit} is {side} the absolute limit of {theirs:g} {unit}",
                ("recommended", key),
            )
            for key, side, ours, theirs, unit in pairs
            if (ours > theirs if side == "above" else ours < theirs)
        ]

    def _windows_beyond_absolute(self) -> list[Broken]:
        broken: list[Broken] = []
        for way, ours, theirs in (
            ("charge", self.recommended.charge_temperature, self.absolute.charge_temperature),
            (
                "discharge",
                self.recommended.discharge_temperature,
                self.absolute.discharge_temperature,
            ),
        ):
            key = f"{way} temperature"
            if ours.low < theirs.low:
                rule = f"{ours.low:g} degC is below the absolute limit of {theirs.low:g} degC"
                broken.append((rule, ("recommended", key, "low")))
            if ours.high > theirs.high:
                rule = f"{ours.high:g} degC is above the absolute limit of {theirs.high:g} degC"
                broken.append((rule, ("recommended", key, "high")))
        return broken

    def _beyond_chemistry(self) -> list[Broken]:
        ceiling, given = CEILING_V[self.chemistry], self.absolute.charge_voltage
        if given <= ceiling:
            return []
        rule = f"{given:g} V is more than any {self.chemistry} cell takes ({ceiling:g} V)"
        return [(rule, ("absolute", "charge voltage"))]

    def _storage(self) -> list[Broken]:
        low, high = self.recommended.cut_off_voltage, self.recommended.charge_voltage
        if low < self.storage_voltage < high:
            return []
        rule = f"is not between the recommended cut-off, {low:g} V, and charge voltage, {high:g} V"
        return [(rule, ("storage voltage",))]

    def _kindest(self) -> list[Broken]:
        kindest, broken = self.kindest_conditions, list[Broken]()
        if kindest is None:
            return broken
        low, high = self.absolute.cut_off_voltage, self.absolute.charge_voltage
        if kindest.cut_off is not None and kindest.cut_off < low:
            rule = f"{kindest.cut_off:g} V is below the absolute limit of {low:g} V"
            broken.append((rule, ("kindest conditions", "cut-off")))
        if kindest.charge_voltage is not None and kindest.charge_voltage > high:
            rule = f"{kindest.charge_voltage:g} V is above the absolute limit of {high:g} V"
            broken.append((rule, ("kindest conditions", "charge voltage")))
        return broken

    def _rows(self) -> list[Broken]:
        broken: list[Broken] = []
        for number, row in enumerate(self.current_limits):
            given = self.absolute.charge_current
            if row.direction == "discharge":
                given = self.absolute.discharge_current
            ours, theirs = self.amps(row.current), self.amps(given)
            if ours > theirs:
                rule = f"{ours:g} A is above the absolute {row.direction} current of {theirs:g} A"
                broken.append((rule, ("current limits", number, "current")))
            if any(row.is_about_the_same_as(other) for other in self.current_limits[:number]):
                rule = "an earlier entry is about the same direction and band"
                broken.append((rule, ("current limits", number)))
        return broken
