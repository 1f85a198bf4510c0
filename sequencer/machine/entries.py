"""What the record says of a run's decisions: journal entries, and where a row of samples belongs.

The executive writes them while a run goes on and a replay makes them again afterwards; both get
them here, so that a difference between the two is a difference in what was decided.
"""

from collections.abc import Iterator, Sequence
from math import inf
from typing import Any, NamedTuple

from sequencer.machine.machine import Machine
from sequencer.machine.step_result import StepResult
from sequencer.machine.stops import describe
from sequencer.plan.counted_charge import plain_account
from sequencer.plan.loops import LoopPlace, PassEnded
from sequencer.plan.loops import describe as describe_end
from sequencer.plan.step import TEMPERATURES, Stop
from sequencer.ports import StepMark
from sequencer.vocabulary.commands import Command, CurrentLimitRow, Drive
from sequencer.vocabulary.intent import CONTINUE_REFUSED, WAITING, State
from sequencer.vocabulary.verdict import Exit, Level, Proof, Trip

_new = tuple.__new__  # a named tuple without the call in between: this is made every tick
PANEL = "panel"
"""Who tripped: an interlock, from a sample; a replay must trip too."""
EXECUTIVE = "executive"
"""Who tripped: something outside the panel; a replay takes it as it stands."""

PERSON = "person"
"""The kind of the stop of a step that waits for a person."""
PASS_ENDED = "pass ended"
"""The kind of the entry that says what came of a pass of a loop with conditions."""

EXITS = {
    State.DONE: Exit.DONE,
    State.ABORTED: Exit.ABORTED,
    State.TRIPPED: Exit.TRIPPED,
    State.FAULTED: Exit.FAULTED,
    State.UNPROVEN: Exit.UNPROVEN,
    State.REFUSED: Exit.REFUSED,
}
"""The exit code of each final state."""


def phase_of(machine: Machine) -> str:
    """What the run is doing, in the words that the watchdog is told."""
    step = machine.step if machine.state is State.RESTING else None
    return WAITING if step is not None and step.waits_for_person else machine.state.words


class Note(NamedTuple):
    """One line of the journal: its kind, and its content as plain data."""

    kind: str
    entry: dict[str, Any]


def of_changes(before: Machine, machine: Machine, at_ns: int) -> Sequence[Note]:
    """What one sample changed: the steps that it ended, then the state and step that began."""
    ended = [note for result in machine.ended for note in _of_result(result)]
    if machine.step is before.step and machine.state is before.state:
        return [*ended, *_of_refusal(before, machine)]
    return [*ended, _of_state(machine, at_ns)]


def _of_refusal(before: Machine, machine: Machine) -> Iterator[Note]:
    """That a person asked to go on and may not, whenever it was asked."""
    pause, known = machine.pause, before.pause
    known_ns = known.refused_ns if known is not None else 0
    if pause is not None and pause.refused_ns != known_ns and pause.refused:
        yield Note(CONTINUE_REFUSED, {"at_ns": pause.refused_ns, "reason": pause.refused})


def _of_state(machine: Machine, at_ns: int) -> Note:
    step = machine.step
    entry: dict[str, Any] = {"at_ns": at_ns, "state": machine.state.value}
    if step is not None:
        entry |= {
            "step": step.number,
            "words": step.words,
            "sentence": step.sentence,
            "label": step.label,
            "bound_s": step.bound_s,
            "drive": _of_drive(step.drive),
            "stops": [_of_stop(stop) for stop in step.stops],
            "begun_again": step.is_begun_again,
            "loops": [_of_place(one) for one in step.loops],
        }
    return Note("state", entry)


def _of_place(place: LoopPlace) -> dict[str, Any]:
    """Which pass of at most how many, and what ends the loop, in words."""
    until = [describe_end(one) for one in place.ends]
    return {"pass": place.number, "times": place.times, "until": until}


def _of_drive(drive: Drive) -> dict[str, Any]:
    """``table``, the rows that its current follows, and the load's own timer only where it has
    them."""
    table = {"table": [_of_row(row) for row in drive.table]} if drive.table else {}
    timer = {"on_time_s": drive.on_time_s} if drive.on_time_s else {}
    return {
        "direction": drive.direction.value,
        "current_a": drive.current_a,
        "voltage_v": drive.voltage_v,
        "held": drive.held.value,
        "value": drive.held_value,
        **table,
        **timer,
    }


def _of_row(row: CurrentLimitRow) -> dict[str, Any]:
    return {**row._asdict(), "direction": row.direction.value}


def _of_stop(stop: Stop) -> dict[str, Any]:
    """Kind and value (s, V, A, Ah, Wh, degC), and both in words; of a temperature also its upper
    edge, and how long it has to stay (s)."""
    entry = {"kind": stop.kind.name.lower(), "value": _finite(stop.value), "words": describe(stop)}
    if stop.kind in TEMPERATURES:
        entry |= {"most": _finite(stop.most), "lasts_s": stop.lasts_s}
    return entry


def _of_result(result: StepResult) -> Iterator[Note]:
    yield _of_step(result)
    for one in result.passes:
        yield _of_pass(one, result)


def _of_pass(ended: PassEnded, result: StepResult) -> Note:
    """A pass of a loop: its capacity, what the loop has counted since it began, and whether, by
    which condition and at which value the loop is over. s, Ah, Wh, V; a retention is a share."""
    place, account, left_by = ended.place, ended.account, ended.left_by
    entry: dict[str, Any] = {
        "at_ns": result.ended_ns,
        "step": result.step.number,
        "pass": place.number,
        "times": place.times,
        **account._asdict(),
        "capacity_ah": account.capacity_ah or None,
        "first_ah": account.first_ah or None,
        "first_pass": account.first_pass or None,
        "retention": _finite(account.retention),
        "is_last": ended.is_last,
        "left_by": None,
        "reason": ended.reason,
    }
    if left_by is not None:
        entry["left_by"] = {
            "kind": left_by.kind.name.lower(),
            "value": left_by.value,
            "measured": _finite(account.measured(left_by)),
            "words": describe_end(left_by),
        }
    return Note(PASS_ENDED, entry)


def _of_step(result: StepResult) -> Note:
    step, tally, crossing = result.step, result.tally, result.crossing
    entry = {
        "step": step.number,
        "cycle": step.cycle,
        "words": step.words,
        "label": step.label,
        "stopped_by": _of_stop(result.stop),
        "skipped": result.is_skipped,
        "reason": result.reason,
        "left_out": result.left_out,
        "began_ns": tally.began_ns,
        "ended_ns": result.ended_ns,
        **tally.moved._asdict(),
        "crossed_ns": crossing.at_ns,
        "crossed_ah": crossing.moved.charge_in_ah - crossing.moved.charge_out_ah,
        "crossed_wh": crossing.moved.energy_in_wh - crossing.moved.energy_out_wh,
        "start_v": _finite(tally.start_v),
        "end_v": _finite(tally.voltage_v),
        "end_a": _finite(tally.current_a),
        "highest_c": _finite(tally.highest_c),
        "low_v": _finite(tally.low_v),
        "high_v": _finite(tally.high_v),
        "interrupted": tally.interrupted,
    }
    if result.charge is not None:
        entry["counted"] = {"to": step.state_of_charge, "account": plain_account(result.charge)}
    return Note("step ended", entry)


def of_command(command: Command, at_ns: int) -> Note:
    """An order to the bench."""
    entry = {"at_ns": at_ns, **_of_drive(command.drive), "connected": command.connected}
    return Note("command", entry)


def of_trip(trip: Trip, by: str) -> Note:
    """The first cause, and who found it: PANEL or EXECUTIVE."""
    return Note("trip", {**trip._asdict(), "ending": trip.ending.value, "by": by})


def of_proof(proof: Proof) -> Note:
    """The evidence for *off*."""
    entry: dict[str, Any] = {**proof._asdict(), "level": proof.level.value}
    del entry["limits"]
    return Note("proof", {**entry, "lying_a": _bounded(proof.lying_a)})


def of_alarm(alarm: str, at_ns: int) -> Note:
    """A cell that keeps warming with all outputs off."""
    return Note("alarm", {"at_ns": at_ns, "reason": alarm})


def of_aftermath(words: str, since_ns: int, at_ns: int) -> Note:
    """How the cell was left after an ending that was not the plan's own."""
    return Note("left", {"at_ns": at_ns, "words": words, "since_ns": since_ns})


def exit_of(state: State, proof: Proof | None) -> Exit:
    """The exit code of an ending. A refusal after which nobody at all answers for off is 7, not 3:
    whoever looks at the code alone must not take a silent bench for one that is off. ``proof`` is
    None where nobody was asked: no instrument had been opened."""
    is_silent = state is State.REFUSED and proof is not None and proof.level is Level.NONE
    return Exit.UNPROVEN if is_silent else EXITS[state]


def of_end(machine: Machine, at_ns: int, refusals: Sequence[str], proof: Proof | None) -> Note:
    """How it ended, and why when it was not the plan's own end."""
    trip = machine.trip
    entry = {
        "at_ns": at_ns,
        "ending": machine.state.value,
        "exit": int(exit_of(machine.state, proof)),
        "reason": trip.reason if trip else "; ".join(refusals),
    }
    return Note("end", entry)


def mark_of(machine: Machine) -> StepMark:
    """Where in the plan the machine is, for a row of samples."""
    step, tally = machine.step, machine.tally
    if step is None or tally is None:
        number = step.number if step else 0
        return StepMark(number, 1, machine.state.value, "rest", 0, 0.0, 0.0, 0.0, 0.0)
    kind = step.drive.direction.words if machine.state is not State.CHANGEOVER else "rest"
    mark = step.number, step.cycle, step.words, kind, tally.began_ns, *tally.moved, machine.set_a
    return _new(StepMark, mark)


def _bounded(amps: float) -> float | None:
    """A bound, None where there is none."""
    return amps if amps < inf else None


def _finite(value: float) -> float | None:
    return value if -1e30 < value < 1e30 else None
