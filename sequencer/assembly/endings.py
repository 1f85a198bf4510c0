"""How a run ended, in words for a person and as plain data."""

from typing import Any, Final

from sequencer.executive import Outcome
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import Level, Proof
from sequencer.watchdog.rescue import proof_entry, proof_lines

_WORDS = {
    State.DONE: "done",
    State.ABORTED: "aborted by a person, safe",
    State.TRIPPED: "tripped, safe",
    State.FAULTED: "instrument or computer fault, safe",
    State.UNPROVEN: "NOT PROVEN OFF",
    State.REFUSED: "refused before anything was energised",
}


UNANSWERED: Final = (
    "\a*** NOT PROVEN OFF: nobody answers for the outputs ***",
    "    nothing was switched on here, and off was sent to whoever listens; but what was on before",
    "    may still be on, and current may flow through the cell",
    "    do now: see that supply and load are off, at the front panel or the mains switch;",
    "    then mend what is named above and prove it: nightbench make-safe BENCH",
)
"""What a person must do after a refusal on a bench that is silent."""


def is_unanswered(proof: Proof) -> bool:
    """Whether nobody at all answers for off: not even an instrument's own word says so."""
    return proof.level is Level.NONE


def ending_lines(outcome: Outcome) -> list[str]:
    """How it ended: the word, the first cause, the proof of off, and what a person must do."""
    lines = [_WORDS[outcome.state]]
    if outcome.trip is not None:
        lines.append(f"first cause: {outcome.trip.interlock}: {outcome.trip.reason}")
    lines += outcome.refusals
    is_silent = outcome.state is State.REFUSED and is_unanswered(outcome.proof)
    return [*lines, *proof_lines(outcome.proof), *(UNANSWERED if is_silent else ())]


def outcome_data(outcome: Outcome) -> dict[str, Any]:
    """The same as plain data."""
    trip = outcome.trip
    return {
        "ending": outcome.state.value,
        "first_cause": {"interlock": trip.interlock, "reason": trip.reason} if trip else None,
        "refusals": list(outcome.refusals),
        "proof": proof_entry(outcome.proof),
    }
