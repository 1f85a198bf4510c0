"""The values of a trial: at which a setting is tried and left, and what an output comes on with."""

from collections.abc import Iterator
from typing import Final

from sequencer.documents.capability import Capability
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import OPERATIONS
from sequencer.vocabulary.quantities import Dimension

CELL_V: Final = 0.5
"""Above this (V) something is connected that an instrument must not be tried on."""
CONNECTED: Final = (
    "{name} reads {volts:.3f} V with everything off: an instrument is tried on nothing, or on a"
    " resistor, never on a cell. Take it off (or, where nothing is connected, mend the scale of"
    " what it reads)"
)
GREETED_S: Final = 1.0
"""Within this an instrument that greets has done so."""
ON_V: Final = 1.0
ON_A: Final = 0.1
ON_S: Final = 2.0
"""What an output is switched on with, and for how long at most."""
CUT_V: Final = 1.0
"""At this an undervoltage cut-out acts on whatever an instrument may be tried on."""
_TRIED_AT: Final = (0.05, 0.35, 0.8)
"""Where in its range a setting is tried."""
_TRIED_S: Final = (5.0, 8.0)
"""A communication watchdog is tried with times of which none ends during the trial."""


def harmless(definition: InstrumentDefinition, name: str) -> float | None:
    """What a setting that cannot be asked for is left at: a limit of its own far away, no
    current, no voltage."""
    able = _range_of(definition, name, OPERATIONS[name].value)
    if able is None:
        return None
    return able.high if name.startswith("set over-") else able.low


def values(definition: InstrumentDefinition, name: str) -> Iterator[float]:
    """Values of its range, to its last digit; a protection is tried in the range of its
    quantity."""
    dimension = OPERATIONS[name].value
    if dimension is Dimension.TIME and name not in definition.capabilities:
        yield from _TRIED_S
        return
    able = _range_of(definition, name, dimension)
    if able is None:
        return
    step = min(one.resolution.value for one in able.ranges)
    for number, share in enumerate(_TRIED_AT, 1):
        value = able.low + share * (able.high - able.low)
        yield round((round(value / step) + number) * step, 9)


def _range_of(
    definition: InstrumentDefinition, name: str, dimension: Dimension | None
) -> Capability | None:
    quantity = "set voltage" if dimension is Dimension.VOLTAGE else "set current"
    found = definition.capabilities
    return found.get(name) or found.get(quantity) or found.get(f"measure {quantity[4:]}")
