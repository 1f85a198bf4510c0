"""What is called a resistance, and what is charge on the curve of the rest voltage."""

import math

import pytest

from sequencer.analysis.edges import Edge, EdgeReading
from sequencer.analysis.rest_curve import MOST, MOST_LATE, STOOD_STILL, why_no_resistance


def edge(before_v, voltage_v, third_v=math.nan, *, is_off=False, after_s=10.0):
    """An edge with one reading."""
    reading = EdgeReading(after_s, voltage_v, 0.0 if is_off else -1.0, 0.0, third_v)
    before_a = -1.0 if is_off else 0.0
    return Edge(2, 0.0, "discharge", is_off, before_v, before_a, (reading,), 1.0, 30.0)


def said(pulse, recovery=None):
    """Why the reading of ``pulse`` tells no resistance."""
    return why_no_resistance(pulse, pulse.readings[0], recovery)


@pytest.mark.parametrize("sign", [1.0, -1.0], ids=["charge", "discharge"])
@pytest.mark.parametrize(("beside", "is_told"), [(-0.01, True), (0.01, False)])
def test_a_third_that_does_not_come_back_is_the_most(sign, beside, is_told):
    """Both sides of the limit; what the course of the voltage says counts no more then."""
    left = 0.1 * (MOST + beside)
    pulse = edge(3.3, 3.3 + sign * 0.1, 3.3)
    recovery = edge(3.3 + sign * 0.12, 3.3 + sign * (0.02 + left), is_off=True)
    assert (said(pulse, recovery) == "") is is_told


@pytest.mark.parametrize(("beside", "is_told"), [(-0.01, True), (0.01, False)])
def test_without_a_recovery_the_course_of_the_voltage_tells(beside, is_told):
    """Also where the recovery was not read at that time."""
    late = 0.1 * (MOST_LATE + beside)
    pulse = edge(3.3, 3.2, 3.2 + late)
    assert (said(pulse) == "") is is_told
    assert (said(pulse, edge(3.2, 3.3, is_off=True, after_s=1.0)) == "") is is_told


def test_what_nobody_can_tell_is_not_refused():
    """Nothing read by a third of the time, a current that went off."""
    assert said(edge(3.3, 3.2)) == ""
    assert said(edge(3.2, 3.3, 3.2, is_off=True)) == ""


def test_a_voltage_that_did_not_move_at_all_was_not_measured():
    """When the current came as when it went; it was told as 0.0 Ohm."""
    assert said(edge(3.3, 3.3, 3.3)) == STOOD_STILL
    assert said(edge(3.3, 3.3, 3.3, is_off=True)) == STOOD_STILL
