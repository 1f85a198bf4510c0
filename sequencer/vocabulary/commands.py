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


class Drive(NamedTuple):
    """The wanted state of supply and load.

    CHARGE: the supply holds at most ``current_a`` and at most ``voltage_v`` (cell voltage; the
    bench adds nothing for leads); it crosses from CC to CV by itself. DISCHARGE: the load draws
    ``current_a`` (a positive number here); ``voltage_v`` is the cut-off, for instruments that keep
    a cut-out of their own.
    """

    direction: Direction = Direction.REST
    current_a: float = 0.0
    voltage_v: float = 0.0


RESTING = Drive()


class Command(NamedTuple):
    """One order to the bench: bring the outputs to ``drive``, contactor closed or not."""

    drive: Drive
    connected: bool
