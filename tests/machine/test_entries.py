"""What the record says of a decision: each line whole, and nothing that JSON cannot hold."""

from math import inf, nan

import pytest

from sequencer.machine import entries
from sequencer.machine.entries import EXECUTIVE, PANEL, Note, exit_of, mark_of, phase_of
from sequencer.machine.pausing import Pause
from sequencer.machine.step_result import StepResult
from sequencer.machine.tally import Crossing, Moved, Tally
from sequencer.plan.counted_charge import ChargeAccount, Measuring, Reference, account_from
from sequencer.plan.loops import LoopEnd, LoopEndKind, LoopPlace
from sequencer.plan.step import Stop, StopKind
from sequencer.ports import StepMark
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive, Held
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import Ending, Exit, Level, Proof, Trip
from tests.builders import S, charge, discharge, rest, sample
from tests.machine.feeding import A, fed, machine_for

CODES = {
    State.DONE: 0,
    State.REFUSED: 3,
    State.ABORTED: 4,
    State.TRIPPED: 5,
    State.FAULTED: 6,
    State.UNPROVEN: 7,
}
"""As README's table of exit codes has them."""
IN = {"direction": "charge", "current_a": 1.5, "voltage_v": 4.2, "held": "voltage", "value": 4.2}
WARM = Stop(StopKind.SURFACE_TEMPERATURE, 18.0, most=30.0, lasts_s=60.0)


def charging():
    """A machine in the middle of a charge: since 2 s, seen at 3 s."""
    return fed(machine_for(charge(1.5, 4.2, 2.0), rest(9, 2)), *map(sample, (1, 2)),
               sample(3, 3.9, 1.5))[0]  # fmt: skip


@pytest.mark.parametrize(("state", "code"), CODES.items())
def test_every_ending_has_its_exit_code(state, code):
    """Whoever looks at the code alone must be able to trust it; off was answered for."""
    assert exit_of(state, A) is Exit(code)
    assert set(entries.EXITS) == set(CODES)


@pytest.mark.parametrize("level", Level)
def test_only_a_refusal_after_which_nobody_answers_is_unproven(level):
    """Where nobody was asked, or anybody answers, it stays a refusal."""
    proof = A._replace(level=level)
    assert exit_of(State.REFUSED, None) is Exit.REFUSED
    wanted = Exit.UNPROVEN if level is Level.NONE else Exit.REFUSED
    assert exit_of(State.REFUSED, proof) is wanted
    assert exit_of(State.FAULTED, proof) is Exit.FAULTED


def test_what_a_step_begins_with_is_one_line():
    """Its drive, its stops with the upper edge of a temperature, its loops."""
    loop = LoopPlace(
        0, 0, 0, 2, 3, (LoopEnd(LoopEndKind.TIME, 60.0),), is_measured=False, cycles_behind=0
    )
    until = (
        WARM,
        WARM._replace(most=inf, kind=StopKind.ROOM_TEMPERATURE),
        Stop(StopKind.TIME, 9.0),
    )
    step = rest(9)._replace(stops=until, label="mine", loops=(loop,), is_begun_again=True)
    before, _ = fed(machine_for(step), sample(1))
    machine, _ = fed(before, sample(2))
    (note,) = entries.of_changes(before, machine, 2 * S)
    stops = note.entry.pop("stops")
    assert [(one["kind"], one["value"], one["most"], one["lasts_s"]) for one in stops[:2]] == [
        ("surface_temperature", 18.0, 30.0, 60.0),
        ("room_temperature", 18.0, None, 60.0),
    ]
    assert stops[2] == {"kind": "time", "value": 9.0, "words": "time 9 s"}
    until_words = note.entry["loops"][0].pop("until")
    assert until_words == ["its steps have taken 1 min"]
    assert note == Note(
        "state",
        {
            "at_ns": 2 * S,
            "state": "resting",
            "step": 1,
            "words": step.words,
            "sentence": step.sentence,
            "label": "mine",
            "bound_s": step.bound_s,
            "drive": {"direction": "rest", "current_a": 0.0, "voltage_v": 0.0, "held": "current",
                      "value": 0.0},
            "begun_again": True,
            "loops": [{"pass": 2, "times": 3}],
        },
    )  # fmt: skip
    assert entries.of_changes(machine, machine, 3 * S) == []


def test_a_state_without_a_step_says_the_state_alone():
    """As before the first and after the last one."""
    before, _ = fed(machine_for(rest(1)), *map(sample, (1, 2)))
    after = before._replace(state=State.FINISHING, step=None, ended=())
    assert entries.of_changes(before, after, 7 * S) == [
        Note("state", {"at_ns": 7 * S, "state": "finishing"})
    ]


def test_another_state_of_one_step_and_another_step_in_one_state_are_told():
    """As when an output goes off in the middle of a step, or one rest follows another."""
    before = charging()
    for after in (
        before._replace(state=State.CHANGEOVER, ended=()),
        before._replace(step=before.step._replace(number=2), ended=()),
    ):
        (note,) = entries.of_changes(before, after, 7 * S)
        assert (note.kind, note.entry["state"]) == ("state", after.state.value)
        assert note.entry["step"] == after.step.number


def test_why_a_step_ended_in_words():
    """What was met with it, and that nothing was switched on for it; nothing else by itself."""
    result = StepResult(
        rest(9),
        Stop(StopKind.VOLTAGE_ABOVE, 4.2),
        9 * S,
        charging().tally,
        Crossing(9 * S, Moved()),
    )
    assert result.reason == "voltage at or above 4.200 V"
    skipped = result._replace(met_with=Stop(StopKind.TIME, 9.0), is_skipped=True)
    assert skipped.reason == "skipped: already at voltage at or above 4.200 V, with time 9 s"


@pytest.mark.parametrize(
    ("step", "side"), [(charge(1.5, 4.2, 2.0), "above"), (discharge(1.0, 3.0), "below")]
)
def test_a_step_that_the_count_makes_needless_says_so(step, side):
    """Nothing was to be moved; that is no charge of 0 Ah."""
    stop = Stop(StopKind.CHARGE, 0.0, state_of_charge=0.3)
    at = Crossing(9 * S, Moved())
    skipped = StepResult(step, stop, 9 * S, charging().tally, at, is_skipped=True)
    assert skipped.reason == f"skipped: already at 30 % or {side}, by the count"


ENDED = {
    "step": 1,
    "cycle": 3,
    "label": "mine",
    "skipped": False,
    "left_out": 2,
    "began_ns": 2 * S,
    "ended_ns": 10 * S,
    "charge_in_ah": 0.5,
    "charge_out_ah": 0.125,
    "energy_in_wh": 2.0,
    "energy_out_wh": 0.25,
    "crossed_ns": 9 * S,
    "start_v": 3.5,
    "end_v": 4.2,
    "end_a": 0.1,
    "highest_c": None,
    "low_v": 3.4,
    "high_v": 4.2,
    "interrupted": False,
}


def test_a_step_that_ended_is_one_line():
    """What moved, where the stop was crossed, the extremes; None for what was never read."""
    moved, until = Moved(0.5, 0.125, 2.0, 0.25), Moved(0.4, 0.1, 1.6, 0.2)
    tally = Tally(2 * S, 9 * S, 9 * S, 4.2, 0.1, moved, start_v=3.5, low_v=3.4, high_v=4.2)
    step = charge(1.5, 4.2, 2.0)._replace(label="mine", cycle=3)
    stop = Stop(StopKind.VOLTAGE_ABOVE, 4.2)
    result = StepResult(step, stop, 10 * S, tally, Crossing(9 * S, until), left_out=2)
    machine = charging()
    (first, *_) = entries.of_changes(machine, machine._replace(ended=(result,)), 10 * S)
    entry = dict(first.entry)
    assert entry.pop("crossed_ah") == pytest.approx(0.3)
    assert entry.pop("crossed_wh") == pytest.approx(1.4)
    words = "voltage at or above 4.200 V"
    told = {
        **ENDED,
        "words": step.words,
        "stopped_by": {"kind": "voltage_above", "value": 4.2, "words": words},
        "reason": f"{words}; 2 steps behind it left out",
    }
    assert (first.kind, entry) == ("step ended", told)


def test_a_step_to_a_state_of_charge_says_what_was_counted():
    """With the share that was wanted; what had been counted comes back from it."""
    counted = Stop(StopKind.CHARGE, 0.5, state_of_charge=0.3)
    step = charge(1.5, 4.2, 2.0)._replace(stops=(counted,))
    account = ChargeAccount(1.8, Measuring(1.0, 3.0, 3), Reference.FULL, -1.26, since=5)
    tally = Tally(2 * S, 9 * S, 9 * S, 4.2, 0.1, Moved(0.5, 0.0, 2.0, 0.0))
    ended = Crossing(9 * S, tally.moved)
    result = StepResult(step, counted, 10 * S, tally, ended, charge=account)
    (first, *_) = entries.of_changes(charging(), charging()._replace(ended=(result,)), 10 * S)
    told = first.entry["counted"]
    assert told["to"] == 0.3
    assert account_from(told["account"]) == account


@pytest.mark.parametrize(
    ("value", "told"),
    [(inf, None), (-inf, None), (nan, None), (1e30, None), (-1e30, None), (-9e29, -9e29), (0, 0)],
)
def test_what_is_no_number_is_none(value, told):
    """JSON has no infinity; what stands for one is none either."""
    assert entries._finite(value) == told


def test_what_is_refused_to_a_person_is_told_once():
    """Each time that it was asked, and not where nothing was."""
    machine = charging()
    paused = machine._replace(pause=Pause(5 * S, 0, 90 * S, refused="too warm", refused_ns=1))
    told = [Note("continue refused", {"at_ns": 1, "reason": "too warm"})]
    assert entries.of_changes(machine, paused, 6 * S) == told
    again = paused._replace(pause=paused.pause._replace(refused_ns=8 * S))
    assert [one.entry["at_ns"] for one in entries.of_changes(paused, again, 8 * S)] == [8 * S]
    assert entries.of_changes(paused, paused, 9 * S) == []
    unasked = machine._replace(pause=Pause(5 * S, 0, 90 * S))
    assert entries.of_changes(machine, unasked, 6 * S) == []
    assert entries.of_changes(paused, machine, 9 * S) == []


def test_an_order_to_the_bench_is_a_line():
    """Its timer only where the load has one."""
    drive = Drive(Direction.CHARGE, 1.5, 4.2, Held.VOLTAGE)
    told = {"at_ns": 4 * S, **IN, "connected": True}
    assert entries.of_command(Command(drive, True), 4 * S) == Note("command", told)
    timed = Drive(Direction.DISCHARGE, 3.0, 3.0, on_time_s=1.5)
    note = entries.of_command(Command(timed, False), 4 * S)
    assert (note.entry["on_time_s"], note.entry["connected"]) == (1.5, False)
    assert "table" not in note.entry


def test_the_first_cause_says_who_found_it():
    """A replay must find what the panel found, and takes the rest as it stands."""
    trip = Trip("voltage high", "because", 9 * S, Ending.TRIPPED)
    for by, word in ((PANEL, "panel"), (EXECUTIVE, "executive")):
        told = {"interlock": "voltage high", "reason": "because", "at_ns": 9 * S,
                "ending": trip.ending.value, "by": word}  # fmt: skip
        assert entries.of_trip(trip, by) == Note("trip", told)


@pytest.mark.parametrize(("lying_a", "told"), [(0.25, 0.25), (inf, None)])
def test_the_proof_is_a_line(lying_a, told):
    """Without what would withdraw it; no bound is none."""
    proof = Proof(Level.B, ("meter reads 3.700 V",), 0.01, lying_a, contradicted=True)
    (kind, entry) = entries.of_proof(proof)
    assert (kind, entry) == (
        "proof",
        {"level": Level.B.value, "evidence": ("meter reads 3.700 V",), "honest_a": 0.01,
         "lying_a": told, "contradicted": True},
    )  # fmt: skip


def test_what_comes_after_the_end_is_a_line():
    """How the cell was left, and that it warms."""
    assert entries.of_alarm("warms", 3 * S) == Note("alarm", {"at_ns": 3 * S, "reason": "warms"})
    left = {"at_ns": 9 * S, "words": "at rest", "since_ns": 4 * S}
    assert entries.of_aftermath("at rest", 4 * S, 9 * S) == Note("left", left)


def test_the_end_says_why_it_was_not_the_plan_s_own():
    """The first cause, else every refusal; its exit code is that of the proof."""
    trip = Trip("voltage high", "because", 9 * S, Ending.TRIPPED)
    tripped = charging()._replace(state=State.TRIPPED, trip=trip)
    assert entries.of_end(tripped, 9 * S, ("no",), A) == Note(
        "end", {"at_ns": 9 * S, "ending": "tripped", "exit": 5, "reason": "because"}
    )
    refused = charging()._replace(state=State.REFUSED)
    silent = A._replace(level=Level.NONE)
    assert entries.of_end(refused, 2 * S, ("no", "nor that"), silent).entry == {
        "at_ns": 2 * S,
        "ending": "refused",
        "exit": 7,
        "reason": "no; nor that",
    }


def test_where_a_row_belongs():
    """Step, cycle, words, what is done, since when, what moved, and the current that is set."""
    start = machine_for(charge(1.5, 4.2, 2.0)._replace(cycle=2, number=4))
    none = StepMark(0, 1, "checking", "rest", 0, 0.0, 0.0, 0.0, 0.0)
    assert mark_of(start) == none
    machine, _ = fed(start, *map(sample, (1, 2)), sample(3, 3.9, 1.5), sample(4, 3.9, 1.5))
    step, tally = machine.step, machine.tally
    mark = mark_of(machine)
    assert mark[:5] == (4, 2, step.words, "charge", tally.began_ns)
    assert mark[5:9] == tuple(tally.moved)
    assert mark[5] > 0.0
    assert mark[9:] == (machine.set_a,)
    waiting = machine._replace(tally=None, state=State.CHANGEOVER)
    assert mark_of(waiting) == none._replace(count=4, name="changeover")
    assert mark_of(machine._replace(state=State.CHANGEOVER)).kind == "rest"


def test_what_the_watchdog_is_told_that_a_run_does():
    """A rest that a person ends is a wait; no other state is, whatever the step says."""
    person = rest(9)._replace(stops=(Stop(StopKind.PERSON, nan),))
    waits, _ = fed(machine_for(person), *map(sample, (1, 2)))
    rests, _ = fed(machine_for(rest(9)), *map(sample, (1, 2)))
    assert waits.state is rests.state is State.RESTING
    assert phase_of(waits) != phase_of(rests) == State.RESTING.words
    assert phase_of(waits._replace(state=State.PAUSED)) == State.PAUSED.words
    assert phase_of(waits._replace(step=None)) == State.RESTING.words
    out, _ = fed(machine_for(discharge(1.0, 3.0)), *map(sample, (1, 2)))
    assert phase_of(out) == State.DISCHARGING.words
    assert RESTING.direction is Direction.REST
