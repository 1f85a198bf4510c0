"""From state to state: what is commanded, what interlocks are told."""

import pytest

from sequencer.machine.machine import CHANGEOVER_NS, IDLE_PERIOD_NS, STEP_MARGIN_NS, Machine
from sequencer.machine.stops import NEVER_NS
from sequencer.plan.plan import NEW_RUN
from sequencer.plan.step import Sampling, Stop, StopKind
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from sequencer.vocabulary.intent import FINAL, Intent, State
from sequencer.vocabulary.sample import OFF, ON
from sequencer.vocabulary.verdict import CLEAR, UNPROVEN, Ending, Verdict
from tests.builders import CHANNELS, S, charge, discharge, rest, sample
from tests.machine.feeding import IN, OUT, SAMPLING, TRIP, A, C, asks, fed, machine_for


def test_a_fresh_machine_knows_nothing_and_holds_nothing():
    """Before the first sample."""
    fresh = machine_for()
    assert fresh == Machine(
        fresh.plan,
        CHANNELS,
        State.CHECKING,
        -1,
        None,
        NEVER_NS,
        0.0,
        0.0,
        Intent(),
        NEW_RUN,
        None,
        None,
        0,
        (),
        None,
        None,
    )
    assert (fresh.is_final, fresh.ending, fresh.awaits_proof) == (False, Ending.DONE, False)
    assert Intent() == Intent(State.CHECKING, RESTING, 0, False, 1 << 62, 1 << 62)


def test_the_first_judged_sample_switches_everything_off_and_sets_the_bounds():
    """Connected, off, ten seconds to be seen off, and the end of the whole run."""
    machine, commands = fed(machine_for(rest(9)), sample(100))
    assert commands == [Command(RESTING, True)]
    assert machine.intent == Intent(
        State.CHANGEOVER, RESTING, 100 * S, True, 100 * S + CHANGEOVER_NS, 50_100 * S
    )
    assert (machine.state, machine.due_ns) == (State.CHANGEOVER, 100 * S + IDLE_PERIOD_NS)
    assert (CHANGEOVER_NS, IDLE_PERIOD_NS, STEP_MARGIN_NS) == (10 * S, S, 5 * S)


def test_a_step_begins_with_its_drive_its_bound_and_its_first_look():
    """The bound, one period for every sample that must agree, and the margin."""
    machine, commands = fed(
        machine_for(charge(1.5, 4.2, 0.15, bound_s=100.0)), *map(sample, (1, 2))
    )
    assert commands == [Command(RESTING, True), Command(IN, True)]
    assert machine.intent == Intent(
        State.CHARGING, IN, 2 * S, True, (2 + 100 + 3 + 5) * S, 50_001 * S
    )
    assert (machine.position, machine.due_ns, machine.termination_a) == (0, 3 * S, 0.15)
    assert machine.tally is not None
    assert (machine.tally.began_ns, machine.tally.start_v) == (2 * S, 3.7)


def test_a_step_without_stops_that_agree_has_one_period_more():
    """A timed step is its own bound."""
    machine, _ = fed(machine_for(rest(9)), *map(sample, (1, 2)))
    assert machine.intent.step_ends_by_ns == (2 + 9 + 1 + 5) * S
    bare = rest(9)._replace(stops=(), sampling=Sampling(every_ns=2 * S))
    machine, _ = fed(machine_for(bare), *map(sample, (1, 2)))
    assert machine.intent.step_ends_by_ns == (2 + 9 + 2 + 5) * S


def test_the_slowest_stop_to_agree_sets_the_bound():
    """Every stop may need all its samples."""
    slow = charge(1.5, 4.2, 0.15, bound_s=100.0)
    slow = slow._replace(stops=(Stop(StopKind.TIME, 99.0), *slow.stops))
    machine, _ = fed(machine_for(slow), *map(sample, (1, 2)))
    assert machine.intent.step_ends_by_ns == (2 + 100 + 3 + 5) * S


def test_a_step_that_goes_on_after_a_pause_is_looked_at_soon():
    """Fast, as after any edge, although its own edge is long past."""
    slow = discharge(3.0, 2.5)._replace(sampling=SAMPLING)
    machine, _ = fed(machine_for(slow), *map(sample, (1, 2)), sample(3, 3.6, -3.0))
    machine, _ = fed(machine, sample(34, 3.6, -3.0), asks(35, "pause"), asks(36, "continue"))
    machine, _ = fed(machine, sample(37))
    assert (machine.state, machine.due_ns) == (State.DISCHARGING, 38 * S)


def test_a_leap_to_exactly_the_termination_current_is_a_leap():
    """And exactly the termination current is not above it."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), *map(sample, (1, 2)))
    machine, _ = fed(machine, sample(3, 4.19, 1.0, supply_v=4.2))
    machine, _ = fed(machine, sample(4, 4.19, 0.15, supply_v=4.2))
    assert machine.tally is not None
    assert machine.tally.vanished


def test_a_rest_commands_nothing_that_is_so_already():
    """Off stays off, the contactor closed."""
    machine, commands = fed(machine_for(rest(9), rest(5, 2)), *(sample(n) for n in range(1, 13)))
    assert commands == [Command(RESTING, True)]
    assert (machine.state, machine.position) == (State.RESTING, 1)


def test_between_two_directions_everything_is_off_until_it_was_seen_off():
    """A charge that ends leads to a discharge over a changeover."""
    steps = (
        charge(1.5, 4.2, 0.15)._replace(stops=(Stop(StopKind.TIME, 3.0),)),
        discharge(3.0, 3.0, 2),
    )
    machine, _ = fed(machine_for(*steps), *map(sample, (1, 2)))
    machine, commands = fed(machine, *(sample(n, 3.9, 1.5) for n in (3, 4, 5)))
    assert commands == [Command(RESTING, True)]
    assert machine.state is State.CHANGEOVER
    assert [one.reason for one in machine.ended] == ["time 3 s"]
    assert machine.intent.step_ends_by_ns == 15 * S
    machine, commands = fed(machine, sample(6, 3.9, supply_at_ns=5 * S))
    assert (machine.state, commands, machine.ended, machine.due_ns) == (
        State.CHANGEOVER,
        [],
        (),
        7 * S,
    )
    machine, commands = fed(machine, sample(7, 3.9))
    assert (machine.state, commands) == (State.DISCHARGING, [Command(OUT, True)])
    assert machine.ended == ()


def test_from_a_rest_an_output_goes_on_at_once_when_off_was_seen_and_not_before():
    """The reading must be newer than the rest."""
    for at_ns, state in ((2 * S, State.CHANGEOVER), (5 * S, State.CHARGING)):
        machine, _ = fed(
            machine_for(rest(3), charge(1.5, 4.2, 0.15, 2)), *map(sample, (1, 2, 3, 4))
        )
        machine, commands = fed(machine, sample(5, supply_at_ns=at_ns))
        assert machine.state is state
        assert commands == [Command(IN if state is State.CHARGING else RESTING, True)]
        assert [one.reason for one in machine.ended] == ["time 3 s"]


def test_a_pulse_goes_straight_into_its_rest_and_the_rest_counts_from_the_command():
    """So a pulse train keeps its times."""
    pulse = discharge(3.0, 2.5, seconds=2.0)
    machine, _ = fed(machine_for(pulse, rest(5, 2)), *map(sample, (1, 2)))
    machine, commands = fed(machine, *(sample(n, 3.6, -3.0) for n in (3, 4)))
    assert commands == [Command(RESTING, True)]
    assert (machine.state, machine.intent.since_ns) == (State.RESTING, 4 * S)


def test_steps_that_are_at_their_end_already_are_skipped_one_by_one():
    """Each says so; the last one leads to the finish, with the contactor open."""
    full = charge(1.5, 3.6, 0.15)
    empty = discharge(3.0, 3.8, 2)
    machine, commands = fed(machine_for(full, empty), *map(sample, (1, 2)))
    assert commands == [Command(RESTING, True), Command(RESTING, False)]
    assert machine.state is State.FINISHING
    assert [(one.step.number, one.reason, one.ended_ns) for one in machine.ended] == [
        (1, "skipped: already at termination current 0.150 A", 2 * S),
        (2, "skipped: already at voltage at or below 3.800 V", 2 * S),
    ]
    assert (machine.step, machine.position) == (None, 2)
    assert machine.intent == Intent(State.FINISHING, RESTING, 2 * S, False, 12 * S, 50_001 * S)


def test_under_load_nothing_is_skipped():
    """The voltage of a driven cell says nothing about what it rests at."""
    levels = [discharge(0.5, 2.5, 1, seconds=1.0), discharge(2.5, 3.65, 2, seconds=9.0)]
    machine, _ = fed(machine_for(*levels), *map(sample, (1, 2)), sample(3, 3.6, -0.5))
    assert (machine.state, machine.position) == (State.DISCHARGING, 1)
    assert machine.intent.drive == Drive(Direction.DISCHARGE, 2.5, 3.65)


def test_the_finish_waits_until_off_was_seen_and_then_for_its_proof():
    """A run that nothing disturbed ends on level C too."""
    machine, _ = fed(machine_for(), *map(sample, (1, 2)))
    machine, commands = fed(machine, sample(3, supply_on=1))
    assert (machine.awaits_proof, commands, machine.due_ns) == (False, [], 4 * S)
    machine, commands = fed(machine, sample(4))
    assert (machine.awaits_proof, commands, machine.state) == (True, [], State.FINISHING)
    waiting, _ = fed(machine, sample(5))
    assert (waiting.awaits_proof, waiting.due_ns) == (True, 6 * S)
    for proof in (A, C):
        over = machine.concluded(proof)
        assert (over.state, over.is_final, over.ending) == (State.DONE, True, Ending.DONE)
        assert over.intent.state is State.DONE


@pytest.mark.parametrize("ending", [Ending.TRIPPED, Ending.FAULTED, Ending.ABORTED])
def test_a_trip_wins_and_its_proof_leads_to_its_ending(ending):
    """The first cause is kept; off is meant at once; a weak proof is none."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), *map(sample, (1, 2)))
    trip = TRIP._replace(ending=ending)
    machine, commands = machine.advance(asks(3, "pause", 3.9, 1.5), Verdict(trip))
    assert (machine.state, commands, machine.trip) == (State.MAKING_SAFE, (), trip)
    assert (machine.intent.state, machine.intent.drive) == (State.MAKING_SAFE, RESTING)
    assert (machine.intent.connected, machine.ending, machine.ended) == (False, ending, ())
    again, commands = machine.advance(sample(4), Verdict(TRIP))
    assert (again.trip, commands, again.due_ns) == (trip, (), 5 * S)
    over = again.concluded(A)
    assert over.state.value == {"fault": "faulted"}.get(ending.value, ending.value)
    assert over.ending is ending
    for proof in (C, UNPROVEN):
        lost = again.concluded(proof)
        assert (lost.state, lost.ending) == (State.UNPROVEN, ending)


def test_the_trip_that_came_first_is_kept():
    """A second one from outside the panel changes nothing of it."""
    machine, _ = fed(machine_for(rest(9)), sample(1))
    held = machine._replace(trip=TRIP)
    assert held.tripped(TRIP._replace(interlock="other")).trip is TRIP


def test_after_a_trip_nothing_is_set():
    """Neither a drive nor a current, which the rows would go on to tell."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 2.0)), *map(sample, (1, 2)))
    assert machine.set_a == 1.5
    tripped = machine.tripped(TRIP)
    assert (tripped.set_a, tripped.intent.drive, tripped.intent.connected) == (0.0, RESTING, False)


@pytest.mark.parametrize("state", sorted(FINAL, key=str))
def test_what_is_over_moves_no_more(state):
    """Not by a trip, not by a person; only the next look is set."""
    over = machine_for(rest(9))._replace(state=state)
    for verdict in (CLEAR, Verdict(TRIP)):
        after, commands = over.advance(asks(7, "continue"), verdict)
        assert (after, commands) == (over._replace(due_ns=8 * S), ())
    expected = {State.ABORTED: Ending.ABORTED, State.TRIPPED: Ending.TRIPPED}
    expected[State.FAULTED] = Ending.FAULTED
    assert over.ending is expected.get(state, Ending.DONE)


def test_a_bench_that_is_not_fit_is_refused():
    """Before anything was commanded."""
    refused = machine_for(rest(9)).refused()
    assert (refused.state, refused.intent.state) == (State.REFUSED, State.REFUSED)


def test_a_step_that_is_skipped_while_an_output_is_not_seen_off_is_told_once():
    """It is over before the changeover that the next step needs."""
    machine = machine_for(rest(2, 1), discharge(3.0, 3.0, 2), charge(1.5, 4.2, 0.15, 3))
    machine, _ = fed(machine, *(sample(n, 2.9) for n in (1, 2, 3)))
    told = []
    for at_s, supply in ((4, ON), (5, OFF)):
        machine, _ = fed(machine, sample(at_s, 2.9, supply_on=supply))
        told += [one.step.number for one in machine.ended]
    assert (told, machine.state) == ([1, 2], State.CHARGING)
