"""From state to state: what is commanded, what interlocks are told, when to look again."""

import pytest

from sequencer.machine.machine import CHANGEOVER_NS, IDLE_PERIOD_NS, STEP_MARGIN_NS, Machine
from sequencer.machine.stops import NEVER_NS
from sequencer.plan.step import FixedPlan, PlannedStep, Sampling, Stop, StopKind
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from sequencer.vocabulary.intent import FINAL, Intent, State
from sequencer.vocabulary.sample import NAN, Host
from sequencer.vocabulary.verdict import CLEAR, UNPROVEN, Ending, Level, Proof, Trip, Verdict
from tests.builders import LIMITS, OUTFIT, S, charge, discharge, rest, sample

IN = Drive(Direction.CHARGE, 1.5, 4.2)
OUT = Drive(Direction.DISCHARGE, 3.0, 3.0)
A, C = Proof(Level.A, (), 0.0), Proof(Level.C, (), 0.01)
TRIP = Trip("voltage high", "because", 9 * S, Ending.TRIPPED)


def machine_for(*steps: PlannedStep) -> Machine:
    """A machine that has seen nothing yet."""
    return Machine(FixedPlan("test", LIMITS, list(steps)), OUTFIT)


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


def test_a_fresh_machine_knows_nothing_and_holds_nothing():
    """Before the first sample."""
    fresh = machine_for()
    assert fresh == Machine(
        fresh.plan, OUTFIT, State.CHECKING, -1, None, NEVER_NS, 0.0, Intent(), None, 0, (), 0, None
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
    machine, _ = fed(machine, sample(30, 3.6, -3.0), asks(31, "pause"), asks(32, "continue"))
    machine, _ = fed(machine, sample(33))
    assert (machine.state, machine.due_ns) == (State.DISCHARGING, 34 * S)


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


@pytest.mark.parametrize("state", sorted(FINAL, key=lambda one: one.value))
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


def test_a_pause_switches_off_opens_the_contactor_and_has_no_bound():
    """The account goes up to the pause; afterwards the step goes on as long as it had left."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15, bound_s=100.0)), *map(sample, (1, 2)))
    machine, _ = fed(machine, sample(3, 3.9, 1.5))
    machine, commands = fed(machine, asks(4, "pause", 3.9, 1.5))
    assert commands == [Command(RESTING, False)]
    assert machine.intent == Intent(State.PAUSED, RESTING, 4 * S, False, 1 << 62, 50_001 * S)
    assert machine.tally is not None
    assert machine.tally.moved.charge_in_ah == pytest.approx(1.5 * 2 / 3600)
    assert (machine.paused_ns, machine.ended) == (4 * S, ())
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
    assert back.intent.run_ends_by_ns == (50_001 + 61) * S
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
    assert (over.ended[0].ended_ns, over.ended[0].moved) == (first.at_ns, first.moved)
    assert commands == [Command(RESTING, False)]
    unsure, _ = fed(machine, sample(5, 3.1, -3.0))
    assert unsure.tally is not None
    assert (unsure.tally.agreeing, unsure.tally.crossing) == (0, None)


SAMPLING = Sampling(every_ns=10 * S, fast_ns=S, edge_ns=5 * S, on_voltage_v=0.05, on_current_a=0.5)


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
