"""What is given up together: a pulse that reaches the cut-off ends the rest of its train."""

from sequencer.machine.entries import of_changes
from sequencer.plan.step import Stop, StopKind
from sequencer.vocabulary.intent import State
from tests.builders import S, discharge, rest, sample
from tests.machine.feeding import fed, machine_for

LOW = 3.0


def _pulse(number: int, left: int, seconds: float = 60.0):
    """A pulse of 3 A whose voltage stop leaves out ``left`` steps after it."""
    edge = Stop(StopKind.VOLTAGE_BELOW, LOW, 2, left)
    stops = (Stop(StopKind.TIME, seconds), edge)
    return discharge(3.0, LOW, number)._replace(stops=stops)


def _train(seconds: float = 60.0):
    """Two pulses with a rest between, then a rest of its own."""
    return machine_for(_pulse(1, 2, seconds), rest(9, 2), _pulse(3, 0, seconds), rest(50, 4))


def test_a_pulse_that_reaches_the_cut_off_goes_on_behind_the_train():
    """The next step is the one behind the train, and it is said once, with numbers."""
    machine, _ = fed(_train(), *map(sample, (1, 2)), sample(3, 3.2, -3.0), sample(4, 2.99, -3.0))
    assert machine.state is State.DISCHARGING  # one sample that sags is not the end
    before = machine
    machine, _ = fed(machine, sample(5, 2.98, -3.0))
    assert (machine.state, machine.position) == (State.RESTING, 3)
    assert [(one.step.number, one.left_out) for one in machine.ended] == [(1, 2)]
    words = "voltage at or below 3.000 V; 2 steps behind it left out"
    assert machine.ended[0].reason == words
    notes = of_changes(before, machine, 5 * S)
    assert [note.kind for note in notes] == ["step ended", "state"]
    assert notes[0].entry["left_out"] == 2
    assert notes[1].entry["step"] == 4


def test_a_pulse_whose_time_is_over_below_the_cut_off_is_the_last():
    """There is no second sample of it that could agree."""
    below = sample(4, 2.9, -3.0)
    machine, _ = fed(_train(2.0), *map(sample, (1, 2)), sample(3, 3.2, -3.0), below)
    assert (machine.state, machine.position) == (State.RESTING, 3)
    assert [(one.step.number, one.left_out) for one in machine.ended] == [(1, 2)]
    assert machine.ended[0].reason == (
        "time 2 s, with voltage at or below 3.000 V; 2 steps behind it left out"
    )


def test_a_pulse_whose_time_is_over_above_the_cut_off_leaves_nothing_out():
    """The train goes on with its rest."""
    above = sample(4, 3.01, -3.0)
    machine, _ = fed(_train(2.0), *map(sample, (1, 2)), sample(3, 3.2, -3.0), above)
    assert (machine.state, machine.position) == (State.RESTING, 1)
    assert [(one.reason, one.left_out) for one in machine.ended] == [("time 2 s", 0)]


def test_a_cell_that_rests_at_the_cut_off_is_not_pulsed_at_all():
    """One entry for the whole train."""
    machine, _ = fed(_train(), *(sample(n, 2.95) for n in (1, 2)))
    assert (machine.state, machine.position) == (State.RESTING, 3)
    assert [(one.step.number, one.left_out) for one in machine.ended] == [(1, 2)]
    assert machine.ended[0].reason.startswith("skipped: already at voltage at or below 3.000 V; ")


def test_the_last_pulse_leaves_nothing_out():
    """Nothing is said where nothing is skipped."""
    machine, _ = fed(machine_for(_pulse(1, 0), rest(9, 2)), *map(sample, (1, 2)))
    machine, _ = fed(machine, *(sample(n, 2.9, -3.0) for n in (3, 4)))
    assert machine.ended[0].reason == "voltage at or below 3.000 V"
    assert machine.ended[0].left_out == 0
