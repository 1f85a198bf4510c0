"""What the journal says of a step as numbers, read back."""

import math
from dataclasses import replace

import pytest

from sequencer.analysis.commanded import Commanded, StepEnding, commanded
from sequencer.analysis.results import JournaledStop, StepEnd
from sequencer.plan.step import StopKind

NAN = math.nan
CUT_OFF, TIME = JournaledStop("voltage_below", 3.0), JournaledStop("time", 600.0)


def told(drive: tuple[str, float, float], *stops: JournaledStop, **more: object) -> Commanded:
    """What a step with that drive was told; the first of its stops ended it. It held the current
    unless told otherwise."""
    end = StepEnd(1, "", "", "in any words", NAN, NAN, NAN, NAN)
    end = replace(end, direction=drive[0], current_a=drive[1], voltage_v=drive[2], stops=stops)
    end = replace(end, held="current")
    return commanded(replace(end, stopped_by=stops[0], **more), has_journal=True)


def test_a_charge_that_is_held():
    """Current, held voltage and termination current."""
    found = told(("charge", 2.1, 4.2), JournaledStop("current_below", 0.06), TIME, held="voltage")
    assert (found.current_a, found.held_v, found.termination_a) == (2.1, 4.2, 0.06)
    assert found.ended is StepEnding.TERMINATION
    assert math.isnan(found.cut_off_v)


def test_a_charge_to_a_voltage_is_not_held():
    """Its current may fall where the supply crosses over: that is no taper, unless it ended so."""
    stops = JournaledStop("voltage_above", 4.2), JournaledStop("current_below", 1.8)
    found = told(("charge", 2.0, 4.2), *stops)
    assert math.isnan(found.held_v)
    assert math.isnan(found.termination_a)
    assert found.ended is StepEnding.VOLTAGE
    assert told(("charge", 2.0, 4.2), *reversed(stops)).termination_a == 1.8


def test_a_discharge_with_two_ends():
    """The cut-off is known whichever of them it was."""
    found = told(("discharge", 0.04, 3.0), JournaledStop("charge", 1.5), CUT_OFF)
    assert (found.current_a, found.cut_off_v) == (0.04, 3.0)
    assert found.ended is StepEnding.COUNTED
    assert math.isnan(found.held_v)


@pytest.mark.parametrize("held", ["power", "resistance"])
def test_a_discharge_that_holds_something_else_was_told_no_current(held):
    """The drive's current is then a bound: a gap must not be filled with it."""
    found = told(("discharge", 3.4, 3.0), CUT_OFF, held=held)
    assert math.isnan(found.current_a)
    assert found.cut_off_v == 3.0


def test_a_rest_was_told_no_current():
    """Zero commanded is not a current."""
    assert math.isnan(told(("rest", 0.0, 0.0), TIME).current_a)


@pytest.mark.parametrize("kind", list(StopKind))
def test_every_stop_of_the_plan_is_an_end(kind):
    """By the kinds that the journal writes."""
    found = told(("discharge", 1.0, 3.0), JournaledStop(kind.name.lower(), 1.0))
    assert found.ended in (StepEnding.VOLTAGE, StepEnding.TERMINATION, StepEnding.COUNTED)


def test_what_is_skipped_has_not_ended_by_itself():
    """It moved nothing; nor is a stop known that no plan has, or that nothing names."""
    assert told(("discharge", 1.0, 3.0), CUT_OFF, is_skipped=True).ended is StepEnding.UNFINISHED
    odd = JournaledStop("moon", 1.0)
    assert told(("discharge", 1.0, 3.0), odd).ended is StepEnding.UNFINISHED
    none = StepEnd(1, "", "", "", NAN, NAN, NAN, NAN)
    assert commanded(none, has_journal=True).ended is StepEnding.UNKNOWN


def test_a_step_that_never_ended():
    """With a journal it is unfinished; without one nothing is known."""
    assert commanded(None, has_journal=True).ended is StepEnding.UNFINISHED
    assert commanded(None, has_journal=False).ended is StepEnding.UNKNOWN


def test_a_step_begun_again_is_marked():
    """What it moves is no capacity."""
    assert told(("charge", 1.0, 4.2), TIME, is_begun_again=True).is_again
