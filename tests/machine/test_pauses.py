"""Pauses, accounts over them, and when to look again."""

import pytest

from sequencer.machine.pausing import Pause
from sequencer.plan.step import Sampling, Stop, StopKind
from sequencer.vocabulary.commands import RESTING, Command
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.sample import NAN
from sequencer.vocabulary.verdict import CLEAR
from tests.builders import S, charge, discharge, rest, sample
from tests.machine.feeding import IN, SAMPLING, asks, fed, machine_for


def test_a_pause_switches_off_opens_the_contactor_and_has_no_bound():
    """The account goes up to the pause; afterwards the step goes on as long as it had left."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15, bound_s=100.0)), *map(sample, (1, 2)))
    machine, _ = fed(machine, sample(3, 3.9, 1.5))
    machine, commands = fed(machine, asks(4, "pause", 3.9, 1.5))
    assert commands == [Command(RESTING, False)]
    assert machine.intent == Intent(State.PAUSED, RESTING, 4 * S, False, 1 << 62, 1 << 62)
    assert machine.tally is not None
    assert machine.tally.moved.charge_in_ah == pytest.approx(1.5 * 2 / 3600)
    assert machine.pause == Pause(4 * S, 4 * S, 50_001 * S)
    assert machine.ended == ()
    still, commands = fed(machine, asks(9, "pause", contactor_closed=0))
    assert (still.state, commands, still.due_ns) == (State.PAUSED, [], 10 * S)
    idle, commands = fed(still, sample(10, contactor_closed=0))
    assert (idle.state, commands, idle.due_ns) == (State.PAUSED, [], 11 * S)
    on, commands = fed(idle, asks(64, "continue"))
    assert (on.state, commands) == (State.CHANGEOVER, [Command(RESTING, True)])
    assert on.intent.step_ends_by_ns == 74 * S
    back, commands = fed(on, sample(65, 3.8))
    assert (back.state, commands) == (State.CHARGING, [Command(IN, True)])
    tally = back.tally
    assert tally is not None
    assert (tally.began_ns, tally.at_ns, tally.current_at_ns) == (63 * S, 65 * S, 65 * S)
    assert (tally.voltage_v, tally.interrupted, tally.held_voltage) == (3.8, True, False)
    assert (tally.agreeing, tally.crossing, tally.current_a == tally.current_a) == (0, None, False)
    assert back.intent.run_ends_by_ns == (50_001 + 60) * S
    assert back.intent.step_ends_by_ns == (63 + 100 + 3 + 5) * S
    assert back.ended == ()
    later, _ = fed(back, sample(66, 3.9, 1.5))
    assert later.tally is not None
    assert later.tally.moved.charge_in_ah == pytest.approx(1.5 * 3 / 3600)
    assert later.tally.interrupted


def test_a_pause_forgets_that_constant_voltage_was_seen():
    """A step that goes on must see it again before a small current ends it."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), *map(sample, (1, 2)))
    machine, _ = fed(
        machine, sample(3, 4.19, 0.2, supply_v=4.2), sample(4, 4.19, 0.14, supply_v=4.2)
    )
    assert machine.tally is not None
    assert (machine.tally.held_voltage, machine.tally.agreeing) == (True, 1)
    machine, _ = fed(machine, asks(5, "pause"), asks(6, "continue"), sample(7))
    assert machine.tally is not None
    assert (machine.tally.held_voltage, machine.tally.agreeing, machine.tally.crossing) == (
        False,
        0,
        None,
    )


def test_a_lead_that_comes_off_in_a_pause_is_no_termination_current():
    """The supply holds its voltage on an open lead and the cell reads what a full one reads: only
    current that flowed since the charge went on may taper to its end."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), *map(sample, (1, 2)))
    machine, _ = fed(machine, *(sample(at, 4.19, 0.6, supply_v=4.2) for at in (3, 4)))
    machine, _ = fed(machine, asks(5, "pause", 4.19, 0.6), asks(6, "continue", 4.185))
    machine, _ = fed(machine, *(sample(at, 4.185, 0.0, supply_v=4.2) for at in range(7, 20)))
    assert (machine.state, machine.ended) == (State.CHARGING, ())
    tapering = (sample(at, 4.19, 0.14, supply_v=4.2) for at in range(20, 23))
    machine, _ = fed(machine, sample(19.5, 4.19, 0.2, supply_v=4.2), *tapering)
    assert machine.state is not State.CHARGING


def test_a_burst_that_goes_on_after_a_pause_has_the_rest_of_its_timer():
    """The load would end it by itself after 4.2 s in all, whenever the computer freezes."""
    burst = discharge(7.5, 3.0)._replace(stops=(Stop(StopKind.TIME, 4.0),), bound_s=4.0)
    burst = burst._replace(drive=burst.drive._replace(on_time_s=4.2))
    machine, commands = fed(machine_for(burst), *map(sample, (1, 2)))
    assert commands[-1].drive.on_time_s == 4.2
    for paused_s, left_s in ((5, 1.2), (15.9, 0.3), (25.99, 0.2)):
        machine, _ = fed(machine, asks(paused_s, "pause"), asks(paused_s + 4, "continue"))
        machine, commands = fed(machine, sample(round(paused_s) // 10 * 10 + 15))
        assert commands == [Command(burst.drive._replace(on_time_s=left_s), True)]


def test_a_pause_in_a_changeover_leads_back_to_the_step_that_was_next():
    """Nothing is accounted twice; what has ended stays ended."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), sample(1))
    machine, commands = fed(machine, asks(2, "pause"), asks(3, "continue"), sample(4))
    assert commands == [Command(RESTING, False), Command(RESTING, True), Command(IN, True)]
    steps = (
        charge(1.5, 4.2, 0.15)._replace(stops=(Stop(StopKind.TIME, 3.0),)),
        discharge(3.0, 3.0, 2),
    )
    machine, _ = fed(machine_for(*steps), *map(sample, (1, 2)))
    machine, _ = fed(machine, sample(5, 3.9, 1.5), asks(6, "pause"))
    assert (machine.state, machine.ended, machine.tally) == (State.PAUSED, (), None)
    machine, _ = fed(machine, asks(7, "continue"))
    machine, _ = fed(machine, asks(8, "pause"))
    assert machine.tally is None
    machine, _ = fed(machine, asks(9, "continue"), sample(10))
    assert (machine.state, machine.position) == (State.DISCHARGING, 1)


@pytest.mark.parametrize("state", [State.CHECKING, State.FINISHING])
def test_where_no_pause_is_possible_none_is_made(state):
    """The request is left lying."""
    machine = machine_for(rest(9))
    if state is State.FINISHING:
        machine, _ = fed(machine_for(), *map(sample, (1, 2)))
    assert machine.state is state
    after, _ = fed(machine, asks(3, "pause"))
    assert after.state is not State.PAUSED


def test_a_request_that_is_none_changes_nothing():
    """``continue`` while nothing pauses, and an abort, which is an interlock's."""
    machine, _ = fed(machine_for(rest(9)), *map(sample, (1, 2)))
    for request in ("continue", "abort", ""):
        after, commands = fed(machine, asks(3, request))
        assert (after.state, commands) == (State.RESTING, [])


def test_the_extremes_of_a_step_are_kept():
    """Lowest and highest voltage, highest temperature; NaN moves none of them."""
    machine, _ = fed(machine_for(rest(99)), *map(sample, (1, 2)))
    for at_s, volts, celsius in ((3, 3.7, 25.0), (4, 3.5, 30.0), (5, 3.9, 20.0), (6, NAN, NAN)):
        machine, _ = fed(machine, sample(at_s, volts, surface_c=celsius))
    tally = machine.tally
    assert tally is not None
    assert (tally.low_v, tally.high_v, tally.highest_c, tally.start_v) == (3.5, 3.9, 30.0, 3.7)
    assert tally.at_ns == 6 * S


def test_a_reading_that_grew_no_younger_does_not_turn_back_the_account():
    """The time of the newest current reading is kept."""
    machine, _ = fed(machine_for(discharge(3.0, 2.5)), *map(sample, (1, 2)))
    machine, _ = fed(machine, sample(4, 3.6, -3.0), sample(5, 3.6, -3.0, current_at_ns=3 * S))
    assert machine.tally is not None
    assert machine.tally.current_at_ns == 4 * S


def test_current_counts_as_flowing_from_more_than_one_count():
    """Exactly one count of the supply is none; then constant voltage alone arms nothing."""
    for amps, flowed in ((0.001, False), (0.0011, True)):
        machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), *map(sample, (1, 2)))
        machine, _ = fed(machine, sample(3, 4.1, amps), sample(4, 4.1, 0.0))
        assert machine.tally is not None
        assert machine.tally.flowed is flowed
        assert not machine.tally.held_voltage


def test_current_that_is_back_was_never_gone():
    """A leap counts until current is above the threshold again."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), *map(sample, (1, 2)))
    seen = []
    for at_s, amps in ((3, 1.0), (4, 0.01), (5, 0.01), (6, 0.2), (7, 0.14), (8, 0.15)):
        machine, _ = fed(machine, sample(at_s, 4.19, amps, supply_v=4.2))
        assert machine.tally is not None
        seen.append(machine.tally.vanished)
    assert seen == [False, True, True, False, False, False]
    discharging, _ = fed(machine_for(discharge(3.0, 2.5)), *map(sample, (1, 2)))
    discharging, _ = fed(discharging, sample(3, 3.6, -3.0), sample(4, 3.6, 0.0))
    assert discharging.tally is not None
    assert not discharging.tally.vanished
    assert not discharging.tally.flowed
    untapered = charge(1.5, 4.2, 0.15)._replace(stops=(Stop(StopKind.TIME, 99.0),))
    machine, _ = fed(machine_for(untapered), *map(sample, (1, 2)), sample(3, 4.19, 1.0))
    machine, _ = fed(machine, sample(4, 4.19, 0.0))
    assert machine.tally is not None
    assert not machine.tally.vanished


def test_samples_that_agree_are_counted_from_the_first_crossing():
    """The first one keeps its place while they agree; one that does not forgets it."""
    machine, _ = fed(machine_for(discharge(3.0, 3.0)), *map(sample, (1, 2)), sample(3, 3.2, -3.0))
    machine, _ = fed(machine, sample(4, 2.9, -3.0))
    assert machine.tally is not None
    first = machine.tally.crossing
    assert first is not None
    assert (machine.tally.agreeing, machine.ended, machine.due_ns) == (1, (), 5 * S)
    over, commands = fed(machine, sample(5, 2.8, -3.0))
    assert (over.ended[0].ended_ns, over.ended[0].crossing) == (5 * S, first)
    assert commands == [Command(RESTING, False)]
    unsure, _ = fed(machine, sample(5, 3.1, -3.0))
    assert unsure.tally is not None
    assert (unsure.tally.agreeing, unsure.tally.crossing) == (0, None)


def due_after(*samples, seconds: float = 95.0, sampling: Sampling = SAMPLING) -> float:
    """When a discharge that began at 2 s looks next (s), after these samples."""
    step = discharge(3.0, 2.5, seconds=seconds)._replace(sampling=sampling)
    machine, _ = fed(machine_for(step), *map(sample, (1, 2)), *samples)
    return machine.due_ns / S


def test_when_to_look_next():
    """On the step's grid: fast after its edge and after a change, slow otherwise, never past a
    timed end."""

    def at(seconds: float, volts: float = 3.6, amps: float = -3.0):
        return sample(2 + seconds, volts, amps)

    assert due_after() == 3
    assert due_after(at(1), at(4.9)) == 7
    assert due_after(at(1), at(5)) == 12
    assert due_after(at(1), at(11)) == 22
    for before, after, due in (
        (at(11), at(12, 3.651), 15),
        (at(11), at(12, 3.549), 15),
        (at(11), at(12, 3.64), 22),
        (at(11), at(12, 3.6, -3.51), 15),
        (at(11), at(12, 3.6, -2.49), 15),
        (at(11), at(12, 3.6, -3.49), 22),
    ):
        assert due_after(at(1), before, after) == due
    assert due_after(at(1), at(91)) == 97
    assert due_after(at(1), at(91), seconds=99.9) == 101.9
    assert due_after(at(1), at(91), seconds=100.0) == 102
    assert due_after(at(1), at(91), seconds=101.0) == 102
    exact = SAMPLING._replace(on_voltage_v=0.125, on_current_a=0.5)
    assert due_after(at(1, 3.5), at(11, 3.5), at(12, 3.625), sampling=exact) == 22
    assert due_after(at(1), at(11), at(12, 3.6, -3.5), sampling=exact) == 22
    cut = discharge(3.0, 3.0)._replace(sampling=SAMPLING)
    machine, _ = fed(machine_for(cut), *map(sample, (1, 2)), at(1, 3.2), at(11, 2.9))
    assert machine.due_ns == 14 * S


def test_the_same_sample_and_verdict_give_the_same_machine():
    """Which is what a replay relies on."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), *map(sample, (1, 2)))
    seen = sample(3, 3.9, 1.5)
    first, second = machine.advance(seen, CLEAR), machine.advance(seen, CLEAR)
    assert repr(first[0]._replace(plan=None)) == repr(second[0]._replace(plan=None))
    assert (first[0].state, first[0].position, first[0].trip) == (State.CHARGING, 0, None)
