"""What voltages show of a current that nobody admits: every edge of it, in closed form."""

from math import inf, nan

import pytest

from drivers.off.voltage_witness import (
    current_by_drop,
    fits_off,
    lead_drop,
    left_by_step,
    margin_v,
    off_between,
)
from sequencer.documents.safing import Before, LeadDrop
from tests.drivers.off.testimony import LOAD, METER

MARGIN_V = 0.004
CHARGED = Before(3.750, 2.0, 0.05, MARGIN_V)
DISCHARGED = Before(3.650, -2.0, 0.05, MARGIN_V)
FAR = LOAD._replace(name="far", offset_v=0.002, gain_v=0.0005)
NEAR = METER._replace(name="near", offset_v=0.001, gain_v=0.0002)
RESTED = [(3.702, 3.700), (3.704, 3.701), (3.703, 3.701), (3.706, 3.702)]
"""Differences of 2, 3, 2 and 4 mV: a mean of 2.75 mV, of the nearer ones 3.701 V."""
ZERO_V, SCATTER_V = 0.00275, (2.75e-6 / 3.0) ** 0.5
"""The sum of squares about the mean is 2.75e-6 V2; over three (worked here)."""


def test_a_voltage_may_differ_by_five_millivolts_and_the_offsets_of_both_readings():
    """5 mV + 2 x 1 mV."""
    assert margin_v(NEAR) == pytest.approx(0.007)
    assert margin_v(FAR) == pytest.approx(0.009)


def test_off_lies_beyond_the_least_step_on_the_side_that_the_current_came_from():
    """0.55 x 50 mOhm x 2 A = 55 mV, less the margin of 4 mV."""
    low, high = off_between(CHARGED)
    assert (low, high) == pytest.approx((-inf, 3.750 - 0.051))
    low, high = off_between(DISCHARGED)
    assert (low, high) == pytest.approx((3.650 + 0.051, inf))


@pytest.mark.parametrize(
    ("ohm", "least_v"), [(0.008, 0.0048), (0.0072, -MARGIN_V), (0.0, -MARGIN_V)]
)
def test_a_step_that_is_not_visible_asks_only_that_nothing_moved_the_other_way(ohm, least_v):
    """Visible is more than two margins: 8.8 mV are, 7.92 mV are not."""
    _, high = off_between(CHARGED._replace(ohm=ohm))
    assert high == pytest.approx(3.750 - least_v)


def test_a_step_of_just_two_margins_is_not_visible():
    """0.55 x 0.5 Ohm x 2 A = 0.55 V: exact in binary, as twice the margin is."""
    exact = Before(3.75, 2.0, 0.5 / 0.55, 0.25)
    step_v = 0.55 * exact.ohm * 2.0
    _, high = off_between(exact._replace(margin_v=step_v / 2.0))
    assert high == 3.75 + step_v / 2.0


def test_without_current_before_off_counts_as_after_a_discharge():
    """Nothing can have stepped; the voltage must not fall."""
    low, high = off_between(CHARGED._replace(amps=0.0))
    assert (low, high) == pytest.approx((3.750 - MARGIN_V, inf))


def test_a_voltage_at_the_very_edge_fits():
    """On either side; one that is gone fits everywhere."""
    edge = off_between(CHARGED)[1]
    assert fits_off(CHARGED, edge)
    assert not fits_off(CHARGED, edge + 1e-6)
    edge = off_between(DISCHARGED)[0]
    assert fits_off(DISCHARGED, edge)
    assert not fits_off(DISCHARGED, edge - 1e-6)
    assert fits_off(DISCHARGED, 0.4999)
    assert not fits_off(DISCHARGED, 0.5)


@pytest.mark.parametrize(
    ("before", "volts", "left_a"),
    [
        (CHARGED, 3.700, 2.0 - 0.046 / 0.1),
        (CHARGED, 3.749, 2.0),
        (CHARGED, 3.000, 0.0),
        (DISCHARGED, 3.700, 2.0 - 0.046 / 0.1),
        (DISCHARGED, 3.600, 2.0),
        (DISCHARGED, 4.000, 0.0),
    ],
)
def test_what_a_step_leaves(before, volts, left_a):
    """The step less the margin, through twice the resistance, is gone; never more than there was,
    and never less than nothing."""
    assert left_by_step(before, volts) == pytest.approx(left_a)


def test_a_step_bounds_nothing_where_none_was_seen_at_switching_on():
    """No resistance, or none that is a number; and no current is no current."""
    assert left_by_step(CHARGED._replace(ohm=0.0), 3.0) == inf
    assert left_by_step(CHARGED._replace(ohm=nan), 3.0) == inf
    assert left_by_step(CHARGED._replace(amps=0.0), 3.0) == 0.0


def test_what_a_run_teaches_of_a_pair_of_leads():
    """Zero, scatter and place of the zero from the rests; the resistance between the stated one and
    the measured ones, a tenth beyond either."""
    driven = [(3.702 + 0.00275 + 0.062, 3.702, 2.0), (3.702 + 0.00275 - 0.066, 3.702, -2.0)]
    found = lead_drop(FAR, NEAR, RESTED, driven, 0.032)
    assert found is not None
    assert (found.far, found.near) == ("far", "near")
    assert found.zero_v == pytest.approx(ZERO_V)
    assert found.at_v == pytest.approx(3.701)
    assert found.scatter_v == pytest.approx(SCATTER_V)
    assert found.gain == pytest.approx(0.0007)
    assert (found.ohm, found.most_ohm) == pytest.approx((0.031 * 0.9, 0.033 * 1.1))


def test_few_readings_that_are_all_equal_scatter_by_a_twentieth_of_the_stated_offsets():
    """3 mV of offsets: 0.15 mV."""
    found = lead_drop(FAR, NEAR, [(3.703, 3.700)] * 4, [], 0.030)
    assert found is not None
    assert found.scatter_v == pytest.approx(0.00015)
    assert (found.ohm, found.most_ohm) == pytest.approx((0.027, 0.033))


@pytest.mark.parametrize(
    ("rested", "stated_ohm"), [(RESTED[:3], 0.03), (RESTED, 0.0), (RESTED, nan), (RESTED, -0.01)]
)
def test_too_little_teaches_nothing(rested, stated_ohm):
    """Fewer than four readings at rest, or no resistance from anywhere; a measured one that is none
    counts for nothing."""
    assert lead_drop(FAR, NEAR, rested, [], stated_ohm) is None
    assert lead_drop(FAR, NEAR, rested, [(3.702 + 0.00275 - 0.06, 3.702, 2.0)], 0.0) is None


def test_a_resistance_of_less_than_an_ohm_is_one():
    """And so is one of more."""
    for ohm in (0.5, 1.5):
        found = lead_drop(FAR, NEAR, RESTED, [], ohm)
        assert found is not None
        assert found.most_ohm == pytest.approx(1.1 * ohm)


def test_the_current_that_a_drop_shows():
    """Both ways: 64 mV beyond the zero, less and more three scatters of 1 mV and 0.1 % of the 0.5 V
    by which the cell is elsewhere, over the largest and the smallest resistance."""
    lead = LeadDrop("far", "near", 0.002, 3.2, 0.001, 0.001, 0.030, 0.040)
    unsure_v = 3.0 * 0.001 + 0.001 * 0.5
    for sign in (1.0, -1.0):
        for near_v in (3.7, 2.7):
            least, most = current_by_drop(lead, near_v + 0.002 + sign * 0.064, near_v)
            assert least == pytest.approx((0.064 - unsure_v) / 0.040)
            assert most == pytest.approx((0.064 + unsure_v) / 0.030)
    least, most = current_by_drop(lead, 3.7 + 0.003, 3.7)
    assert (least, most) == pytest.approx((0.0, (0.001 + unsure_v) / 0.030))
