"""Several instruments at one port: their times add up, and ``check`` says to what."""

import pytest

from sequencer.feasibility.appraisal import appraise
from sequencer.feasibility.finding import Ability, Finding
from tests.feasibility import benches
from tests.plan.documents import CELL, profile

STEPS = "- {step: charge, current: 0.2 C, for: 1 h}"


def found(slowest_s: float | None) -> Finding:
    """What is said of supply and load at one port, each answer of which takes so long."""
    document, definitions = benches.bench(), benches.definitions()
    for number, name in enumerate(("supply", "load"), 1):
        one = document.instruments[name]
        there = {"address": "tcp:192.0.2.9:5025", "channel": number}
        document.instruments[name] = one.model_copy(update=there)
        link = definitions[name].link
        times = {"slowest_answer": slowest_s, "read_time_out": 0.5}
        changed = {"link": link.model_copy(update=times)}
        definitions[name] = definitions[name].model_copy(update=changed)
    told = appraise(profile(STEPS), CELL, document, definitions).findings
    return next(one for one in told if one.subject == "supply, load")


@pytest.mark.parametrize(
    ("slowest_s", "ability", "words"),
    [
        (0.2, Ability.CAN, "a round takes up to 0.4 s and readings are due every 1 s"),
        (0.3, Ability.BARELY, "a round takes up to 0.6 s"),
        (0.5, Ability.CANNOT, "a round takes up to 1 s"),
        (None, Ability.BARELY, "How long an answer takes is not said for all of them"),
    ],
)
def test_their_answers_must_fit_between_two_samples(slowest_s, ability, words):
    """One question each; half of the period is left for what other runs ask."""
    finding = found(slowest_s)
    assert finding.ability is ability
    assert words in finding.words
    assert "keeps the port for 1 s" in finding.words
    assert bool(finding.advice) is (ability is not Ability.CAN)


def test_nothing_is_said_of_ports_that_nobody_shares():
    """As it was."""
    told = benches.findings(STEPS)
    assert not [one for one in told if "one port" in one]
