"""A wait for a person: what may be written, what ends it, and what a rehearsal supposes."""

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.machine.machine import CHANGEOVER_NS
from sequencer.plan.likely import COMES_AFTER_S, likely_s
from sequencer.plan.remarks import remarks
from sequencer.plan.step import Stop, StopKind
from sequencer.source.loading import load_text
from sequencer.vocabulary.commands import RESTING
from sequencer.vocabulary.faults import DocumentError
from sequencer.vocabulary.intent import State
from tests.builders import S, rest, sample
from tests.machine.feeding import asks, fed, machine_for
from tests.plan.documents import CELL, plan, profile

WAIT = "- {step: wait, for: person, at most: 8 h, says: put it into the oven}"


def test_it_is_planned_as_a_rest_that_a_person_ends():
    """Within the author's bound, which is no derived one; also within a loop it is remarked."""
    (step,) = plan(WAIT)
    assert (step.drive, step.stops) == (RESTING, (Stop(StopKind.PERSON, 0.0),))
    assert (step.bound_s, step.bound_is_derived) == (28800.0, False)
    assert step.sentence == "Wait for a person, outputs off: put it into the oven"
    assert likely_s([step], 2.0) < 2 * COMES_AFTER_S
    loop = f"- step: repeat\n  times: 2\n  steps:\n  {WAIT}\n"
    (one,) = remarks(profile(loop), CELL)
    assert "where nobody says 'nightbench continue' within 8 h" in one


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("for: person", "for: 8 h", "for '8 h': write 'person'"),
        (", at most: 8 h", "", "key 'at most' is missing"),
        (", says: put it into the oven", "", "key 'says' is missing"),
        ("at most: 8 h", "at most: 8", "no unit"),
    ],
)
def test_what_is_left_out_is_told(old, new, rule):
    """No wait is unbounded, and none leaves the person guessing."""
    with pytest.raises(DocumentError) as refused:
        load_text(f"profile: x\nsteps:\n{WAIT.replace(old, new)}\n", "p.yaml", ProfileDocument)
    assert any(rule in str(one) for one in refused.value.faults)


def waiting(*samples):
    """A machine that waits since the first second, and a rest behind it."""
    (step,) = plan(WAIT)
    machine, _ = fed(machine_for(step, rest(60, 2)), sample(1), sample(2), sample(3), *samples)
    return machine


def test_it_ends_when_a_person_says_so_and_not_before():
    """The word of one sample is enough; nothing else ends it."""
    machine = waiting(*(sample(s) for s in range(4, 2000)))
    assert (machine.step.number, machine.state) == (1, State.RESTING)
    machine = waiting(sample(4), asks(5, "continue"))
    assert (machine.step.number, machine.state) == (2, State.RESTING)


def test_a_run_that_was_paused_meanwhile_waits_on():
    """Continuing ends the pause; continuing again ends the wait."""
    machine = waiting(asks(4, "pause"), sample(5), sample(6))
    assert machine.state is State.PAUSED
    machine, _ = fed(machine, asks(7, "continue"), sample(8), sample(9))
    assert (machine.step.number, machine.state) == (1, State.RESTING)
    machine, _ = fed(machine, asks(10, "continue"))
    assert machine.step.number == 2


def test_it_has_its_bound():
    """The interlock *step time* trips there."""
    machine = waiting()
    bound_ns = machine.intent.step_ends_by_ns - machine.tally.began_ns
    assert 8 * 3600 * S <= bound_ns <= 8 * 3600 * S + CHANGEOVER_NS
