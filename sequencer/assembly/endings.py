"""How a run ended, in words for a person and as plain data."""

from typing import Any

from sequencer.executive import Outcome
from sequencer.vocabulary.intent import State
from sequencer.watchdog.rescue import proof_entry, proof_lines

_WORDS = {
    State.DONE: "done",
    State.ABORTED: "aborted by a person, safe",
    State.TRIPPED: "tripped, safe",
    State.FAULTED: "instrument or computer fault, safe",
    State.UNPROVEN: "NOT PROVEN OFF",
    State.REFUSED: "refused before anything was energised",
}


def ending_lines(outcome: Outcome) -> list[str]:
    """How it ended: the word, the first cause, the proof of off."""
    lines = [_WORDS[outcome.state]]
    if outcome.trip is not None:
        lines.append(f"first cause: {outcome.trip.interlock}: {outcome.trip.reason}")
    lines += outcome.refusals
    return [*lines, *proof_lines(outcome.proof)]


def outcome_data(outcome: Outcome) -> dict[str, Any]:
    """The same as plain data."""
    trip = outcome.trip
    return {
        "ending": outcome.state.value,
        "first_cause": {"interlock": trip.interlock, "reason": trip.reason} if trip else None,
        "refusals": list(outcome.refusals),
        "proof": proof_entry(outcome.proof),
    }
