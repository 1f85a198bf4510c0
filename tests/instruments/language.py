"""Small definitions for the simulators: the shipped one of a kind with other keys; a driver.

Their ``gap`` is twice that of the manual: on a busy computer a simulator hears a command late, and
the next one in time, so that less than the gap seems to lie between them.
"""

import copy
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from drivers.instruments.instrument import Instrument
from drivers.transports.choice import transport_for
from sequencer.documents.definition import InstrumentDefinition
from tests.drivers.definitions import raw
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.twelve import TWELVE

GENERIC = {
    "supply": "generic-scpi-supply",
    "load": "generic-scpi-load",
    "meter": "generic-scpi-multimeter",
    "thermometer": "generic-line-thermometer",
}


def described(kind: str, **sections: Any) -> InstrumentDefinition:
    """The shipped definition of a kind; a mapping changes keys of a section, another value (and
    ``operations`` as a whole) takes its place, None removes it."""
    data = copy.deepcopy(raw(GENERIC[kind]))
    for name, new in sections.items():
        key = name.replace("_", " ")
        if new is None:
            data.pop(key, None)
        elif isinstance(new, dict) and isinstance(data.get(key), dict) and key != "operations":
            data[key] = data[key] | new
        else:
            data[key] = new
    return InstrumentDefinition.model_validate(data)


@contextmanager
def speaking(
    name: str, definition: InstrumentDefinition, volts: float = 3.7, tcp: bool = True
) -> Iterator[Instrument]:
    """The product's driver joined to a simulator on a source of 50 mOhm, over a real wire."""
    simulator = {name: TWELVE[name](Circuit(volts, 0.05))}
    with ServedSimulators(simulator, {}) if tcp else ServedSimulators({}, simulator) as served:
        wire = transport_for(served.addresses[name], definition.link, name)
        instrument = Instrument(name, definition, wire)
        try:
            instrument.open()
            yield instrument
        finally:
            instrument.close()
