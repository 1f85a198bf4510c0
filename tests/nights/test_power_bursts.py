"""A contactor that opens within a second of constant power and denies it, on the twin."""

import pytest

from sequencer.vocabulary.verdict import Exit
from tests.nights.test_chamber import night

OPENS = """
fault: opens and denies it
kind: contactor open
admits: no
counted from: discharging
at: 400 ms
"""


@pytest.mark.parametrize("held", ["power: 5 W", "resistance: 2 Ohm", "current: 1.5 A"])
def test_a_contactor_that_opens_in_a_burst_is_missed_whatever_is_held(tmp_path, held):
    """Sampled every 0.1 s. At a power and a resistance the run ended as done."""
    burst = f"{{step: discharge, {held}, for: 1 s, sampling: {{every: 100 ms}}}}"
    steps = ("{step: rest, for: 1 min}", burst, "{step: rest, for: 1 min}")
    went = night(tmp_path, *steps, chamber="", fault=OPENS)
    assert went.outcome.exit is Exit.FAULTED, went.outcome
    assert went.outcome.trip is not None
    assert went.outcome.trip.interlock == "circuit open"
