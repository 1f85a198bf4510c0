"""Verdicts in sentences that any reader can read: no half grammar, no end of a span without a
word."""

import re

import pytest

from sequencer.analysis.claims.judging import judge
from tests.analysis.claims.figures import FULL, cell, discharge, evidence, figure, pulse

AT_HALF = "{after: 100 ms, state of charge: 50 %, temperature: 25 degC}"


def why(claim, *figures):
    """The sentence of one claim."""
    (found,) = judge(evidence(cell(claim)), figures)
    return found.why


def test_a_span_that_says_nothing_is_told_as_that():
    """From certainly not to certainly is no probability: it cannot be told."""
    said = why(("resistance: 28.0 mOhm", AT_HALF), pulse(0.0283, 0.00001, state_of_charge=0.44))
    assert "That leaves 28 mOhm open: whether it keeps the claim cannot be told." in said
    assert "%" not in said.split("That leaves")[1]


@pytest.mark.parametrize(
    ("value", "said"), [(2.81, " % or more."), (2.759, " % or less."), (2.79, " % and ")]
)
def test_a_span_with_one_open_end_tells_the_other(value, said):
    """Within 0.15 A instead of 0.06 A of termination current; u 10 to 30 mAh."""
    standard = 0.02 if said == " % and " else 0.008
    told = why(("capacity: 2.8 Ah", FULL), discharge(value, standard, termination_a=0.1))
    assert "the probability that it keeps the claim is " in told
    assert said in told
    assert "less than" not in told
    assert "more than" not in told


def test_conditions_that_differ_stand_in_brackets_and_read_as_they_are():
    """Also one that was not measured; never two verbs in a row."""
    unknown = pulse(0.030, surface_c=float("nan"), surface_start_c=float("nan"))
    said = why(("resistance: 28 mOhm", AT_HALF), unknown)
    assert (
        "30.00 ± 0.39 mOhm at a temperature that was not measured, taken as 10 to 30 degC" in said
    )
    assert "(at 25 degC it would show anything from 66 % less to 39 % more). Under" in said
    assert not re.search(r"was measured the|measured charged|, measured ", said)


def test_a_large_share_is_written_out():
    """From 60 degC to 25 degC, 50 kJ/mol: exp(50e3 / 8.314 x (1/298.15 - 1/333.15)) = 8.3 times,
    some 730 % more (worked here)."""
    warm = pulse(0.030, surface_c=60.0, surface_start_c=60.0)
    said = why(("resistance: 28 mOhm", AT_HALF), warm)
    assert re.search(r"it would show \d\d to 7\d0 % more", said), said


def test_what_was_not_measured_needs_no_article():
    """An energy, a mass, an energy per mass: none was measured."""
    for words in ("energy: 10 Wh", "energy per mass: 200 Wh/kg", "mass: 48 g"):
        assert why((words, "none given")).count(" was measured in this run.") == 1


def test_a_sentence_begins_with_a_capital_and_no_other_word_does():
    """Without conditions: the kindest, then the finding, each a sentence of its own."""
    weighed = figure("mass.bare", 47.0, "g", 0.1, None, mass="bare")
    for claim in (("capacity: 3.2 Ah", "none given"), ("mass: 48 g", "none given")):
        said = why(claim, discharge(2.8), weighed)
        assert not re.search(r"[:;,] This", said)
        assert re.match(r"[A-Z]", said)
