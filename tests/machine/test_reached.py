"""When a temperature has been where it was asked for, for as long as was asked: without a break."""

import pytest

from sequencer.machine.entries import of_changes
from sequencer.machine.stops import describe
from sequencer.plan.step import Stop, StopKind
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.sample import NAN
from tests.builders import S, rest, sample
from tests.machine.feeding import asks, fed, machine_for

WINDOW = Stop(StopKind.ROOM_TEMPERATURE, -12.0, 2, most=-8.0, lasts_s=60.0)
STEP = rest(2000)._replace(stops=(Stop(StopKind.TIME, 2000.0), WINDOW))


def at(second: int, celsius: float, surface_c: float = 25.0):
    """A sample in which the room is so warm."""
    return sample(second, room_c=celsius, surface_c=surface_c)


def ended_at(celsius_at, seconds: int = 1000, step=STEP) -> int:
    """The second at which the step ended; 0 where it goes on."""
    machine, _ = fed(machine_for(step, rest(5000, 2)), at(1, 25.0), at(2, 25.0))
    for second in range(3, seconds):
        machine, _ = fed(machine, at(second, celsius_at(second)))
        if machine.step.number == 2:
            return second
    return 0


@pytest.mark.parametrize("edge", [-12.0, -8.0])
def test_both_edges_count_and_the_time_begins_with_the_first_reading_inside(edge):
    """From 100 s on it is there, and has been for 60 s at 160 s."""
    assert ended_at(lambda s: edge if s >= 100 else 0.0) == 160


@pytest.mark.parametrize("beyond", [-12.1, -7.9, NAN])
def test_a_break_and_a_lost_sensor_begin_it_anew(beyond):
    """One reading outside, or none, at 150 s: it ends 60 s after the next one inside."""
    assert ended_at(lambda s: beyond if s == 150 or s < 100 else -10.0) == 211
    assert ended_at(lambda _: beyond) == 0


def test_the_other_sensor_does_not_count():
    """The surface may be anywhere, and of the surface the room."""
    other = STEP._replace(stops=(STEP.stops[0], WINDOW._replace(kind=StopKind.SURFACE_TEMPERATURE)))
    assert ended_at(lambda _: -10.0, 300) == 63
    assert ended_at(lambda _: -10.0, 300, other) == 0


def test_one_sample_is_not_enough_where_no_time_is_asked():
    """Two must agree, as of every end by a reading."""
    step = STEP._replace(stops=(STEP.stops[0], WINDOW._replace(lasts_s=0.0)))
    assert ended_at(lambda s: -10.0 if s in (50, 80, 81) else 0.0, step=step) == 81


def test_the_time_goes_on_while_it_stays():
    """Whichever comes first ends the step; the record says which."""
    brief = STEP._replace(stops=(Stop(StopKind.TIME, 100.0), WINDOW))
    machine, _ = fed(machine_for(brief, rest(5000, 2)), *(at(s, 0.0) for s in range(1, 60)))
    for second in range(60, 110):
        before, (machine, _) = machine, fed(machine, at(second, -10.0))
        for note in of_changes(before, machine, second * S):
            if note.kind == "step ended":
                assert note.entry["stopped_by"]["kind"] == "time"
                return
    raise AssertionError("the step has not ended")


def test_it_is_sampled_at_its_own_pace_while_it_stays():
    """Fast for the second reading that must agree, and then as the step says."""
    slow = STEP._replace(sampling=STEP.sampling._replace(every_ns=10 * S, fast_ns=S))
    machine, _ = fed(machine_for(slow, rest(5000, 2)), at(1, 25.0), at(2, 25.0), at(12, -10.0))
    assert machine.due_ns == 13 * S
    machine, _ = fed(machine, at(13, -10.0))
    assert machine.due_ns == 22 * S


def test_a_pause_begins_it_anew():
    """Nobody knows what was done to the chamber meanwhile."""
    machine, _ = fed(machine_for(STEP, rest(5000, 2)), *(at(s, -10.0) for s in range(1, 40)))
    asked = (asks(40, "pause"), asks(41, ""), asks(42, "continue"))
    machine, _ = fed(machine, *(one._replace(room_c=-10.0) for one in asked))
    machine, _ = fed(machine, *(at(s, -10.0) for s in range(43, 100)))
    assert (machine.step.number, machine.state) == (1, State.RESTING)


def test_it_is_said_and_recorded_with_both_edges():
    """An open edge is null in the journal."""
    machine, _ = fed(machine_for(STEP), at(1, 25.0))
    begun, _ = fed(machine, at(2, 25.0))
    (note,) = of_changes(machine, begun, 2 * S)
    assert note.entry["stops"][1] == {
        "kind": "room_temperature",
        "value": -12.0,
        "words": "room temperature between -12 degC and -8 degC for 1 min",
        "most": -8.0,
        "lasts_s": 60.0,
    }
    warmer = Stop(StopKind.SURFACE_TEMPERATURE, 38.0)
    assert describe(warmer) == "surface temperature at 38 degC or above"
    cooler = Stop(StopKind.SURFACE_TEMPERATURE, float("-inf"), most=28.0)
    assert describe(cooler) == "surface temperature at 28 degC or below"
