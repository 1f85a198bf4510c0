"""What the maker of a cell allows in a product: the current and the temperature of a discharge.

Owns which rows of the cell document hold there. Follows no draw.
"""

import math
from dataclasses import dataclass

from sequencer.documents.cell import CellDocument
from sequencer.vocabulary.commands import Direction


@dataclass(frozen=True, slots=True)
class CellBounds:
    """Of one cell, in a discharge: the current that is recommended and the one that is never
    exceeded (A, positive), the temperatures between which it may be discharged (degC)."""

    recommended_a: float
    absolute_a: float
    temperature_c: tuple[float, float]

    def allow(self, most_a: float, temperature_c: float | None) -> bool:
        """Whether neither that current nor that temperature is beyond them; what is not known
        (NaN, None) is not."""
        return not most_a > self.absolute_a and self.has_temperature(temperature_c)

    def has_temperature(self, temperature_c: float | None) -> bool:
        """Whether a cell may be discharged there."""
        low, high = self.temperature_c
        return temperature_c is None or low <= temperature_c <= high


def cell_bounds(
    document: CellDocument, temperature_c: float | None, measured_c: float
) -> CellBounds:
    """At the temperature of the product, else at the one of the run (NaN: anywhere). Of the rows of
    the table the lowest counts: a product draws from full to empty."""
    at = measured_c if temperature_c is None else temperature_c
    near = (at, at) if math.isfinite(at) else (-273.15, 1000.0)
    most_a = document.ceiling(Direction.DISCHARGE, (0.0, 1.0), near).current_a
    window = document.absolute.discharge_temperature
    recommended_a = min(document.recommended_a(Direction.DISCHARGE), most_a)
    return CellBounds(recommended_a, most_a, (window.low, window.high))
