"""Numbers as people read them: rounding, units, the interval, ticks."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis.results import Figure
from sequencer.report.axes import axis, close_axis
from sequencer.report.drawing import thinned
from sequencer.report.night import columns
from sequencer.report.numbers import COVERAGE, half_width, in_signs, show, shown, unbroken

MINUS = "\u2212"


@pytest.mark.parametrize(
    ("value", "half", "unit", "said"),
    [
        # GUM 7.2.2 and 7.2.6 (JCGM 100): m_S = (100.021 47 ± 0.000 79) g, H.1's (50.000 838
        # ± 0.000 093) mm: two digits of the uncertainty, the value to the same place.
        (100.02147, 0.00079, "g", "100.02147 ± 0.00079 g"),
        (50.000838, 0.000093, "mm", "50.000838 ± 0.000093 mm"),
        (2.80567, 0.0267, "Ah", "2.806 ± 0.027 Ah"),
        (2.80567, 0.0996, "Ah", "2.81 ± 0.10 Ah"),
        (1234.0, 56.0, "W", "1234 ± 56 W"),
        (0.028, 0.00041, "Ohm", "28.00 ± 0.41 mΩ"),
        (-0.5, 0.012, "K", f"{MINUS}0.500 ± 0.012 K"),
        (2.80567, math.nan, "Ah", "2.806 Ah"),
        (math.nan, 0.1, "Ah", "cannot be told"),
        (0.00002, 0.000005, "A", "20.0 ± 5.0 µA"),
    ],
)
def test_a_number_ends_where_its_uncertainty_does(value, half, unit, said):
    """Two significant digits of ±; the value ends at the same place."""
    assert str(show(value, half, unit)) == said


def test_a_share_is_a_percentage_and_an_exponent_is_not():
    """Both have the unit 1; the key tells them apart."""
    assert str(show(0.9972, 0.0019, "1", key="efficiency.coulombic.4")) == "99.72 ± 0.19 %"
    reached = show(0.3, 0.0023, "1", key="state-of-charge.reached.7")
    assert str(reached) == "30.00 ± 0.23 %"
    assert str(show(1.05, 0.01, "1", key="peukert.exponent")) == "1.050 ± 0.010"


def test_the_interval_of_the_figure_is_what_is_shown():
    """± is half of ``low`` to ``high``; without them the normal factor (1.96, table value)."""
    wide = Figure("k", "l", 10.0, "V", 1.0, 7.0, 13.0)
    assert half_width(wide) == 3.0
    assert half_width(Figure("k", "l", 10.0, "V", 1.0)) == pytest.approx(1.96, abs=1e-3)
    assert str(shown(wide)) == "10.0 ± 3.0 V"
    from scipy.stats import norm

    assert pytest.approx(norm.ppf(0.975), abs=1e-12) == COVERAGE


@given(st.floats(-1e9, 1e9), st.floats(1e-9, 1e6))
def test_what_is_shown_is_the_number(value, half):
    """Within half a place of it, whatever its size."""
    told = show(value, half, "V")
    scale = {"V": 1.0, "mV": 1e3, "µV": 1e6}[told.unit]
    read = float(told.value.replace(MINUS, "-")) / scale
    assert abs(read - value) <= half * 0.06 + abs(value) * 1e-12
    assert float(told.plus_minus) / scale == pytest.approx(half, rel=0.06)


def test_signs_of_print_keep_units_on_their_line():
    """degC and mOhm become signs; a unit sticks to its number, a word does not."""
    words = "22.1 degC, 28 mOhm, 3 V and 5 cells"
    assert in_signs(words) == "22.1 °C, 28 mΩ, 3 V and 5 cells"
    assert unbroken(words) == ("22.1\u00a0°C, 28\u00a0mΩ, 3\u00a0V and 5 cells")
    assert unbroken("took 1 d 10 h 57 min in 3 h") == (
        "took 1\u00a0d\u00a010\u00a0h\u00a057\u00a0min in 3\u00a0h"
    )


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=20), st.booleans())
def test_an_axis_holds_its_values_on_few_round_ticks(values, zero):
    """Every value lies between the ends; ticks rise evenly, and their words are numbers."""
    made = axis(values, zero=zero)
    assert made.low <= min(values) + 1e-6
    assert made.high >= max(values) - 1e-6
    assert 2 <= len(made.ticks) <= 9
    assert len(made.words) == len(made.ticks)
    steps = np.diff(made.ticks)
    assert np.allclose(steps, steps[0], rtol=1e-6, atol=1e-9)
    assert not zero or made.low <= 0.0 <= made.high


def test_a_close_axis_ends_with_its_data():
    """A night of 13.05 h ends at 13.05 h, with ticks as a clock has them."""
    made = close_axis(0.0, 13.05, hours=True)
    assert (made.low, made.high) == (0.0, 13.05)
    assert made.words == ("0", "2", "4", "6", "8", "10", "12") or made.words == (
        "0", "3", "6", "9", "12",
    )  # fmt: skip
    assert made.place(13.05, 0.0, 100.0) == 100.0


def test_thinning_keeps_every_spike():
    """One sample in 100,000 that stands out is still drawn, in either way of thinning."""
    x = np.arange(100_000, dtype=float)
    y = np.sin(x / 1e4)
    y[77_777] = 9.0
    for a, b in (thinned(x, y), columns(x, y)):
        assert len(a) <= 1700
        assert b.max() == 9.0
        assert a[b.argmax()] == 77_777.0
