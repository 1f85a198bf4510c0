"""The use document: the product that a cell is meant for, and what it asks of its battery."""

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Annotated, Any, NamedTuple

from pydantic import BeforeValidator, Field, WithJsonSchema

from sequencer.documents.fields import (
    AmpsFromZero,
    Celsius,
    Document,
    Seconds,
    StateOfCharge,
    Volts,
    Watts,
)
from sequencer.documents.rules import Broken, each
from sequencer.vocabulary.quantities import QuantityError

_CELLS = re.compile(r"(?:([1-9][0-9]?) in series)?(?:, )?(?:([1-9][0-9]?) in parallel)?", re.ASCII)


class Cells(NamedTuple):
    """How the cells of a battery are joined."""

    in_series: int = 1
    in_parallel: int = 1


def _read_cells(value: Any) -> Any:
    if isinstance(value, Cells):
        return value
    match = _CELLS.fullmatch(value) if isinstance(value, str) and value else None
    if match is None and isinstance(value, str) and value.strip().isdigit():
        number = value.strip()
        raise QuantityError(
            f"say how they are joined: '{number} in series' or '{number} in parallel'"
        )
    if match is None:
        raise QuantityError("write such as '2 in series', or '2 in series, 3 in parallel'")
    return Cells(int(match[1] or 1), int(match[2] or 1))


CellCount = Annotated[
    Cells,
    BeforeValidator(_read_cells),
    WithJsonSchema({"type": "string", "pattern": "^[1-9][0-9]? in (series|parallel).*$"}),
]


class EfficiencyPoint(Document):
    """What a regulator passes on of the power that it takes in at an input voltage."""

    input_voltage: Volts = Field(alias="input")
    efficiency: StateOfCharge


class UseDocument(Document):
    """A product: ``output`` (W) or ``trace`` (a file beside the document) is what it needs behind
    its ``regulator``; ``idle`` (A) is drawn beside it; it stops at its ``lowest_input`` (V).

    ``reserve`` is the share of the charge that stays in the cell. ``wanted`` is how long it is to
    run.
    """

    use: str = Field(min_length=1)
    output: Watts | None = None
    trace: str | None = Field(default=None, min_length=1)
    regulator: StateOfCharge | tuple[EfficiencyPoint, ...] = 1.0
    idle: AmpsFromZero = 0.0
    lowest_input: Volts | None = None
    cells: CellCount = Cells()
    reserve: StateOfCharge = 0.0
    temperature: Celsius | None = None
    wanted: Seconds | None = None

    @property
    def efficiencies(self) -> Sequence[tuple[float, float]]:
        """Input voltage (V) and efficiency of the regulator, from the lowest voltage upwards."""
        if isinstance(self.regulator, tuple):
            return [(one.input_voltage, one.efficiency) for one in self.regulator]
        return [(1.0, self.regulator)]

    def rules(self) -> Iterable[Iterator[Broken]]:
        """One thing that is asked of the battery, by a regulator that passes something on."""
        return (self._one_need(), self._passes_on(), self._some_left())

    def _one_need(self) -> Iterator[Broken]:
        if (self.output is None) == (self.trace is None):
            yield "give what the product needs: 'output' or 'trace', one of them", ()

    def _some_left(self) -> Iterator[Broken]:
        if not self.reserve < 1.0:
            yield "leaves nothing to use", ("reserve",)

    def _passes_on(self) -> Iterator[Broken]:
        given = self.regulator
        if isinstance(given, tuple):
            yield from each(self._rises, given)
        elif not given > 0.0:
            yield "passes nothing on", ("regulator",)

    def _rises(self, number: int, point: EfficiencyPoint) -> Iterator[Broken]:
        place = ("regulator", number)
        assert isinstance(self.regulator, tuple)
        if number and not point.input_voltage > self.regulator[number - 1].input_voltage:
            yield "the input voltage must rise from entry to entry", (*place, "input")
        if not point.efficiency > 0.0:
            yield "passes nothing on", (*place, "efficiency")
