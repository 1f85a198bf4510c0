"""What sits at the end of a sensor's wires, where an instrument reads it in ohms or volts."""

from collections.abc import Iterable, Iterator
from typing import Annotated, Literal

from pydantic import Field

from sequencer.documents.fields import Document, Fraction, KelvinDifference, Number, Ohms
from sequencer.documents.rules import Broken


class Platinum(Document):
    """A platinum resistance thermometer (IEC 60751) of a tolerance class. With two wires the
    resistance of both together is taken off; with three it is taken that they are alike."""

    type: Literal["Pt100", "Pt1000"]
    tolerance_class: Literal["AA", "A", "B", "C"] = Field(alias="class")
    wires: Literal["2", "3", "4"]
    lead_resistance: Ohms | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """What two wires add must be known; more wires add nothing."""
        return (self._leads_known(),)

    def _leads_known(self) -> Iterator[Broken]:
        if self.wires == "2" and self.lead_resistance is None:
            yield "on two wires 'lead resistance' is needed: of both wires together", ("wires",)
        elif self.wires != "2" and self.lead_resistance is not None:
            yield f"{self.wires} wires measure without their leads", ("lead resistance",)


class Thermocouple(Document):
    """A thermocouple (IEC 60584-1) of a tolerance class. ``cold junction``: who tells how warm the
    instrument's terminals are: the room's sensor, or the instrument itself."""

    type: Literal["K", "T"]
    tolerance_class: Literal["1", "2"] = Field(alias="class")
    cold_junction: Literal["room", "instrument"]


class BetaThermistor(Document):
    """A thermistor by its resistance at 25 degC and its beta value, both with tolerances."""

    type: Literal["thermistor"]
    resistance_at_25: Ohms = Field(alias="resistance at 25 degC")
    beta: KelvinDifference
    tolerance: Fraction
    beta_tolerance: Fraction


class SteinhartHart(Document):
    """A thermistor by the three coefficients of its curve, and how far it may be from it."""

    type: Literal["Steinhart-Hart"]
    a: Annotated[Number, Field(gt=0.0)]
    b: Annotated[Number, Field(gt=0.0)]
    c: Annotated[Number, Field(gt=0.0)]
    tolerance: KelvinDifference


Element = Annotated[
    Platinum | Thermocouple | BetaThermistor | SteinhartHart, Field(discriminator="type")
]
