"""What a word or a rate means where it stands: absolute numbers, and where they were written."""

from collections.abc import Callable, Mapping
from math import inf
from typing import NamedTuple

from sequencer.documents.cell import ORDINARY_V, UNUSUAL_V, CellDocument
from sequencer.documents.rules import UnknownError
from sequencer.documents.symbolic_values import (
    GivenCurrent,
    GivenVoltage,
    SymbolicValue,
    Tightened,
)
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.quantities import Dimension, Quantity
from sequencer.vocabulary.units import rate, volts

Path = tuple[str | int, ...]
"""Keys as written in the document, list items as numbers from 0."""


RECOMMENDED = (
    SymbolicValue.RECOMMENDED,
    SymbolicValue.FOR_SMALL_CURRENTS,
    SymbolicValue.BY_TABLE,
)
"""The words whose value the cell document gives."""


def any_current(_voltage_v: float) -> float:
    """The current (A) of a cut-off that is meant for any."""
    return inf


class Given(NamedTuple):
    """An absolute number and the place in the profile that it comes from."""

    value: float
    path: Path


class Scope(NamedTuple):
    """The cell, and what the ``each ...`` words stand for here.

    ``ceiling_v`` is the profile's own limit on the charge voltage, ``floor_v`` the cut-off that
    ends a loop around it: no discharge within goes below.
    Methods raise UnknownError for a word that has no value here; ``breaches_within`` says so first,
    with its place.
    """

    cell: CellDocument
    ceiling_v: float = float("inf")
    values: Mapping[SymbolicValue, tuple[GivenCurrent | GivenVoltage, Path]] = {}
    said: str = ""
    floor_v: float = 0.0

    @property
    def supply_v(self) -> float:
        """What the supply is set to where a step holds no voltage of its own (V). Far above the
        usual one a cell is charged by steps that say so."""
        most_v = self.cell.recommended.charge_voltage
        return min(most_v if most_v <= UNUSUAL_V else ORDINARY_V, self.ceiling_v)

    def inside(
        self, word: SymbolicValue, value: GivenCurrent | GivenVoltage, path: Path
    ) -> "Scope":
        """The scope of the steps within a for-each, for one of its values."""
        inner = self._replace(values={**self.values, word: (value, path)})
        return inner.called(inner._name(word))

    def called(self, name: str) -> "Scope":
        """The scope of steps that go by a name."""
        return self._replace(said=f"{self.said}, {name}")

    def amps(self, given: GivenCurrent, path: Path, way: Direction) -> Given:
        """A current in A; a share is of the recommended one in that direction, which
        also bounds one that follows the table."""
        if isinstance(given, Tightened):
            return Given(given.of(self.cell.recommended_a(way)), path)
        if given is SymbolicValue.BY_TABLE:
            return Given(self.cell.recommended_a(way), path)
        if isinstance(given, SymbolicValue):
            value, path = self._value(given)
            given = value if isinstance(value, Quantity) else Quantity(0.0, Dimension.CURRENT)
        return Given(self.cell.amps(given), path)

    def charge_volts(self, given: GivenVoltage, path: Path) -> Given:
        """A charge voltage in V; ``recommended`` is the cell document's."""
        return self._volts(given, path, self.cell.recommended.charge_voltage)

    def cut_off_volts(
        self, given: GivenVoltage, path: Path, current_at: Callable[[float], float]
    ) -> Given:
        """A cut-off in V; ``recommended`` is the cell document's for the current (A) that
        ``current_at`` tells for a discharge down to a voltage (V)."""
        return self._volts(given, path, self.cell.recommended_cut_off(current_at))

    def _volts(self, given: GivenVoltage, path: Path, recommended: float) -> Given:
        value: object = given
        if isinstance(given, SymbolicValue) and given not in RECOMMENDED:
            value, path = self._value(given)
        if isinstance(value, Tightened):
            return Given(value.of(recommended), path)
        return Given(value, path) if isinstance(value, float) else Given(recommended, path)

    def _value(self, word: SymbolicValue) -> tuple[GivenCurrent | GivenVoltage, Path]:
        if word not in self.values:
            raise UnknownError(f"'{word.value}' stands outside a 'for each' that gives it a value")
        return self.values[word]

    def _name(self, word: SymbolicValue) -> str:
        if word is SymbolicValue.EACH_CUT_OFF:
            return f"cut-off {volts(self.cut_off_volts(word, (), any_current).value)}"
        return f"at {rate(self.amps(word, (), Direction.REST).value, self.cell.rated_capacity)}"
