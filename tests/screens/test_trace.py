"""The plot keeps every extreme of a long night in a few characters."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.screens.plot import plot
from sequencer.screens.trace import Trace


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.floats(0.01, 500.0), st.floats(-5, 5)), min_size=1, max_size=300))
def test_no_extreme_is_ever_lost(steps):
    """However long the run, the lowest and the highest value are still in the trace."""
    trace, at_s, values = Trace(), 0.0, []
    for step_s, value in steps:
        at_s += step_s
        values.append(value)
        trace.add(at_s, value)
    assert trace.span() == (min(values), max(values))
    assert len(trace.bins) <= 240
    assert trace.length_s - trace.width_s <= at_s <= trace.length_s


def test_what_is_not_a_number_is_passed_by():
    """An unread channel draws nothing."""
    trace = Trace()
    trace.add(1.0, float("nan"))
    trace.add(1.0, float("inf"))
    assert trace.span() is None
    assert plot(trace, 80, 5, str, fine=True) == []


def test_a_straight_line_in_stars():
    """From the lower left to the upper right, values at the edge."""
    trace = Trace()
    for second in range(24):
        trace.add(second, float(second))
    assert plot(trace, 31, 4, lambda value: f"{value:.0f} V", fine=False) == [
        "23 V |                    ****",
        "     |            *********   ",
        "     |    *********           ",
        " 0 V |*****                   ",
    ]


def test_dots_are_finer_than_stars():
    """Each character holds two by four dots (Unicode Braille patterns, U+2800 and on)."""
    trace = Trace()
    for second in range(40):
        trace.add(second, 0.0)
        trace.add(second + 0.5, 1.0)
    lines = plot(trace, 25, 2, lambda value: f"{value:.0f}", fine=True)
    assert [line[:3] for line in lines] == ["1 ┤", "0 ┤"]
    assert set(lines[0][3:] + lines[1][3:]) == {"⣿"}


def test_a_quiet_trace_is_drawn_quiet():
    """At rest a cell moves by a millivolt: in a span of 50 mV that is one line, not a rise."""
    trace = Trace()
    for second in range(24):
        trace.add(second, 3.6 + 0.001 * (second > 12))
    lines = plot(trace, 31, 5, lambda value: f"{value:.3f} V", fine=False, least=0.05)
    assert [("*" in line) for line in lines] == [False, False, True, False, False]
    assert (lines[0][:7], lines[-1][:7]) == ("3.626 V", "3.576 V")
