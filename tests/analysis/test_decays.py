"""Exponentials come back from what they made; tapers and rests against closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.analysis.decays import fit, thinned
from sequencer.analysis.integrals import running
from sequencer.analysis.rests import rested
from sequencer.analysis.tapers import Tail, hold_begins, parts
from sequencer.analysis.tapers import tail as tail_of
from tests.analysis.test_integrals import segment_of

TARGET_A, FAST_S, SLOW_S = 0.050, 900.0, 3000.0


def tail(fast_a: float, slow_a: float, cut_a: float):
    """A taper of two time constants cut at a current, and what is left before 50 mA (Ah)."""
    time_s = np.arange(0.0, 40000.0)
    amps = fast_a * np.exp(-time_s / FAST_S) + slow_a * np.exp(-time_s / SLOW_S)
    cut, over = int(np.argmax(amps <= cut_a)), int(np.argmax(amps <= TARGET_A))
    left = float(np.trapezoid(amps[cut : over + 1], time_s[cut : over + 1])) / 3600.0
    return segment_of(time_s[: cut + 1], np.full(cut + 1, 4.2), amps[: cut + 1], "charge"), left


def amplitudes(left_ah: float, cut_a: float) -> tuple[float, float]:
    """Which two amplitudes leave so much after the cut: found by halving."""
    low, high = 0.0, 1.0
    for _ in range(60):
        share = 0.5 * (low + high)
        found = tail(1.5 * share, 1.5 * (1.0 - share), cut_a)[1]
        low, high = (share, high) if found > left_ah else (low, share)
    return 1.5 * share, 1.5 * (1.0 - share)


def test_a_cut_taper_is_told_by_two_models():
    """A tail of 15 and 50 min cut at 200, 150, 100 mA left 85, 61, 34 mAh before 50 mA in a 3 Ah
    cell; one exponential found only 71 to 76 % of it (worked from the inputs; the amplitudes were
    not kept and are found here from the first of the three). The second model finds all."""
    fast, slow = amplitudes(0.085, 0.200)
    shares = []
    for cut_a, wanted in ((0.200, 0.085), (0.150, 0.061), (0.100, 0.034)):
        segment, left = tail(fast, slow, cut_a)
        assert left == pytest.approx(wanted, abs=3e-3)
        found = Tail.of(segment, 0, TARGET_A).missing()
        assert found.two_ah == pytest.approx(left, rel=0.01)
        shares.append(found.one_ah / left)
    assert all(0.65 < share < 0.80 for share in shares)


def test_one_time_constant_is_told_alike_by_both_models():
    """A single exponential, 1 A, 20 min, cut at 0.1 A: tau (i - target) is left (closed form)."""
    time_s = np.arange(0.0, 2763.0)
    amps = np.exp(-time_s / 1200.0)
    segment = segment_of(time_s, np.full(len(time_s), 4.2), amps, "charge")
    found = Tail.of(segment, 0, 0.05).missing()
    wanted = 1200.0 * (float(amps[-1]) - 0.05) / 3600.0
    assert found.one_ah == pytest.approx(wanted, rel=2e-3)


def test_a_taper_that_went_low_enough_left_nothing():
    """Nothing is told where the charge ended at or below C/50 by itself."""
    time_s = np.arange(0.0, 8000.0)
    amps = np.exp(-time_s / 1200.0)
    held = segment_of(time_s, np.full(len(time_s), 4.2), amps, "charge")
    assert tail_of(held, 1.0) is None


@given(
    fast=st.floats(5.0, 40.0),
    ratio=st.floats(5.0, 30.0),
    sizes=st.tuples(st.floats(1e-3, 2e-2), st.floats(1e-3, 2e-2)),
)
@settings(max_examples=25, deadline=None)
def test_two_exponentials_come_back(fast, ratio, sizes):
    """What a rest of six slow time constants was made of is found again, floor and all."""
    slow = fast * ratio
    time_s = np.arange(0.0, 6.0 * slow)
    volts = 3.7 - sizes[0] * np.exp(-time_s / fast) - sizes[1] * np.exp(-time_s / slow)
    found = fit(*thinned(time_s, volts, early=True), 2, has_floor=True)
    assert found is not None
    assert found.floor == pytest.approx(3.7, abs=5e-5)
    assert found.taus[1] == pytest.approx(slow, rel=0.03)


def test_noise_and_rounding_move_a_fit_by_little():
    """20 and 400 s under 50 uV of noise, and under a 0.1 mV display (seeded)."""
    time_s = np.arange(0.0, 1200.0)
    clean = 4.19 - 0.003 * np.exp(-time_s / 20.0) - 0.006 * np.exp(-time_s / 400.0)
    noisy = clean + np.random.default_rng(1).normal(0.0, 5e-5, len(time_s))
    for volts in (noisy, np.round(clean, 4)):
        found = fit(*thinned(time_s, volts, early=True), 2, has_floor=True)
        assert found.floor == pytest.approx(4.19, abs=1e-4)
        assert found.taus == pytest.approx((20.0, 400.0), rel=0.05)


@pytest.mark.parametrize("rows", [0, 1, 4])
def test_too_few_points_give_no_fit(rows):
    """None, never an exception."""
    assert fit(np.arange(float(rows)), np.ones(rows), 2, has_floor=True) is None


def test_a_flat_rest_gives_a_flat_fit_or_none():
    """Nothing moves, nothing is claimed: whatever comes back stays where the voltage is."""
    found = fit(np.arange(600.0), np.full(600, 3.7), 2, has_floor=True)
    assert found is None or found.at(600.0) == pytest.approx(3.7, abs=1e-6)


def test_thinning_keeps_means_and_count():
    """240 points at most; the mean of an even ramp stays."""
    time_s = np.arange(24000.0)
    t, y = thinned(time_s, 2.0 * time_s)
    assert len(t) == 240
    assert y == pytest.approx(2.0 * t)
    t, y = thinned(time_s, 2.0 * time_s, early=True)
    assert len(t) <= 240
    assert y == pytest.approx(2.0 * t)
    assert t[0] == 0.0


def cc_cv(period_s: float):
    """1 A while the voltage rises in a line to 4.2 V at 1003.3 s, then e^(-t/900)."""
    time_s = np.arange(0.0, 3500.0, period_s)
    meets = 1003.3
    volts = np.minimum(3.6 + 0.6 * time_s / meets, 4.2)
    amps = np.where(time_s < meets, 1.0, np.exp(-(time_s - meets) / 900.0))
    return segment_of(time_s, volts, amps, "charge"), meets


@pytest.mark.parametrize("period_s", [0.5, 1.0, 10.0])
def test_the_hold_begins_where_the_line_meets_the_held_voltage(period_s):
    """Not at a sample: the beginning is found within a twentieth of the period."""
    segment, meets = cc_cv(period_s)
    place = hold_begins(segment)
    found_s = np.interp(place, np.arange(len(segment)), segment.time_s)
    assert found_s == pytest.approx(meets, abs=0.05 * period_s)
    split = parts(running(segment))
    assert split.constant_current.ah == pytest.approx(meets / 3600.0, rel=2e-3)
    assert split.held_v == pytest.approx(4.2)


def test_a_charge_without_a_hold_has_none():
    """A constant current to a voltage."""
    time_s = np.arange(0.0, 1000.0)
    assert hold_begins(segment_of(time_s, 3.6 + time_s * 6e-4, np.ones(1000), "charge")) is None


def test_a_long_rest_drifts_in_a_line():
    """36 h at -0.1 mV/h after relaxing: the slope is found, and relaxing is over (closed form)."""
    time_s = np.arange(0.0, 36 * 3600.0, 10.0)
    volts = 4.1 - 0.1e-3 * time_s / 3600.0 - 0.004 * -np.expm1(-time_s / 1800.0)
    found = rested(segment_of(time_s, volts, np.zeros(len(time_s)), "rest"), fits=True)
    assert found.drift.volts_per_hour == pytest.approx(-0.1e-3, rel=2e-3)
    assert math.isfinite(found.drift.standard)


def test_a_short_rest_tells_no_drift():
    """Two hours are a rest, not a drift; two minutes are neither."""
    for seconds, told in ((7200.0, True), (120.0, False)):
        time_s = np.arange(0.0, seconds)
        found = rested(segment_of(time_s, 3.7 + 0 * time_s, 0 * time_s, "rest"), fits=True)
        assert (found is not None) == told
        assert found is None or found.drift is None


def test_a_rest_at_one_voltage_of_which_rows_are_lost_is_fitted_without_a_warning():
    """A step of the fit that no number holds is refused like any other that does not fit (tests
    turn a warning of NumPy into an error; a user saw it on the screen)."""
    lost = (35, 125, 135, 175, 335, 455, 555, 585)
    time_s = np.array([t for t in range(5, 600, 10) if t not in lost], float)
    found = fit(time_s, np.full(len(time_s), 3.2), 2, has_floor=True)
    assert found.at(0.0) == pytest.approx(3.2, abs=1e-6)
