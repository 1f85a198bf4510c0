"""Sensor curves against published tables; each table names its source beside it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.vocabulary.sensor_curves import (
    beta_celsius,
    beta_ohm,
    platinum_celsius,
    platinum_ohm,
    steinhart_hart_celsius,
    steinhart_hart_ohm,
    thermocouple_celsius,
    thermocouple_millivolt,
)

# IEC 60751, table of resistance values for Pt100 (memory).
PT100 = [
    (-200.0, 18.52),
    (-100.0, 60.26),
    (-20.0, 92.16),
    (0.0, 100.00),
    (25.0, 109.73),
    (50.0, 119.40),
    (60.0, 123.24),
    (-50.0, 80.31),
    (100.0, 138.51),
    (850.0, 390.48),
]

# NIST Monograph 175, ITS-90 reference table for type K (memory).
TYPE_K = [
    (-20.0, -0.77754),
    (25.0, 1.00024),
    (60.0, 2.43647),
    (100.0, 4.09623),
    (500.0, 20.64429),
    (1372.0, 54.88636),
]

# NIST Monograph 175, ITS-90 reference table for type T: to 1 uV from memory, to 10 nV made with an
# implementation that is not ours (package thermocouple-its90 1.0.2, November 2026), with which both
# types agree to 2 pV at every whole degree from -270 degC on.
TYPE_T = [
    (-200.0, -5.60296),
    (-100.0, -3.37858),
    (-40.0, -1.47499),
    (25.0, 0.99198),
    (60.0, 2.46815),
    (100.0, 4.27852),
    (200.0, 9.28810),
    (400.0, 20.87197),
]


@pytest.mark.parametrize(("celsius", "ohm"), PT100)
def test_platinum_shows_the_tables_resistance(celsius, ohm):
    """Each value of the table comes out to its last digit."""
    assert platinum_ohm(celsius) == pytest.approx(ohm, abs=0.005)


@pytest.mark.parametrize(("celsius", "ohm"), PT100)
def test_platinum_temperature_is_within_the_tables_rounding(celsius, ohm):
    """Half a digit of the table (5 mOhm) is at most 13 mK."""
    assert platinum_celsius(ohm) == pytest.approx(celsius, abs=0.013)


@given(st.floats(-200.0, 850.0))
def test_platinum_goes_there_and_back(celsius):
    """The inverse meets the curve over its whole range, below zero too."""
    assert platinum_celsius(platinum_ohm(celsius)) == pytest.approx(celsius, abs=1e-9)


def test_platinum_of_other_sizes_scales():
    """A Pt1000 is a Pt100 times ten (IEC 60751 gives ratios)."""
    assert platinum_celsius(1194.0, 1000.0) == pytest.approx(platinum_celsius(119.40), abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "celsius", "millivolt"),
    [*(("K", *one) for one in TYPE_K), *(("T", *one) for one in TYPE_T)],
)
def test_a_thermocouple_shows_the_tables_voltage(kind, celsius, millivolt):
    """Each value of the table comes out to its last digit."""
    assert thermocouple_millivolt(celsius, kind) == pytest.approx(millivolt, abs=0.000005)


@pytest.mark.parametrize("kind", ["K", "T"])
def test_a_thermocouple_is_zero_at_zero_from_both_sides(kind):
    """Type K's exponential belongs to the upper branch: without it, 0 degC shows -0.0176 mV."""
    assert thermocouple_millivolt(0.0, kind) == pytest.approx(0.0, abs=1e-6)
    assert thermocouple_millivolt(-1e-9, kind) == pytest.approx(0.0, abs=1e-6)


@given(st.floats(-200.0, 400.0), st.sampled_from(["K", "T"]))
def test_a_thermocouple_goes_there_and_back(celsius, kind):
    """The inverse meets the curve over the range that is used."""
    millivolt = thermocouple_millivolt(celsius, kind)
    assert thermocouple_celsius(millivolt, kind) == pytest.approx(celsius, abs=1e-5)


def test_the_cold_junction_is_added_in_millivolts():
    """Hot 60 degC, cold 25 degC shows 1.43623 mV (the table's difference); adding degrees errs."""
    shown = thermocouple_millivolt(60.0, "K") - thermocouple_millivolt(25.0, "K")
    assert shown == pytest.approx(1.43623, abs=1e-5)
    assert thermocouple_celsius(1.43623, "K", 25.0) == pytest.approx(60.0, abs=0.001)
    assert thermocouple_celsius(1.43623, "K") + 25.0 != pytest.approx(60.0, abs=0.05)


@given(st.floats(-40.0, 120.0))
def test_steinhart_hart_goes_there_and_back(celsius):
    """The closed inverse (Cardano) meets the curve."""
    of = (1.10415912e-3, 2.38917947e-4, 6.93162653e-8)
    found = steinhart_hart_celsius(steinhart_hart_ohm(celsius, *of), *of)
    assert found == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize(("ohm", "celsius"), [(19549.0, 10.0001), (7908.0, 29.9978)])
def test_steinhart_hart_meets_the_worked_example(ohm, celsius):
    """Published worked example of the three coefficients (10 and 30 degC)."""
    found = steinhart_hart_celsius(ohm, 1.10415912e-3, 2.38917947e-4, 6.93162653e-8)
    assert found == pytest.approx(celsius, abs=0.0001)


@pytest.mark.parametrize(("celsius", "ohm"), [(40.0, 5301.47), (60.0, 2486.16), (25.0, 10000.0)])
def test_beta_meets_its_closed_form(celsius, ohm):
    """10 kOhm, beta 3950 K: worked from R = R25 exp(beta (1/T - 1/298.15))."""
    assert beta_ohm(celsius, 10000.0, 3950.0) == pytest.approx(ohm, abs=0.01)
    assert beta_celsius(ohm, 10000.0, 3950.0) == pytest.approx(celsius, abs=0.0002)


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf, 0.0, -5.0])
def test_what_no_sensor_shows_is_refused(wrong):
    """Open, shorted and absent sensors give no temperature, never an extrapolated one."""
    with pytest.raises(ValueError, match="no resistance"):
        beta_celsius(wrong, 10000.0, 3950.0)
    with pytest.raises(ValueError, match="no resistance"):
        steinhart_hart_celsius(wrong, 1.1e-3, 2.4e-4, 6.9e-8)
    with pytest.raises(ValueError, match="outside"):
        platinum_celsius(wrong)


@pytest.mark.parametrize("wrong", [math.nan, -300.0, 1400.0])
def test_temperatures_beyond_the_curves_are_refused(wrong):
    """A curve ends where its standard ends."""
    with pytest.raises(ValueError, match="outside"):
        thermocouple_millivolt(wrong, "K")
    with pytest.raises(ValueError, match="outside"):
        platinum_ohm(wrong)
    with pytest.raises(ValueError, match="outside"):
        thermocouple_celsius(1e3 if wrong == 1400.0 else math.nan, "T")
    with pytest.raises(ValueError, match="no temperature"):
        steinhart_hart_ohm(min(wrong, -300.0), 1.1e-3, 2.4e-4, 6.9e-8)
