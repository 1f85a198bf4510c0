"""A profile's parameters: values that are named once, bounded, and may be set for one run."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from sequencer.documents.fields import Document, Of
from sequencer.documents.rules import Broken, each
from sequencer.vocabulary import units
from sequencer.vocabulary.near import did_you_mean
from sequencer.vocabulary.quantities import UNITS, Dimension, Quantity, QuantityError


@dataclass(frozen=True)
class OfAny(Of):
    """A quantity of any dimension."""

    def _read(self, value: Any) -> Any:
        try:
            return super()._read(value)
        except QuantityError as error:
            rule = "not a quantity with its unit, such as '0.5 C' or '30 min'"
            raise QuantityError(rule) from error


AnyQuantity = Annotated[Quantity, OfAny(tuple(Dimension))]


def said(quantity: Quantity) -> str:
    """A quantity in the unit that it has inside; a time in hours and minutes, a share in %."""
    if quantity.dimension is Dimension.TIME:
        return units.duration(quantity.value)
    if quantity.dimension is Dimension.FRACTION:
        return f"{quantity.value * 100.0:.9g} %"
    return f"{quantity.value:.9g} {next(iter(UNITS[quantity.dimension]))}"


class Parameter(Document):
    """What a parameter is when nothing is set, and between which bounds it may be set."""

    default: AnyQuantity
    least: AnyQuantity
    most: AnyQuantity

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Three quantities of one kind, in order."""
        return (self._in_order(), self._inside())

    def _in_order(self) -> Iterator[Broken]:
        least, most = self.least, self.most
        if least.dimension is not most.dimension:
            yield _other_kind(least, most), ("most",)
        elif least.value > most.value:
            yield f"is below the least, {said(least)}", ("most",)

    def _inside(self) -> Iterator[Broken]:
        for rule in self.broken_by(self.default):
            yield rule, ("default",)

    def broken_by(self, value: Quantity) -> Iterator[str]:
        """What keeps it from being that value."""
        if value.dimension is not self.least.dimension:
            yield _other_kind(self.least, value)
        elif value.value < self.least.value:
            yield f"is below the least, {said(self.least)}"
        elif value.value > self.most.value:
            yield f"is above the most, {said(self.most)}"


def _other_kind(wanted: Quantity, found: Quantity) -> str:
    return f"is a {found.dimension.value}, and the least a {wanted.dimension.value}"


def broken_settings(
    parameters: Mapping[str, Parameter], given: Mapping[str, Quantity]
) -> Iterator[Broken]:
    """What is set is a parameter, and within its bounds."""

    def judge(name: str, value: Quantity) -> Iterator[Broken]:
        if name not in parameters:
            names = ", ".join(f"'{one}'" for one in parameters) or "none"
            hint = did_you_mean(name, parameters) or f": there are {names}"
            yield f"no such parameter{hint}", ("set", name)
            return
        for rule in parameters[name].broken_by(value):
            yield rule, ("set", name)

    return each(judge, given)
