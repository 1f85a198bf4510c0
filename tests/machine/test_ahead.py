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
from tests.builders import CHANNELS, LIMITS, FixedPlan, S, charge, rest, sample

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


def test_a_step_is_foreseen_from_the_end_of_its_edge_on():
    """At that very sample."""
    began = MACHINE._replace(tally=TALLY._replace(began_ns=110 * S))
    assert times_ahead(began, 9) == range(120 * S, 129 * S, S)


STILL_V, STILL_A = (3.70,) * 4, (1.0,) * 4


@pytest.mark.parametrize(
    ("volts", "amps", "termination_a", "count"),
    [
        ((3.70, 3.72, 3.70, 3.68), STILL_A, 0.1, 4),
        ((3.70, 3.72, 3.80, 3.80), STILL_A, 0.1, 2),
        ((3.70, 3.72, 3.64, 3.64), STILL_A, 0.1, 2),
        ((3.80, 3.80, 3.80, 3.80), STILL_A, 0.1, 0),
        (STILL_V, (1.0, 1.4, 1.0, 0.8), 0.1, 4),
        (STILL_V, (1.0, 1.0, 1.0, 1.6), 0.1, 3),
        (STILL_V, (1.0, 0.4, 0.4, 0.4), 0.1, 1),
        (STILL_V, (0.625, 0.5, 0.375, 0.25), 0.375, 2),
        (STILL_V, (0.625, 0.5, 0.5, 0.5), 0.375, 4),
    ],
)
def test_samples_pass_until_one_jumps_or_its_current_is_down(volts, amps, termination_a, count):
    """More than 50 mV or 500 mA from one to the next, up or down, the first from the one before;
    and from the termination current itself on. Smaller changes pass, and all of them at once."""
    sampling = Sampling(edge_ns=10 * S, on_voltage_v=0.05, on_current_a=0.5)
    machine = MACHINE._replace(
        step=STEP._replace(sampling=sampling),
        tally=TALLY._replace(voltage_v=3.70),
        termination_a=termination_a,
    )
    given = zip(range(120, 124), volts, amps, strict=True)
    assert len(over(machine, [sample(*one) for one in given]).marks) == count


def test_a_rest_without_current_passes_at_once():
    """It has no termination current that nothing could be below."""
    step = rest(600)._replace(sampling=STEP.sampling)
    machine = MACHINE._replace(
        state=State.RESTING, step=step, intent=Intent(State.RESTING), termination_a=0.0,
        tally=TALLY._replace(current_a=0.0),
    )  # fmt: skip
    assert len(over(machine, [sample(120 + n) for n in range(4)]).marks) == 4
