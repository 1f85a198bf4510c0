"""A wired bench on scripted instruments, in virtual time, and the commands given to it."""

from drivers.instruments.bench import WiredBench
from sequencer.clocks import VirtualClock
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from sequencer.vocabulary.verdict import Level
from tests.drivers.instruments.scripted import DEFINITIONS

SECOND_NS = 1_000_000_000
CHARGE = Command(Drive(Direction.CHARGE, 1.0, 4.2), connected=True)
DISCHARGE = Command(Drive(Direction.DISCHARGE, 2.0, 3.0), connected=True)
REST = Command(RESTING, connected=False)


def quick(definition):
    """The same instrument with less patience, where silence is the point."""
    link = definition.link.model_copy(update={"read_time_out": 0.25})
    return definition.model_copy(update={"link": link})


PATIENT_S = 20.0
"""Read time-out until a bench is ready, while everything answers: also on a busy computer."""


class Stand:
    """A wired bench on scripted instruments, in virtual time."""

    def __init__(self, scripted, *without, patient=True):
        self.scripted = scripted
        self.clock = VirtualClock(SECOND_NS)
        definitions = {
            name: one if patient else quick(one)
            for name, one in DEFINITIONS.items()
            if name not in without
        }
        self.bench = WiredBench(scripted.document(*without), definitions, self.clock)
        self._links = {name: wire._link for name, wire in self._wires().items()}
        for wire in self._wires().values():
            wire._link = wire._link.model_copy(update={"read_time_out": PATIENT_S})

    def _wires(self):
        return {name: lane._instrument.transport for name, lane in self.bench._lanes.items()}

    def ready(self, command=None):
        """Identified, the contact seen to part and to join the cell, and driving when a command is
        given; what was said before is forgotten."""
        self.bench.identify()
        if self.bench.safing_plan.reach is Level.A:
            self.ticks(4)
            self.bench.apply(Command(RESTING, connected=True))
            self.ticks(4)
            self.bench.apply(REST)
        if command is not None:
            self.bench.apply(command)
        for name, wire in self._wires().items():
            wire._link = self._links[name]
        for server in self.scripted.servers.values():
            server.lines.clear()
        return self

    def tick(self, seconds=1.0):
        """The next sample."""
        self.clock.wait_until(self.clock.now_ns() + int(seconds * SECOND_NS))
        return self.bench.read(self.clock.now_ns(), 0, SECOND_NS)

    def ticks(self, count):
        """Several samples, a second apart."""
        return [self.tick() for _ in range(count)]


def kinds(sample):
    """Kind, culprit and channel of every fault."""
    return [(one.kind, one.culprit, one.channel) for one in sample.faults]
