"""What the machine asks of the bench: settings as values, compared with ``==``.

One Drive describes the whole wanted electrical state, so "changed at the panel" and "not what was
commanded" have one thing to compare with. Direction is the only thing that may turn an output on.
"""

from enum import Enum
from math import inf
from typing import NamedTuple


class Direction(Enum):
    """Which way charge flows; REST means that every output is off."""

    REST = "rest"
    CHARGE = "charge"
    DISCHARGE = "discharge"

    def __init__(self, words: str) -> None:
        self.words = words
        """The value, as a plain attribute: Enum's own costs a call, twice a tick."""

    __hash__ = object.__hash__  # members are single; Enum's own hash costs 0.3 us, often a tick


class Held(Enum):
    """What a drive holds while it lasts; the others follow from the cell."""

    CURRENT = "current"
    VOLTAGE = "voltage"
    POWER = "power"
    RESISTANCE = "resistance"

    def __init__(self, words: str) -> None:
        self.words = words
        """The value, as a plain attribute."""

    __hash__ = object.__hash__  # members are single


class CurrentLimitRow(NamedTuple):
    """One row of a limit on current that depends on state of charge and temperature (degC)."""

    direction: Direction
    current_a: float
    soc_from: float = 0.0
    soc_to: float = 1.0
    temperature_from_c: float = -273.15
    temperature_to_c: float = 1000.0


class Drive(NamedTuple):
    """The wanted state of supply and load: an envelope that stays fixed for the whole step.

    ``current_a`` (positive, whichever way it flows) and ``voltage_v`` (at the cell) are bounds:
    no more current than the one, and the voltage of a charge not above, of a discharge not below
    the other. A held current is drawn at its bound; a held voltage is kept at its bound, with at
    most ``current_a``. Of a held power or resistance, both at the cell, ``value`` says how much
    (W, Ohm); of a voltage that a discharge holds, by how many Ohm the current follows it.
    ``table``: rows of the maker's table; the current stays below each of them wherever the cell may
    stand in it (``plan.cell_estimate``).
    ``on_time_s``: after so long (s) the load ends it by its own timer; 0: it does not.

    Whoever asks what was commanded asks here, never what kind of step it is.
    """

    direction: Direction = Direction.REST
    current_a: float = 0.0
    voltage_v: float = 0.0
    held: Held = Held.CURRENT
    value: float = 0.0
    table: tuple[CurrentLimitRow, ...] = ()
    on_time_s: float = 0.0

    @property
    def held_value(self) -> float:
        """How much is held: A, V, W or Ohm."""
        if self.held is Held.CURRENT:
            return self.current_a
        return self.voltage_v if self.held is Held.VOLTAGE else self.value

    @property
    def follows_voltage(self) -> bool:
        """Whether its current is set anew as the voltage moves. A supply holds a voltage by itself;
        a load is always set to a current, because some drop their input on a change of mode and
        others then draw all that they can."""
        return self.held is not Held.CURRENT and self.direction is Direction.DISCHARGE

    @property
    def is_trimmed(self) -> bool:
        """Whether its current may be set anew after a sample."""
        return bool(self.table) or self.follows_voltage

    @property
    def table_a(self) -> float:
        """The lowest current (A) of the rows that it follows; infinite where it follows none."""
        return min((row.current_a for row in self.table), default=inf)

    def current_at(self, cell_v: float) -> float:
        """The current (A, positive) that holds the power or the resistance at this voltage of the
        cell (V, above zero), and never more than its bound; of other drives the bound."""
        if self.held is Held.POWER:
            return min(self.current_a, self.value / cell_v)
        return min(self.current_a, cell_v / self.value if self.held is Held.RESISTANCE else inf)

    def least_a(self, full_v: float) -> float:
        """The least current (A) between a full cell and the voltage bound, where no voltage is held
        in between."""
        return min(self.current_at(full_v), self.current_at(self.voltage_v), self.table_a)

    def most_w(self, full_v: float) -> float:
        """The most power (W) at the cell between a full cell and the voltage bound."""
        return max(volts * self.current_at(volts) for volts in (full_v, self.voltage_v))


RESTING = Drive()


class Command(NamedTuple):
    """One order to the bench: bring the outputs to ``drive``, contactor closed or not.

    ``set_a`` is the current (A, positive) to set; None: that of the drive. ``is_trim``: nothing but
    this current changes. No output is switched, and no time to settle begins.
    """

    drive: Drive
    connected: bool
    set_a: float | None = None
    is_trim: bool = False

    @property
    def current_a(self) -> float:
        """The current to set (A, positive)."""
        return self.drive.current_a if self.set_a is None else self.set_a
