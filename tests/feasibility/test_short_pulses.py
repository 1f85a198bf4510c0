"""Bursts shorter than the watchdog's reaction: told, refused, or nothing to say."""

import math

import pytest

from sequencer.feasibility.short_pulses import is_stood, short_pulse_s
from sequencer.plan.bursts import REACTION_S
from sequencer.plan.step import PlannedStep, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.watchdog.attendant import LONGEST_SILENCE_S
from tests.plan.documents import CELL

MOST_A = CELL.amps(CELL.absolute.discharge_current)


def step(amps: float = 1.0, seconds: float = 1.0, kind: StopKind = StopKind.TIME) -> PlannedStep:
    """A discharge that ends so."""
    drive = Drive(Direction.DISCHARGE, amps, 2.5)
    return PlannedStep(1, 1, "pulse", "", drive, (Stop(kind, seconds),), 10.0, False)


def test_the_reaction_is_no_shorter_than_the_silence_that_the_watchdog_allows():
    """Killing, opening and proving come on top of it."""
    assert max(LONGEST_SILENCE_S["charging"], LONGEST_SILENCE_S["discharging"]) + 1.2 <= REACTION_S


def test_only_what_ends_by_time_before_the_watchdog_acts_is_a_burst():
    """At the reaction itself it is none; a rest never is."""
    assert short_pulse_s(step(seconds=2.999)) == 2.999
    assert short_pulse_s(step(seconds=REACTION_S)) is None
    assert short_pulse_s(step(kind=StopKind.VOLTAGE_BELOW)) is None
    assert short_pulse_s(step()._replace(drive=Drive())) is None


@pytest.mark.parametrize(("amps", "stood"), [(MOST_A, True), (MOST_A * 1.001, False)])
def test_the_cell_stands_its_absolute_current_and_no_more(amps, stood):
    """Absolute currents have no time limit; NaN is not stood."""
    assert is_stood(step(amps), CELL) is stood
    assert not is_stood(step(math.nan), CELL)
