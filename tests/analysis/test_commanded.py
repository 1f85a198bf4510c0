"""The journal's sentences, read back."""

import math

import pytest

from sequencer.analysis.commanded import Ended, commanded, ending
from sequencer.analysis.results import StepEnd

NAN = math.nan


def told(sentence: str, reason: str):
    """What a step with that sentence and reason was told."""
    end = StepEnd(1, sentence, "", reason, NAN, NAN, NAN, NAN)
    return commanded(end, has_journal=True)


def test_a_charge_that_is_held():
    """Current, held voltage and termination current."""
    found = told(
        "Charge at 2.10 A (0.7 C) to 4.200 V, then hold 4.200 V until the current has fallen to "
        "60.0 mA",
        "termination current 60.0 mA",
    )
    assert (found.current_a, found.held_v) == (2.1, 4.2)
    assert found.termination_a == pytest.approx(0.06)
    assert found.ended is Ended.TERMINATION


def test_a_discharge_with_two_ends():
    """The cut-off is known whichever of them it was."""
    found = told(
        "Discharge at 40.0 mA (0.2 C) until the voltage has fallen to 3.000 V or 1.500 Ah have "
        "been taken out",
        "charge 1.5000 Ah",
    )
    assert found.current_a == pytest.approx(0.04)
    assert found.cut_off_v == 3.0
    assert found.ended is Ended.COUNTED
    assert math.isnan(found.held_v)


@pytest.mark.parametrize(
    ("reason", "ended"),
    [
        ("voltage at or below 3.000 V", Ended.VOLTAGE),
        ("voltage at or above 4.200 V", Ended.VOLTAGE),
        ("termination current 0.150 A", Ended.TERMINATION),
        ("time 10 min", Ended.COUNTED),
        ("energy 5.00 Wh", Ended.COUNTED),
        ("skipped: already at voltage at or below 3.800 V", Ended.UNFINISHED),
        ("tripped: surface too hot", Ended.UNFINISHED),
        ("", Ended.UNKNOWN),
    ],
)
def test_reasons(reason, ended):
    """Only a planned stop is an end; an empty reason is not known."""
    assert ending(reason) is ended


def test_a_step_that_never_ended():
    """With a journal it is unfinished; without one nothing is known."""
    assert commanded(None, has_journal=True).ended is Ended.UNFINISHED
    assert commanded(None, has_journal=False).ended is Ended.UNKNOWN


def test_a_step_begun_again_is_marked():
    """Its sentence says so."""
    assert told("Charge at 1.00 A (1 C); begun again after an interruption", "time 1 h").is_again


def test_sentences_of_the_plan_itself():
    """Written by the plan's own words, so that a change there is noticed here."""
    from sequencer.plan import sentences
    from sequencer.plan.step import Stop, StopKind
    from sequencer.vocabulary.commands import Direction, Drive

    charge = Drive(Direction.CHARGE, 0.05, 4.2)
    stops = (Stop(StopKind.CURRENT_BELOW, 0.0025, 3),)
    found = told(sentences.held(charge, stops, 1.0), "termination current 2.50 mA")
    assert (found.current_a, found.held_v) == (pytest.approx(0.05), 4.2)
    assert found.termination_a == pytest.approx(0.0025)
    found = told(sentences.holding(charge, stops), "")
    assert (found.current_a, found.held_v) == (pytest.approx(0.05), 4.2)
    both = (Stop(StopKind.VOLTAGE_BELOW, 2.75, 2), Stop(StopKind.TIME, 60.0))
    found = told(sentences.driven(Drive(Direction.DISCHARGE, 3.0, 2.75), both, 3.0), "time 1 min")
    assert (found.current_a, found.cut_off_v) == (3.0, 2.75)
    assert math.isnan(found.held_v)
