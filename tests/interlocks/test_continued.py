"""The bound of charge of a resumed run: what was put in before counts until the first discharge."""

import pytest

from sequencer.interlocks.continued import charge_bound_continued
from sequencer.vocabulary.intent import Intent
from tests.builders import S, sample
from tests.interlocks.judging import CHARGING, DISCHARGING, RESTS


def first_trip_h(already_ah: float, *intents: Intent) -> float | None:
    """Hours at 1 A, a minute a sample, until it trips; ``intents`` take 230 minutes each."""
    judge = charge_bound_continued(4.0, 4.0, already_ah)
    judge(sample(0), RESTS)
    for part, intent in enumerate(intents):
        amps = 0.0 if intent is RESTS else 1.0 if intent is CHARGING else -1.0
        for minute in range(1, 231):
            seen = sample(part * 230 * 60 + minute * 60, amps=amps)
            if judge(seen, intent):
                return (seen.at_ns / S / 3600.0) - part * 230 / 60
    return None


@pytest.mark.parametrize(("already_ah", "hours"), [(3.0, 1.0), (1.0, 3.0)])
def test_what_was_put_in_before_counts(already_ah, hours):
    """1 A reaches 4 Ah that much earlier; an hour of 1 A is 1 Ah."""
    assert first_trip_h(already_ah, CHARGING) == pytest.approx(hours, abs=0.06)


def test_without_an_interruption_nothing_counts():
    """230 minutes at 1 A stay below 4 Ah."""
    assert first_trip_h(0.0, CHARGING) is None


def test_a_discharge_ends_it_and_a_rest_does_not():
    """After a discharge a whole charge is allowed again."""
    assert first_trip_h(3.0, DISCHARGING, CHARGING) is None
    assert first_trip_h(3.0, RESTS, CHARGING) == pytest.approx(1.0, abs=0.06)
