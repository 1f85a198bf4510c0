"""Probability of conformity, against JCGM 106 and SciPy."""

from math import inf, isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sequencer.analysis.claims.conformity import (
    Bound,
    beta_ratio,
    conformity,
    student_cdf,
    student_quantile,
    within,
)


def test_a_breakdown_voltage_of_the_guide():
    """JCGM 106:2012, example on a limit from above: -5.47 V, u 0.05 V, at most -5.40 V: 0.9192."""
    assert conformity(-5.47, 0.05, -5.40, Bound.MOST) == pytest.approx(0.9192, abs=5e-5)


def test_a_strength_of_the_guide():
    """JCGM 106:2012, example on a limit from below: 509.7, u 8.6, at least 490: 0.9890."""
    assert conformity(509.7, 8.6, 490.0, Bound.LEAST) == pytest.approx(0.9890, abs=5e-5)


def test_an_interval_of_the_guide():
    """JCGM 106:2012: 13.6, u 1.8, between 12.5 and 16.3: 0.6626."""
    assert within(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.6626, abs=5e-5)


def test_a_guard_band_of_the_guide():
    """JCGM 106:2012: u 2 % of the measured value, at most 100 with 99.9 %: a measured value of
    106.588 is the least that surely exceeds it (memory); here 100 / (1 - 3.0902 x 0.02)."""
    assert 100.0 / (1.0 - student_quantile(0.999, inf) * 0.02) == pytest.approx(106.588, abs=5e-4)
    assert conformity(106.588, 0.02 * 106.588, 100.0, Bound.LEAST) == pytest.approx(0.999, abs=1e-6)


@pytest.mark.parametrize(("value", "share"), [(2520, 0.99379), (2510, 0.8944), (2480, 0.0062)])
def test_capacities_against_one_claim(value, share):
    """At least 2500 mAh, u 8 mAh: worked on the normal distribution."""
    assert conformity(value, 8.0, 2500.0, Bound.LEAST) == pytest.approx(share, abs=5e-5)


@pytest.mark.parametrize(("nu", "t95"), [(1, 12.706), (4, 2.776), (9, 2.262), (50, 2.009)])
def test_the_guide_s_table_of_t(nu, t95):
    """JCGM 100, table G.2: t for 95 %, both sides."""
    assert student_quantile(0.975, nu) == pytest.approx(t95, abs=5e-4)


@pytest.mark.parametrize("nu", [1.0, 2.5, 4.0, 16.75, 300.0, 9e5])
@pytest.mark.parametrize("t", [-8.0, -1.0, -1e-3, 0.0, 0.3, 2.0, 30.0])
def test_student_against_scipy(nu, t):
    """SciPy's stats.t as reference."""
    assert student_cdf(t, nu) == pytest.approx(stats.t.cdf(t, nu), rel=1e-9, abs=1e-14)


@given(st.floats(0.001, 0.999), st.floats(0.3, 400), st.floats(0.3, 400))
def test_the_beta_ratio_against_scipy(x, a, b):
    """SciPy's stats.beta as reference."""
    assert beta_ratio(x, a, b) == pytest.approx(stats.beta.cdf(x, a, b), rel=1e-8, abs=1e-12)


@given(st.floats(0.001, 0.999), st.floats(1.0, 1e4))
def test_a_quantile_undoes_the_distribution(share, nu):
    """There and back."""
    assert student_cdf(student_quantile(share, nu), nu) == pytest.approx(share, abs=1e-9)


@pytest.mark.parametrize("bound", list(Bound))
def test_few_observations_make_less_sure(bound):
    """The same distance counts for less when the uncertainty itself is little known."""
    limit = 1.0 if bound is Bound.LEAST else 1.4
    assert conformity(1.2, 0.1, limit, bound, 3.0) < conformity(1.2, 0.1, limit, bound)


def test_nothing_known_is_no_even_chance():
    """NaN goes through as NaN, never as a half."""
    for numbers in ((nan, 1.0, 1.0), (1.0, nan, 1.0), (1.0, 1.0, nan)):
        assert isnan(conformity(*numbers, Bound.LEAST))
    assert isnan(conformity(1.0, 1.0, 1.0, Bound.LEAST, nan))


def test_without_uncertainty_it_is_yes_or_no():
    """A value on the limit keeps it."""
    assert conformity(1.0, 0.0, 1.0, Bound.LEAST) == conformity(1.0, 0.0, 1.0, Bound.MOST) == 1.0
    assert conformity(0.9, 0.0, 1.0, Bound.LEAST) == conformity(1.1, 0.0, 1.0, Bound.MOST) == 0.0
