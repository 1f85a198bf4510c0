"""The formulas against values from outside, the source beside each."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from sequencer.analysis import formulas

SIZES = st.floats(0.1, 100.0)


def test_a_data_sheets_energy_per_mass():
    """5.0 Ah x 3.60 V / 69 g = 260.87 Wh/kg (common practice)."""
    assert formulas.specific_energy(5.0 * 3.60, 69.0) == pytest.approx(260.87, abs=0.005)


def test_two_levels_tell_40_milliohm():
    """IEC 61960 (seen second-hand): Cn 2.5 Ah, 0.2 It then 1 It, 3.700 / 3.620 V: 40.0 mOhm."""
    assert formulas.resistance(3.700 - 3.620, 2.5 - 0.5) == pytest.approx(0.0400)


def test_pulse_power_of_the_hybrid_pulse_method():
    """3.700 to 3.500 V at 10 A, 3.680 to 3.815 V at 7.5 A, limits 2.5 / 4.2 V: 20.0 and 18.0 mOhm,
    150.0 and 121.333 W (US DOE / INL hybrid pulse method; memory; worked from the inputs)."""
    out = formulas.resistance(3.700 - 3.500, 10.0)
    into = formulas.resistance(3.815 - 3.680, 7.5)
    assert out == pytest.approx(0.0200)
    assert into == pytest.approx(0.0180)
    assert formulas.discharge_power(3.700, 2.5, out) == pytest.approx(150.0)
    assert formulas.charge_power(3.680, 4.2, into) == pytest.approx(121.3333, abs=1e-4)


@given(ocv=st.floats(2.0, 4.5), limit=st.floats(0.0, 5.0), ohms=st.floats(1e-3, 1.0))
def test_pulse_power_is_never_negative_and_never_beyond_the_most_a_source_gives(ocv, limit, ohms):
    """A limit at or above the open circuit gives 0 W; P <= OCV^2 / 4R (maximum power theorem)."""
    power = formulas.discharge_power(ocv, limit, ohms)
    assert 0.0 <= power <= ocv * ocv / (4.0 * ohms) * (1 + 1e-12)
    assert (power == 0.0) == (limit >= ocv)
    assert formulas.charge_power(ocv, limit, ohms) >= 0.0


def test_the_exponent_comes_back_from_a_published_example():
    """C 250, n 1.3, 20 A: 5.088631644 h (published worked example); 10 A by the same law,
    t = C / I^n."""
    hours = [5.088631644, 250.0 / 10.0**1.3]
    assert formulas.peukert_exponent([20.0, 10.0], hours) == pytest.approx(1.3, abs=1e-9)


@given(
    exponent=st.floats(1.0, 1.5), constant=SIZES, low=st.floats(0.1, 1.0), times=st.floats(2, 20)
)
def test_the_exponent_comes_back_from_discharges_that_follow_the_law(
    exponent, constant, low, times
):
    """Two or three points on t = C / I^n give n back."""
    currents = [low, low * times, low * times**1.5]
    hours = [constant / one**exponent for one in currents]
    assert formulas.peukert_exponent(currents, hours) == pytest.approx(exponent, rel=1e-9)


def test_one_current_tells_no_exponent():
    """Two discharges at one current leave the slope open."""
    with pytest.raises(ValueError, match="two different currents"):
        formulas.peukert_exponent([1.0, 1.0], [2.0, 2.1])


def test_self_discharge_arithmetic():
    """2.500 to 2.400 Ah in 28 d: 148.81 uA take 4.00 % (100 mAh / 672 h, worked by hand); in the
    30 d of a month, the default, they take 4.286 % (107.14 mAh of 2500)."""
    assert formulas.self_discharge_share(148.81e-6, 2.5, 672.0) == pytest.approx(0.0400, abs=1e-6)
    assert formulas.self_discharge_share(148.81e-6, 2.5) == pytest.approx(0.04286, abs=5e-6)


@pytest.mark.parametrize(("volts_per_ah", "mah"), [(0.2, 5.0), (0.0166667, 60.0)])
def test_a_drift_means_nothing_without_the_slope(volts_per_ah, mah):
    """1 mV of drift is 5 mAh of 3 Ah where the slope is 0.6 V per 100 %, 60 mAh on a plateau of
    0.05 V (worked by hand)."""
    assert formulas.self_discharge_amps(-1e-3, volts_per_ah) * 1000 == pytest.approx(mah, rel=1e-5)


def test_formulas_carry_uncertainties():
    """Values with an uncertainty go through the same arithmetic, logarithm included."""
    ohms = formulas.resistance(ufloat(0.2, 0.002), 10.0)
    assert ohms.std_dev == pytest.approx(0.0002)
    power = formulas.discharge_power(3.7, 2.5, ohms)
    assert power.std_dev / power.nominal_value == pytest.approx(0.01)
    exponent = formulas.peukert_exponent([1.0, math.e], [ufloat(1.0, 0.01), 0.3])
    assert exponent.std_dev == pytest.approx(0.01, rel=1e-6)
    assert formulas.nominal(exponent) == pytest.approx(-math.log(0.3))
