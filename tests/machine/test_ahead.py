"""How far ahead the machine knows when it wants samples."""

from itertools import product

import pytest

from sequencer.machine.ahead import over, times_ahead
from sequencer.machine.entries import mark_of
from sequencer.machine.machine import Machine
from sequencer.machine.stops import NEVER_NS
from sequencer.machine.tally import opened
from sequencer.machine.trends import Trend
from sequencer.plan.step import Sampling, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive, Held
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.verdict import CLEAR
from tests.builders import CHANNELS, LIMITS, FixedPlan, S, charge, sample

STEP = charge(1.0, 4.2, 0.1)._replace(sampling=Sampling(edge_ns=10 * S))
TALLY = opened(sample(100))._replace(current_a=1.0, current_at_ns=119 * S, at_ns=119 * S)
MACHINE = Machine(
    FixedPlan("night", LIMITS, [STEP]),
    CHANNELS,
    State.CHARGING,
    0,
    STEP,
    intent=Intent(State.CHARGING, STEP.drive),
    tally=TALLY,
    due_ns=120 * S,
)


def test_samples_come_at_the_period_of_the_step():
    """From when the next is due, and before a timed step ends."""
    assert times_ahead(MACHINE, 3) == range(120 * S, 123 * S, S)
    assert times_ahead(MACHINE._replace(timed_end_ns=22 * S), 9) == range(120 * S, 122 * S, S)
    assert MACHINE.timed_end_ns == NEVER_NS


@pytest.mark.parametrize(
    "special",
    [
        MACHINE._replace(tally=None),
        MACHINE._replace(step=STEP._replace(stops=(Stop(StopKind.PERSON, 60.0),))),
        MACHINE._replace(step=None),
        MACHINE._replace(state=State.CHANGEOVER),
        MACHINE._replace(state=State.PAUSED),
        MACHINE._replace(due_ns=120 * S + 500_000_000),
        MACHINE._replace(tally=TALLY._replace(began_ns=111 * S)),
        MACHINE._replace(tally=TALLY._replace(agreeing=1)),
        MACHINE._replace(tally=TALLY._replace(trend=Trend(S, S, 0.001))),
        MACHINE._replace(tally=TALLY._replace(current_a=float("nan"))),
        MACHINE._replace(
            step=STEP._replace(drive=Drive(Direction.DISCHARGE, 2.0, 3.0, Held.POWER, 6.0))
        ),
    ],
)
def test_a_special_sample_is_not_foreseen(special: Machine):
    """Where a step has not begun, is about to end, or its current follows what it holds."""
    assert len(times_ahead(special, 9)) == 0


def test_nothing_passes_without_samples():
    """The machine is as it was."""
    assert over(MACHINE, ()) == (MACHINE, ())


@pytest.mark.parametrize("flags", [*product((False, True), repeat=3)])
@pytest.mark.parametrize("volts", [4.0, 4.2])
def test_a_termination_is_armed_as_by_one_sample_after_the_other(flags: tuple[bool, ...], volts):
    """Whatever was known before: that the voltage was held, that current flowed, or vanished."""
    held, flowed, vanished = flags
    tally = TALLY._replace(held_voltage=held, flowed=flowed, vanished=vanished, voltage_v=volts)
    machine = one_by_one = MACHINE._replace(tally=tally, termination_a=0.1)
    samples = [sample(120 + number, volts, 1.0) for number in range(5)]
    for one in samples:
        one_by_one, commands = one_by_one.advance(one, CLEAR)
        assert commands == ()
    passed = over(machine, samples)
    assert passed.machine == one_by_one
    assert passed.marks[-1] == mark_of(one_by_one)
