"""What the machine asks of the bench: settings as values, compared with ``==``.

One Drive describes the whole wanted electrical state, so "changed at the panel" and "not what was
commanded" have one thing to compare with. Direction is the only thing that may turn an output on.
"""

from enum import Enum
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


class Drive(NamedTuple):
    """The wanted state of supply and load: an envelope that stays fixed for the whole step.

    ``current_a`` (positive, whichever way it flows) and ``voltage_v`` (at the cell) are bounds:
    no more current than the one, and the voltage of a charge not above, of a discharge not below
    the other. A held current is drawn at its bound; a held voltage is kept at its bound, with at
    most ``current_a``. Of a held power or resistance ``value`` says how much (W, Ohm).

    Whoever asks what was commanded asks here, never what kind of step it is.
    """

    direction: Direction = Direction.REST
    current_a: float = 0.0
    voltage_v: float = 0.0
    held: Held = Held.CURRENT
    value: float = 0.0

    @property
    def held_value(self) -> float:
        """How much is held: A, V, W or Ohm."""
        if self.held is Held.CURRENT:
            return self.current_a
        return self.voltage_v if self.held is Held.VOLTAGE else self.value


RESTING = Drive()


class Command(NamedTuple):
    """One order to the bench: bring the outputs to ``drive``, contactor closed or not."""

    drive: Drive
    connected: bool
