"""Charge and energy: worked values, SciPy and polars on the same arrays, blocks or not."""

import math

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import cumulative_trapezoid, trapezoid

from sequencer.analysis import integrals
from sequencer.analysis.bridging import Bridge
from sequencer.analysis.integrals import running
from sequencer.analysis.segments import Segment


def segment_of(time_s, volts, amps, kind="discharge", **more) -> Segment:
    """A segment without a past."""
    arrays = (np.asarray(one, float) for one in (time_s, volts, amps))
    return Segment(1, 1, kind, "", slice(0, len(time_s)), *arrays, **more)


def test_a_linear_discharge_of_an_hour():
    """2.5 A for 1 h, 4.2 to 2.8 V in a line, 45 g: 2.5 Ah, 8.75 Wh, 194.444 Wh/kg (worked from the
    inputs; the trapezoid is exact). 1 Ah = 3600 C."""
    time_s = np.linspace(0.0, 3600.0, 361)
    whole = running(segment_of(time_s, 4.2 - 1.4 * time_s / 3600, np.full(361, -2.5))).whole()
    assert whole.ah == pytest.approx(2.5, rel=1e-14)
    assert whole.wh == pytest.approx(8.75, rel=1e-14)
    assert whole.wh / 45.0 * 1000 == pytest.approx(194.444, abs=5e-4)
    assert whole.mean_v == pytest.approx(3.5)
    assert whole.volt_hours == pytest.approx(3.5)
    assert whole.amp2_hours == pytest.approx(6.25)
    assert whole.mean_a == pytest.approx(2.5)


def test_one_percent_of_charge_takes_108_seconds():
    """108 s at C/3 move exactly 1 % (ISO 12405 text; seen)."""
    amps = np.full(109, 5.0 / 3.0)
    whole = running(segment_of(np.arange(109.0), np.full(109, 3.6), amps, "charge")).whole()
    assert whole.ah / 5.0 == pytest.approx(0.01, rel=1e-12)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), rows=st.integers(2, 5000))
def test_the_same_as_scipy_and_polars(seed, rows):
    """Uneven times, noisy values, any number of blocks: SciPy 1.17 and polars 2 agree to 1e-12."""
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.05, 2.0, rows))
    volts, amps = rng.normal(3.7, 0.2, rows), -rng.uniform(0.5, 1.0, rows)
    sums = running(segment_of(time_s, volts, amps))
    whole, hours = sums.whole(), time_s / 3600.0
    assert whole.ah == pytest.approx(float(trapezoid(-amps, hours)), rel=1e-12)
    assert whole.wh == pytest.approx(float(trapezoid(-amps * volts, hours)), rel=1e-12)
    frame = pl.DataFrame({"t": hours, "v": volts, "i": -amps})
    mids = (pl.col("i") * pl.col("v")).rolling_mean(2) * pl.col("t").diff()
    assert whole.wh == pytest.approx(float(frame.select(mids.sum()).item()), rel=1e-12)
    kept = cumulative_trapezoid(-amps, hours, initial=0.0)
    assert np.allclose(sums.running_ah(), kept, rtol=1e-12, atol=1e-14)
    place = int(rng.integers(0, rows))
    assert sums.until(place).ah == pytest.approx(float(kept[place]), rel=1e-11, abs=1e-14)


def test_a_crossing_is_interpolated_between_samples():
    """A line from 4.0 to 3.0 V in ten samples crosses 3.25 V after three quarters of it."""
    time_s = np.linspace(0.0, 3600.0, 11)
    sums = running(segment_of(time_s, 4.0 - time_s / 3600, np.full(11, -2.0)))
    assert sums.until(sums.crossing(3.25)).ah == pytest.approx(1.5)
    assert sums.crossing(2.9) is None
    assert sums.crossing(4.1) is None
    assert sums.crossing(4.0) is None


@given(rows=st.integers(2, 4000), where=st.floats(0.01, 0.99))
@settings(deadline=None)
def test_a_crossing_is_found_in_whichever_block_it_lies(rows, where):
    """Monotone: the place is the fraction of the way, however many blocks there are."""
    volts = np.linspace(4.0, 3.0, rows)
    sums = running(segment_of(np.arange(rows, dtype=float), volts, np.full(rows, -1.0)))
    place = sums.crossing(4.0 - where)
    assert place == pytest.approx(where * (rows - 1), abs=1e-6)


def test_a_charge_crosses_upwards_and_counts_inwards():
    """The same from below; what a charge puts in is positive."""
    volts = np.array([3.0, 3.4, 3.8])
    sums = running(segment_of([0.0, 1800.0, 3600.0], volts, np.full(3, 1.0), "charge"))
    assert sums.crossing(3.6) == pytest.approx(1.5)
    assert sums.until(1.5).ah == pytest.approx(0.75)


def test_a_gap_counts_by_its_middle_and_how_far_off_that_may_be():
    """Between 10 s and 110 s nothing was recorded: 0 to 3.6 A, so 1.8 A, 50 mAh either way. At a
    place within it nobody knows how much had flowed: anything of the 100 mAh."""
    time_s = np.array([0.0, 5.0, 10.0, 110.0, 115.0])
    given_ = segment_of(
        time_s, np.full(5, 3.7), np.full(5, -3.6), gaps=(Bridge(10.0, 110.0, -3.6, 0.0),)
    )
    sums = running(given_, "discharge")
    whole, quarter = sums.whole(), sums.until(2.25)
    assert whole.ah == pytest.approx(3.6 * 15.0 / 3600 + 0.05)
    assert whole.hours == pytest.approx(115.0 / 3600)
    assert (whole.open_ah, whole.open_wh) == pytest.approx((0.05, 0.05 * 3.7))
    assert quarter.ah - quarter.open_ah <= 0.010 <= 0.110 <= quarter.ah + quarter.open_ah + 1e-12
    assert sums.until(2.0).open_ah == 0.0


def test_an_empty_stretch_and_one_sample_give_nothing_and_do_not_raise():
    """Zeros; a mean of nothing is NaN."""
    for rows in (0, 1):
        whole = running(segment_of(np.zeros(rows), np.zeros(rows), np.zeros(rows))).whole()
        assert whole.ah == 0.0
        assert math.isnan(whole.mean_a)


def test_parts_of_an_interval_add_up():
    """What flowed until a place and after it is the whole."""
    rows = integrals.BLOCK * 2 + 7
    rng = np.random.default_rng(3)
    sums = running(segment_of(np.arange(rows) * 1.0, rng.normal(3.7, 0.1, rows), -np.ones(rows)))
    first = sums.until(1023.75)
    rest = sums.whole().less(first)
    assert first.hours * 3600 == pytest.approx(1023.75)
    assert first.ah + rest.ah == pytest.approx(sums.whole().ah)
    assert rest.hours * 3600 == pytest.approx(rows - 1 - 1023.75)
