"""What a seller claims of a cell type: one value, where it was said, and under which conditions.

Owns how a claim is written. What a claim promises and what decides it is the analysis' business.
"""

from collections.abc import Iterable, Iterator
from typing import Literal

from pydantic import Field

from sequencer.documents.fields import (
    Amps,
    Celsius,
    CountFromOne,
    CurrentOrRate,
    Document,
    PrintedAmpHours,
    PrintedAmps,
    PrintedFraction,
    PrintedGrams,
    PrintedOhms,
    PrintedSeconds,
    PrintedWattHours,
    PrintedWattHoursPerKilogram,
    PrintedWattHoursPerLitre,
    Rate,
    Seconds,
    SignedCelsius,
    StateOfCharge,
    Volts,
)
from sequencer.documents.rules import Broken
from sequencer.documents.specimen import Weighed
from sequencer.vocabulary import units

MassState = Weighed | Literal["pack"]
"""Which mass: of the cell, of the cell with what hangs on it, or of the pack that it is from."""


class Conditions(Document):
    """Under which conditions a claim was made; what is left out was not given.

    ``rate`` or ``current`` is the discharge's, for a charge time the charge's.
    ``termination_current`` ends the charge before it. ``after`` is how long after the edge of a
    pulse a resistance is read, ``state_of_charge`` where, or how far a charge went; ``mass`` is
    which mass an energy per mass is by. ``burst`` is how long a current may flow; ``remaining`` is
    the share of the first capacity that is left after the cycles.
    """

    rate: Rate | None = None
    current: Amps | None = None
    cut_off: Volts | None = None
    charge_voltage: Volts | None = None
    termination_current: CurrentOrRate | None = None
    temperature: Celsius | None = None
    after: Seconds | None = None
    state_of_charge: StateOfCharge | None = None
    mass: MassState | None = None
    burst: Seconds | None = None
    remaining: StateOfCharge | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """One current, and a cut-off below the charge voltage."""
        return (self._one_current(), self._cut_off_below_charge())

    def _one_current(self) -> Iterator[Broken]:
        if self.rate is not None and self.current is not None:
            yield "give the rate or the current, not both", ("current",)

    def _cut_off_below_charge(self) -> Iterator[Broken]:
        if self.cut_off and self.charge_voltage and not self.cut_off < self.charge_voltage:
            yield (
                f"is not below the charge voltage, {units.volts_brief(self.charge_voltage)}",
                ("cut-off",),
            )


class TemperatureRange(Document):
    """The temperatures that a cell is said to work at; written as claimed, however absurd."""

    low: SignedCelsius
    high: SignedCelsius

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Low is below high."""
        return (self._ordered(),)

    def _ordered(self) -> Iterator[Broken]:
        if not self.low < self.high:
            yield "low must be below high", ()


class Claim(Document):
    """One claim of the seller, with where it was said. Exactly one value.

    A ``resistance`` is one of direct current; ``self_discharge`` is the share lost in 30 d;
    ``temperature_range`` is that of the discharge.
    """

    said_on: str = Field(min_length=1)
    conditions: Conditions | Literal["none given"]
    capacity: PrintedAmpHours | None = None
    energy: PrintedWattHours | None = None
    energy_per_mass: PrintedWattHoursPerKilogram | None = None
    energy_per_volume: PrintedWattHoursPerLitre | None = None
    resistance: PrintedOhms | None = None
    ac_resistance: PrintedOhms | None = None
    mass: PrintedGrams | None = None
    charge_time: PrintedSeconds | None = None
    charge_current: PrintedAmps | None = None
    discharge_current: PrintedAmps | None = None
    cycles: CountFromOne | None = None
    self_discharge: PrintedFraction | None = None
    temperature_range: TemperatureRange | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Exactly one value."""
        return (self._one_value(),)

    def _one_value(self) -> Iterator[Broken]:
        given = [name for name in VALUES if getattr(self, name) is not None]
        keys = ", ".join(str(Claim.model_fields[name].alias) for name in given or VALUES)
        if len(given) > 1:
            yield f"states {keys}: write a claim of its own for each", ()
        elif not given:
            yield f"a claim states exactly one of {keys}", ()


VALUES = tuple(name for name in Claim.model_fields if name not in ("said_on", "conditions"))
"""What can be claimed: the fields of a claim of which exactly one is given."""
