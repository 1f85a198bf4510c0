"""Loops that end on what was measured: left exactly when a condition is met, never later."""

import json
from math import isnan
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.machine.accounting import moved_by
from sequencer.machine.entries import _of_step, of_changes
from sequencer.machine.step_result import StepResult
from sequencer.machine.tally import Crossing, Moved, opened
from sequencer.plan.loops import LoopEnd, LoopEndKind, plain_state, state_from
from sequencer.plan.plan import RunAccount
from sequencer.plan.rest import RestOfPlan
from sequencer.plan.step import Stop, StopKind
from sequencer.recording.journal import plain
from sequencer.resuming.interrupted_run import broken_off
from sequencer.vocabulary.commands import Direction
from tests.builders import S, discharge, sample
from tests.machine.looped import LoopOf, Step, by_hand, carry_out, plan_of

REST = Step(Direction.REST, (5,))
CHARGE = Step(Direction.CHARGE, (40,))


def fading(*seconds: int) -> Step:
    """A discharge to the cut-off that gives so many mAh the first, second … time."""
    return Step(Direction.DISCHARGE, seconds, (True,))


def results(*parts):
    """What came of every step that was carried out."""
    return [one for _, _, ended in carry_out(*plan_of(parts)) for one in ended]


def passes(*parts):
    """Every pass that ended."""
    return [one for result in results(*parts) for one in result.passes]


def retention(share: float) -> LoopEnd:
    """The capacity as a share of the first pass's."""
    return LoopEnd(LoopEndKind.CAPACITY, share)


def test_a_loop_ends_with_the_pass_whose_capacity_has_fallen_to_the_share():
    """The steps behind it are left out, the run goes on behind the loop, and it is said once."""
    loop = LoopOf((CHARGE, REST, fading(100, 90, 81, 79)), 50, (retention(0.8),))
    went = results(loop, REST)
    assert [one.step.number for one in went] == [*range(1, 13), 151]
    assert went[11].left_out == 138
    assert [one.left_out for one in went[:11]] == [0] * 11
    told = [one for result in went for one in result.passes]
    assert [one.place.number for one in told] == [1, 2, 3, 4]
    assert [round(one.account.retention, 6) for one in told] == [1.0, 0.9, 0.81, 0.79]
    assert [one.left_by for one in told] == [None, None, None, retention(0.8)]
    assert told[3].reason == (
        "pass 4 of at most 50: 79.0 mAh, 79.0 % of the 0.100 Ah of pass 1; the loop ends: "
        "a pass's capacity is at or below 80 % of the first pass's"
    )
    assert told[3].account.lasted_ns == (4 * 45 + 350 + 4) * 10**9


def test_a_loop_whose_condition_never_comes_ends_after_its_passes():
    """And says so: no condition was met."""
    told = passes(LoopOf((CHARGE, REST, fading(100, 99)), 3, (retention(0.8),)))
    assert [(one.place.number, one.left_by, one.is_last) for one in told] == [
        (1, None, False),
        (2, None, False),
        (3, None, True),
    ]
    assert told[2].reason == (
        "pass 3 of at most 3: 99.0 mAh, 99.0 % of the 0.100 Ah of pass 1; the loop ends with it"
    )


def test_a_discharge_that_does_not_reach_its_cut_off_is_no_capacity():
    """Neither a reference nor judged by."""
    one = Step(Direction.DISCHARGE, (10, 100, 20, 70), (False, True, False, True))
    told = passes(LoopOf((CHARGE, REST, one), 9, (retention(0.8),)))
    assert [one.account.capacity_ah > 0.0 for one in told] == [False, True, False, True]
    assert (told[-1].account.first_pass, told[-1].left_by) == (2, retention(0.8))


def test_a_voltage_ends_the_loop_at_once():
    """What is left of the pass is left out too, and the pass says by what."""
    pulse = Step(Direction.DISCHARGE, (10,), (False, False, True))
    end = LoopEnd(LoopEndKind.CUT_OFF_VOLTAGE, 3.0)
    went = results(LoopOf((pulse, REST), 100, (end,)), REST)
    assert [one.step.number for one in went] == [1, 2, 3, 4, 5, 201]
    assert [(one.left_by, one.place.number) for one in went[4].passes] == [(end, 3)]


def test_a_cut_off_above_that_of_the_loop_does_not_end_it():
    """The discharge ends there, and the loop goes on."""
    end = LoopEnd(LoopEndKind.CUT_OFF_VOLTAGE, 2.9)
    told = passes(LoopOf((CHARGE, fading(10)), 3, (end,)))
    assert [(one.place.number, one.left_by) for one in told] == [(1, None), (2, None), (3, None)]


def test_only_a_voltage_is_the_cut_off_that_a_step_fell_to():
    """Never the seconds of a timed step; a voltage that was met with them counts."""
    step, timed = discharge(1.0, 3.0), Stop(StopKind.TIME, 2.0)
    tally = opened(sample(1))
    result = StepResult(step, timed, 3 * S, tally, Crossing(3 * S, tally.moved))
    assert isnan(moved_by(result).fell_to_v)
    assert moved_by(result._replace(met_with=step.stops[0])).fell_to_v == 3.0
    assert moved_by(result._replace(stop=step.stops[0])).fell_to_v == 3.0


def test_charge_that_came_in_during_a_discharge_is_no_capacity():
    """What an ammeter's zero counts the other way is taken off."""
    step = discharge(1.0, 3.0)
    moved = Moved(charge_in_ah=0.25, charge_out_ah=1.0)
    tally = opened(sample(1))._replace(moved=moved)
    result = StepResult(step, step.stops[0], 9 * S, tally, Crossing(9 * S, moved))
    assert moved_by(result).capacity_ah == 0.75
    assert moved_by(result._replace(is_skipped=True)).capacity_ah == 0.0


def test_loops_that_begin_with_the_same_step_are_counted_apart():
    """The outer pass's capacity is its last discharge's: 90 mAh, then 80 mAh. The inner loop, whose
    second pass gave 25 % of its first, is none of it; the time of each is its own."""
    inner = LoopOf((fading(360, 90, 320, 80), CHARGE), 2, ())
    told = passes(LoopOf((inner, REST), 2, (retention(0.31),)))
    outer = [one for one in told if one.place.ends]
    assert [one.account.retention for one in outer] == [1.0, pytest.approx(80 / 90)]
    assert [one.left_by for one in outer] == [None, None]
    assert [one.account.lasted_ns for one in outer] == [537 * S, 1024 * S]


def test_cycles_that_were_left_out_are_not_counted():
    """The cycle of a step behind the loop follows that of the last pass."""
    loop = LoopOf((CHARGE, fading(100, 50)), 40, (retention(0.8),))
    went = results(loop, CHARGE, REST)
    assert [one.step.cycle for one in went] == [1, 1, 2, 2, 3, 3]


def test_a_pass_is_a_line_of_the_journal_behind_the_step_that_ended_it():
    """Which loop, which pass, what was counted, and which condition at which value ended it."""
    loop = LoopOf((CHARGE, fading(100, 70)), 3, (LoopEnd(LoopEndKind.TIME, 1e6), retention(0.8)))
    machine = None
    told = []
    for after, seen, _ in carry_out(*plan_of((loop, REST))):
        if machine is not None:
            told += of_changes(machine, after, seen.at_ns)
        machine = after
    kinds = [one.kind for one in told]
    last = max(n for n, kind in enumerate(kinds) if kind == "pass ended")
    assert kinds[last - 1 : last + 2] == ["step ended", "pass ended", "state"]
    ended, entry = told[last - 1].entry, told[last].entry
    assert (ended["step"], ended["left_out"], entry["step"]) == (4, 2, 4)
    assert {name: entry[name] for name in ("loop", "pass", "times", "is_last", "first_pass")} == {
        "loop": 1,
        "pass": 2,
        "times": 3,
        "is_last": True,
        "first_pass": 1,
    }
    assert (round(entry["capacity_ah"], 9), round(entry["first_ah"], 9)) == (0.07, 0.1)
    assert round(entry["charge_in_ah"], 9) == 0.08
    assert entry["left_by"]["kind"] == "capacity"
    assert (entry["left_by"]["value"], round(entry["left_by"]["measured"], 9)) == (0.8, 0.7)


@pytest.mark.parametrize(
    ("kind", "value", "number", "measured", "words"),
    [
        ("CAPACITY", 0.75, 2, 0.7, "a pass's capacity is at or below 75 % of the first pass's"),
        ("TIME", 200.0, 2, 252.0, "its steps have taken 3 min 20 s"),
        ("CHARGE_OUT", 0.15, 2, 0.17, "0.150 Ah have been taken out"),
        ("CHARGE_IN", 0.07, 2, 0.08, "70.0 mAh have been put in"),
        ("ENERGY_OUT", 0.5, 2, 0.595, "0.50 Wh have been taken out"),
        ("ENERGY_IN", 0.2, 2, 0.28, "0.20 Wh have been put in"),
        ("CUT_OFF_VOLTAGE", 3.1, 1, None, "the voltage has fallen to 3.100 V"),
    ],
)
def test_each_condition_ends_the_loop_at_its_own_quantity(kind, value, number, measured, words):
    """40 mAh in and 100, then 70 mAh out in each pass, at 3.5 V until the cut-off of 3 V."""
    end = LoopEnd(LoopEndKind[kind], value)
    entries = _passes_told(LoopOf((CHARGE, fading(100, 70)), 3, (end,)))
    assert [one["pass"] for one in entries] == list(range(1, number + 1))
    left_by = entries[-1]["left_by"]
    assert (left_by["kind"], left_by["value"], left_by["words"]) == (kind.lower(), value, words)
    near = None if measured is None else pytest.approx(measured, rel=0.02)
    assert left_by["measured"] == near


def test_what_came_of_a_pass_is_said_in_words():
    """Its capacity and its share where it has them, and whether the loop goes on."""
    told = [one["reason"] for one in _passes_told(LoopOf((CHARGE, fading(100, 80)), 2, ()))]
    assert told == [
        "pass 1 of at most 2: 0.100 Ah",
        "pass 2 of at most 2: 80.0 mAh, 80.0 % of the 0.100 Ah of pass 1; the loop ends with it",
    ]
    (only,) = _passes_told(LoopOf((CHARGE,), 1, ()))
    assert (only["reason"], only["capacity_ah"]) == (
        "pass 1 of at most 1; the loop ends with it",
        None,
    )


def _passes_told(loop: LoopOf) -> list[dict[str, Any]]:
    """The journal's lines about the passes of a loop."""
    machine, told = None, []
    for after, seen, _ in carry_out(*plan_of((loop, REST))):
        if machine is not None:
            told += of_changes(machine, after, seen.at_ns)
        machine = after
    return [dict(one.entry) for one in told if one.kind == "pass ended"]


ENDS = st.one_of(
    st.sampled_from([0.31, 0.57, 0.83]).map(retention),
    st.integers(1, 40).map(lambda n: LoopEnd(LoopEndKind.TIME, n * 10.5)),
    st.integers(1, 40).map(lambda n: LoopEnd(LoopEndKind.CHARGE_OUT, (n * 5 + 0.5) / 1000)),
    st.integers(1, 40).map(lambda n: LoopEnd(LoopEndKind.CHARGE_IN, (n * 5 + 0.5) / 1000)),
    st.just(LoopEnd(LoopEndKind.CUT_OFF_VOLTAGE, 3.0)),
)
STEPS = st.builds(
    lambda way, seconds, volts: Step(
        way, tuple(seconds), tuple(volts) if way is Direction.DISCHARGE else (False,)
    ),
    st.sampled_from(list(Direction)),
    st.lists(st.integers(2, 30), min_size=1, max_size=6),
    st.lists(st.booleans(), min_size=1, max_size=6),
)
LOOPS = st.recursive(
    STEPS,
    lambda parts: st.builds(
        lambda inner, times, ends: LoopOf(tuple(inner), times, tuple(ends)),
        st.lists(parts, min_size=1, max_size=3),
        st.integers(1, 4),
        st.lists(ENDS, max_size=2),
    ),
    max_leaves=5,
)
TREES = st.lists(LOOPS, min_size=1, max_size=3).map(tuple)


class _Journal:
    """The lines of a record of which nothing else is asked."""

    rows = ()

    def __init__(self, ended: list[Any]) -> None:
        self._ended = ended

    def all(self, kind: str) -> list[Any]:
        return self._ended if kind == "step ended" else []

    def last(self, _kind: str) -> None:
        return None


@settings(max_examples=75, deadline=None)
@given(TREES, st.integers(0, 200))
def test_a_run_taken_up_at_any_step_does_what_is_left_of_the_whole_one(parts, where):
    """Counted again from the journal's lines alone, as they come back from the disk."""
    plan, steps = plan_of(parts)
    whole = [one for _, _, ended in carry_out(plan, steps) for one in ended]
    cut = min(where, len(whole))
    lines = [json.loads(json.dumps(plain(_of_step(one).entry))) for one in whole[:cut]]
    stopped = broken_off(_Journal(lines), plan, None)
    kept = json.loads(json.dumps(plain_state(stopped.account.loops)))
    rest = RestOfPlan(
        plan, stopped.number - 1, plan.limits, None, RunAccount(loops=state_from(kept))
    )
    times: dict[int, int] = {}
    for one in whole[:cut]:
        times[int(one.step.label)] = times.get(int(one.step.label), 0) + 1
    went = [one for _, _, ended in carry_out(rest, steps, times) for one in ended]
    assert [one.step.number for one in went] == [one.step.number for one in whole[cut:]]
    assert [one.passes for one in went] == [one.passes for one in whole[cut:]]


@settings(max_examples=120, deadline=None)
@given(TREES)
def test_random_loops_are_carried_out_as_a_person_would_by_hand(parts):
    """The same steps in the same order, whatever is measured; so never more than n passes."""
    plan, steps = plan_of(parts)
    went = [one for _, _, ended in carry_out(plan, steps) for one in ended]
    assert [int(one.step.label) for one in went] == by_hand(parts, steps)
    for one in went:
        for told in one.passes:
            assert told.place.number <= told.place.times
