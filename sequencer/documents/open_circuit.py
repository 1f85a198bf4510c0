"""The open-circuit curve of a cell: voltage at rest over state of charge, at 25 degC."""

from collections.abc import Iterator, Sequence

from sequencer.documents.fields import Document, StateOfCharge, Volts, VoltsPerKelvin
from sequencer.documents.rules import Broken


class OpenCircuitPoint(Document):
    """One point of the open-circuit curve at 25 degC, with its entropic coefficient."""

    at: StateOfCharge
    voltage: Volts
    entropic: VoltsPerKelvin = 0.0


def rises(
    points: Sequence[OpenCircuitPoint], number: int, point: OpenCircuitPoint
) -> Iterator[Broken]:
    """The state of charge rises from point to point, and the voltage does not fall."""
    before = points[max(number - 1, 0)]
    if number and not point.at > before.at:
        rule = "the open-circuit curve must rise: the entry before is at {:g} %"
        yield rule.format(before.at * 100), ("open-circuit", number, "at")
    if point.voltage < before.voltage:
        rule = "the open-circuit curve must rise: the entry before is at {:g} V"
        yield rule.format(before.voltage), ("open-circuit", number, "voltage")
