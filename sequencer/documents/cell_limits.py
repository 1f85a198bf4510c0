"""The limits of a cell: where normal steps end, and what is never exceeded."""

from collections.abc import Iterable, Iterator
from typing import Annotated

from pydantic import Field

from sequencer.documents.fields import (
    Celsius,
    CurrentOrRate,
    Document,
    Seconds,
    Volts,
)
from sequencer.documents.rules import Broken, each
from sequencer.vocabulary import units


class TemperatureWindow(Document):
    """Low and high of a temperature window."""

    low: Celsius
    high: Celsius

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Low is below high."""
        return (self._ordered(),)

    def _ordered(self) -> Iterator[Broken]:
        if not self.low < self.high:
            yield "low must be below high", ()


class CutOff(Document):
    """A cut-off voltage, and the largest current for which it is meant; left out: any current."""

    voltage: Volts
    up_to: CurrentOrRate | None = None


class Limits(Document):
    """One set of limits. Currents may be given in A or as a C-rate of the rated capacity.

    ``cut_off_given`` is one cut-off, or several for several currents.
    """

    charge_voltage: Volts
    cut_off_given: Volts | Annotated[tuple[CutOff, ...], Field(min_length=1)] = Field(
        alias="cut-off voltage"
    )
    charge_current: CurrentOrRate
    discharge_current: CurrentOrRate
    charge_temperature: TemperatureWindow
    discharge_temperature: TemperatureWindow

    @property
    def cut_offs(self) -> tuple[CutOff, ...]:
        """The cut-offs from the highest to the lowest; the first is for any current."""
        given = self.cut_off_given
        return given if isinstance(given, tuple) else (CutOff.model_construct(voltage=given),)

    @property
    def cut_off_voltage(self) -> float:
        """The cut-off for any current (V)."""
        return self.cut_offs[0].voltage

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Every cut-off is below the charge voltage; each further one is lower."""
        return (self._cut_off_below_charge(), *self._in_order())

    def _cut_off_below_charge(self) -> Iterator[Broken]:
        if not self.cut_off_voltage < self.charge_voltage:
            rule = f"is not below the charge voltage, {units.volts_brief(self.charge_voltage)}"
            yield rule, ("cut-off voltage",)

    def _in_order(self) -> Iterable[Iterator[Broken]]:
        given = self.cut_off_given
        if isinstance(given, tuple):
            yield each(self._lower, given)

    def _lower(self, number: int, one: CutOff) -> Iterator[Broken]:
        place = ("cut-off voltage", number)
        if (one.up_to is None) is not (number == 0):
            yield "the first entry is for any current, each further one has 'up to'", place
        before = self.cut_offs[max(number - 1, 0)]
        if number and not one.voltage < before.voltage:
            above = units.volts_brief(before.voltage)
            yield f"is not below the entry before it, {above}", (*place, "voltage")


class AbsoluteLimits(Limits):
    """Limits that are never exceeded. ``burst``: how long a current above the recommended one may
    flow at once; left out, without a limit of time."""

    burst: Seconds | None = None


def beyond(recommended: Limits, margin_v: float) -> AbsoluteLimits:
    """What is never exceeded where the maker gives one set of numbers: its currents and
    temperatures, and the voltages lie ``margin_v`` beyond the highest and the lowest of them."""
    return AbsoluteLimits.model_construct(
        **{
            **dict(recommended),
            "charge_voltage": round(recommended.charge_voltage + margin_v, 9),
            "cut_off_given": round(recommended.cut_offs[-1].voltage - margin_v, 9),
        }
    )
