"""What sits at the end of a sensor's wires, where an instrument reads it in ohms or volts."""

from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise
from math import isfinite
from typing import Annotated, Literal

from pydantic import Field

from sequencer.documents.fields import Document, Fraction, KelvinDifference, Number, Ohms
from sequencer.documents.rules import Broken
from sequencer.vocabulary.sensor_curves import beta_ohm, steinhart_hart_ohm

_LOOKS_C = [celsius + step for celsius in range(-40, 121, 20) for step in (-0.01, 0.01)]
"""Where the curve of a thermistor is looked at: what it is anywhere, and its slope."""
_LEAST_FALL = 2.0
"""Over all of them; with a beta value of 3000 K it is 188 (common practice: 2500 to 5000 K)."""


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

    def rules(self) -> Iterable[Iterator[Broken]]:
        """It has the curve of a thermistor."""
        return (self._has_a_curve(),)

    def _has_a_curve(self) -> Iterator[Broken]:
        ohm, beta = self.resistance_at_25, self.beta
        if not _falls(lambda celsius: beta_ohm(celsius, ohm, beta)):
            yield f"is {_NO_CURVE}", ("beta",)


class SteinhartHart(Document):
    """A thermistor by the three coefficients of its curve, and how far it may be from it."""

    type: Literal["Steinhart-Hart"]
    a: Annotated[Number, Field(gt=0.0)]
    b: Annotated[Number, Field(gt=0.0)]
    c: Annotated[Number, Field(gt=0.0)]
    tolerance: KelvinDifference

    def rules(self) -> Iterable[Iterator[Broken]]:
        """It has the curve of a thermistor."""
        return (self._has_a_curve(),)

    def _has_a_curve(self) -> Iterator[Broken]:
        a, b, c = self.a, self.b, self.c
        is_small = max(a, b, c) < 1.0  # 1e-3, 2e-4 and 1e-7 are usual
        if not (is_small and _falls(lambda celsius: steinhart_hart_ohm(celsius, a, b, c))):
            yield f"'a', 'b' and 'c' are {_NO_CURVE}", ("type",)


_NO_CURVE = (
    "of no thermistor: from -40 to 120 degC its resistance must fall all the way, to less than half"
)


def _falls(ohm_at: Callable[[float], float]) -> bool:
    """Whether a thermistor's resistance is one at every temperature, and falls with it."""
    try:
        ohms = [ohm_at(celsius) for celsius in _LOOKS_C]
    except ArithmeticError:  # beyond what a number holds
        return False
    is_one = isfinite(ohms[0]) and ohms[-1] > 0.0
    return is_one and ohms[0] > _LEAST_FALL * ohms[-1] and all(a > b for a, b in pairwise(ohms))


Element = Annotated[
    Platinum | Thermocouple | BetaThermistor | SteinhartHart, Field(discriminator="type")
]
