"""A definition meets a simulator: ``bench try`` is carried out over a loopback link."""

from time import sleep

from drivers.instruments.instrument import Instrument
from drivers.instruments.noted_wire import Noting
from drivers.instruments.trial import Trial
from drivers.transports.choice import transport_for
from sequencer.documents.definition import InstrumentDefinition
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.speaking import SimulatedInstrument

PATIENT_S = 20.0
"""Read time-out: the simulator answers, however busy this computer is."""


class Unhurried(Noting):
    """Does not judge how long an answer took: that would be how busy this computer is."""

    def query(self, data: bytes, timeout_s: float | None = None) -> bytes:
        """As the wire."""
        reply = super().query(data, timeout_s)
        self.slowest_s = 0.0
        return reply


def tried(
    definition: InstrumentDefinition,
    simulator: SimulatedInstrument,
    channel: int | None = None,
    ohm: float | None = None,
    is_tcp: bool | None = None,
    speed: float = 1.0,
) -> Trial:
    """The trial of one instrument; with its output on where the resistor ``ohm`` is joined. Over
    TCP where the definition allows a socket, unless ``is_tcp`` says otherwise.
    The simulator lives ``speed`` times as fast as the clock."""
    name = definition.definition
    link = definition.link.model_copy(update={"read_time_out": PATIENT_S})
    definition = definition.model_copy(update={"link": link})
    if is_tcp is None:
        is_tcp = "socket" in definition.link.kinds
    over_tcp, over_serial = ({name: simulator}, {}) if is_tcp else ({}, {name: simulator})
    with ServedSimulators(over_tcp, over_serial, speed) as served:
        wire = Unhurried(transport_for(served.addresses[name], definition.link, name))
        instrument = Instrument(name, definition, wire)
        trial = Trial(instrument, wire, channel, lambda seconds: sleep(seconds / speed))
        trial.with_output_off()
        if ohm is not None:
            trial.with_output_on(ohm)
        instrument.part()
    if hasattr(simulator, "outlet") and hasattr(simulator.outlet, "is_on"):
        assert not simulator.outlet.is_on, "it was left on"
    return trial
