"""How a run ended: the exit code and the words, as bad as what is known of off."""

import pytest

from sequencer.assembly.endings import UNANSWERED, ending_lines
from sequencer.executive import Outcome
from sequencer.machine.entries import exit_of
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import UNPROVEN, Exit, Level, Proof

SILENCE = UNPROVEN._replace(evidence=("supply: no reply",))


def outcome(code: Exit, state: State, proof: Proof) -> Outcome:
    """An ending with that proof."""
    return Outcome(code, state, None, proof, 0, ("supply: no reply",))


@pytest.mark.parametrize(
    ("level", "code"),
    [
        (Level.A, Exit.REFUSED),
        (Level.B, Exit.REFUSED),
        (Level.C, Exit.REFUSED),
        (Level.NONE, Exit.UNPROVEN),
    ],
)
def test_a_refusal_is_3_only_while_somebody_answers_for_off(level, code):
    """An instrument's own word is enough where nothing was switched on; silence is not."""
    proof = SILENCE._replace(level=level)
    assert exit_of(State.REFUSED, proof) is code
    ended = outcome(code, State.REFUSED, proof)
    told = ending_lines(ended)
    assert told[:2] == ["refused before anything was energised", "supply: no reply"]
    assert (told[-len(UNANSWERED) :] == list(UNANSWERED)) is (code is Exit.UNPROVEN)


@pytest.mark.parametrize(
    ("code", "state"),
    [(Exit.DONE, State.DONE), (Exit.UNPROVEN, State.UNPROVEN), (Exit.FAULTED, State.FAULTED)],
)
def test_every_other_ending_keeps_its_code(code, state):
    """Their state says already how well off was proven."""
    assert exit_of(state, SILENCE) is code
    assert UNANSWERED[0] not in ending_lines(outcome(code, state, SILENCE))


def test_a_refusal_before_any_instrument_was_opened_is_3():
    """Nobody was asked, so nobody's silence says anything."""
    assert exit_of(State.REFUSED, None) is Exit.REFUSED
