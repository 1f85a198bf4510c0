"""Machines that are fed with samples: what several tests of the machine share."""

from sequencer.machine.machine import Machine
from sequencer.plan.step import PlannedStep, Sampling
from sequencer.vocabulary.commands import Command, Direction, Drive, Held
from sequencer.vocabulary.sample import Host
from sequencer.vocabulary.verdict import CLEAR, Ending, Level, Proof, Trip
from tests.builders import CHANNELS, LIMITS, FixedPlan, S, sample

IN = Drive(Direction.CHARGE, 1.5, 4.2, Held.VOLTAGE)
OUT = Drive(Direction.DISCHARGE, 3.0, 3.0)
A, C = Proof(Level.A, (), 0.0), Proof(Level.C, (), 0.01)
TRIP = Trip("voltage high", "because", 9 * S, Ending.TRIPPED)

SAMPLING = Sampling(every_ns=10 * S, fast_ns=S, edge_ns=5 * S, on_voltage_v=0.05, on_current_a=0.5)


def machine_for(*steps: PlannedStep) -> Machine:
    """A machine that has seen nothing yet."""
    return Machine(FixedPlan("test", LIMITS, list(steps)), CHANNELS)


def fed(machine: Machine, *samples) -> tuple[Machine, list[Command]]:
    """The machine after these samples, and all that was commanded."""
    commands: list[Command] = []
    for one in samples:
        machine, more = machine.advance(one, CLEAR)
        commands += more
    return machine, commands


def asks(at_s: float, request: str, volts: float = 3.7, amps: float = 0.0, **fields):
    """A sample in which a person asks for something."""
    return sample(at_s, volts, amps, host=Host(request=request), **fields)
