"""The formulas of the GUM against the GUM's own examples and against SciPy."""

from math import inf, isnan, nan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from uncertainties import covariance_matrix, ufloat, umath

from sequencer.analysis.uncertainty import gum


@pytest.mark.parametrize(
    ("nu", "t95"), [(1, 12.706), (4, 2.776), (9, 2.262), (50, 2.009)]
)  # GUM (JCGM 100) table G.2
def test_student_t_is_the_gums_table(nu, t95):
    """The 95 % factor for few degrees of freedom is the published one."""
    assert gum.t_quantile(nu) == pytest.approx(t95, abs=5e-4)


@pytest.mark.parametrize(
    ("coverage", "k"), [(0.90, 1.645), (0.9545, 2.0), (0.99, 2.576)]
)  # GUM table G.1
def test_without_end_of_degrees_it_is_the_normals_factor(coverage, k):
    """Infinite degrees of freedom give the normal distribution's coverage factor."""
    assert gum.t_quantile(inf, coverage) == pytest.approx(k, abs=5e-4)


@given(st.floats(1.0, 1e8), st.sampled_from([0.6827, 0.9, 0.95, 0.9545, 0.99, 0.999]))
def test_student_t_is_scipys(nu, coverage):
    """Any real number of degrees of freedom agrees with SciPy's inverse."""
    wanted = stats.t.ppf(0.5 + 0.5 * coverage, nu)
    assert gum.t_quantile(nu, coverage) == pytest.approx(wanted, rel=2e-8)


def test_what_has_no_degrees_of_freedom_is_refused():
    """Less than one degree of freedom is an error; NaN stays NaN."""
    with pytest.raises(ValueError, match="at least 1"):
        gum.t_quantile(0.5)
    assert isnan(gum.t_quantile(nan))


def test_rectangular_limits_become_standard_uncertainties():
    """u = a / sqrt(3), whichever sign the limit has (GUM 4.3.7)."""
    assert gum.rectangular(-3.0) == pytest.approx(sqrt(3.0))
    spread = np.random.default_rng(1).uniform(-3.0, 3.0, 200_000).std()
    assert gum.rectangular(3.0) == pytest.approx(spread, rel=0.01)


# GUM H.1, the end gauge: l = ls + d - ls (dalpha theta + alpha dtheta), nm and K
_STANDARD = 50_000_623.0


def _gauge(ls, d, d1, d2, d_alpha, theta, alpha, d_theta):
    return ls + d + d1 + d2 - ls * (d_alpha * theta + alpha * d_theta)


def _gauge_inputs():
    """Value, standard uncertainty and degrees of freedom of each input of H.1."""
    return {
        "ls": (_STANDARD, 25.0, 18),
        "d": (215.0, 5.8, 24),
        "d1": (0.0, 3.9, 5),
        "d2": (0.0, 6.7, 8),
        "d_alpha": (0.0, gum.rectangular(1e-6), 50),
        "theta": (-0.1, 0.41, inf),
        "alpha": (11.5e-6, 1.2e-6, inf),
        "d_theta": (0.0, gum.rectangular(0.05), 2),
    }


def test_the_end_gauge_of_the_gum():
    """GUM H.1: length, standard uncertainty (32 nm, unrounded 31.6639) and effective degrees of
    freedom (16.75)."""
    inputs = {name: ufloat(v, u, tag=name) for name, (v, u, _) in _gauge_inputs().items()}
    length = _gauge(*inputs.values())
    parts = {x.tag: part for x, part in length.error_components().items()}
    assert length.nominal_value == pytest.approx(50_000_838.0, abs=0.01)
    assert length.std_dev == pytest.approx(31.6639, abs=2e-3)
    assert parts["d_theta"] == pytest.approx(16.599, abs=1e-3)
    assert parts["d_alpha"] == pytest.approx(2.88679, abs=1e-4)
    nu = gum.effective_degrees((parts[name], _gauge_inputs()[name][2]) for name in parts)
    assert nu == pytest.approx(16.75, abs=0.01)
    assert round(length.std_dev) == 32


def test_the_second_order_of_the_end_gauge():
    """GUM H.1.7: the products that vanish to first order raise u to 33.85 nm."""
    values, standards, _ = zip(*_gauge_inputs().values(), strict=True)
    first, second = gum.second_order(_gauge, values, standards)
    assert first == pytest.approx(31.6639, abs=2e-3)
    assert second == pytest.approx(33.85, abs=0.01)


def test_second_order_against_a_closed_form():
    """x^2 of a normal x of mean 0.5 and u 0.3: the variance is 4 m^2 u^2 + 2 u^4, and the cubic's
    is 9 m^4 u^2 + 36 m^2 u^4 + ... of which the GUM's formula keeps the fourth power of u."""
    first, second = gum.second_order(lambda x: x * x, [0.5], [0.3])
    assert first**2 == pytest.approx(4 * 0.25 * 0.09)
    assert second**2 == pytest.approx(4 * 0.25 * 0.09 + 2 * 0.3**4)
    _, cubic = gum.second_order(lambda x: x**3, [10.0], [0.01])
    assert cubic**2 == pytest.approx(9e4 * 1e-4 + 36 * 100 * 1e-8, rel=1e-6)


# GUM H.2: five simultaneous observations of voltage (V), current (A) and phase (rad)
_V = [5.007, 4.994, 5.005, 4.990, 4.999]
_I = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
_PHI = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
_H2 = [(127.732169928, 0.0710714), (219.846512, 0.295582), (254.259702, 0.236336)]
_H2_R = [(0, 1, -0.58843), (0, 2, -0.48526), (1, 2, 0.99251)]


def _impedance(v, i, phi):
    return v / i * umath.cos(phi), v / i * umath.sin(phi), v / i


def test_resistance_and_reactance_observed_together():
    """GUM H.2: values, standard uncertainties and correlations of R, X and Z."""
    found = _impedance(*gum.means([_V, _I, _PHI], "observed together"))
    for one, (value, u) in zip(found, _H2, strict=True):
        assert one.nominal_value == pytest.approx(value, rel=1e-8)
        assert one.std_dev == pytest.approx(u, rel=1e-5)
    covariance = np.array(covariance_matrix(found))
    for row, column, r in _H2_R:
        scale = sqrt(covariance[row, row] * covariance[column, column])
        assert covariance[row, column] / scale == pytest.approx(r, abs=1e-5)


def test_leaving_the_correlations_out_is_noticed():
    """GUM H.2 without its correlations gives other uncertainties: by more than 5 % in each."""
    alone = [gum.means([one], "observed alone")[0] for one in (_V, _I, _PHI)]
    for one, (_, u) in zip(_impedance(*alone), _H2, strict=True):
        assert abs(one.std_dev / u - 1.0) > 0.05


def test_means_need_observations_made_together():
    """One observation, or unequal numbers of them, say nothing about a scatter."""
    for columns in ([[1.0]], [[1.0, 2.0], [1.0, 2.0, 3.0]]):
        with pytest.raises(ValueError, match="made together"):
            gum.means(columns, "x")


def test_means_of_what_never_scatters():
    """Observations that agree to the last digit have a mean without scatter, and no warning."""
    (one,) = gum.means([[2.0, 2.0, 2.0]], "x")
    assert (one.nominal_value, one.std_dev) == (2.0, 0.0)


# GUM H.3: a thermometer's correction (degC) against temperature (degC)
_T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
_B = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)


def test_the_calibration_line_of_the_gum():
    """GUM H.3: intercept, slope, their uncertainties and correlation, and the line at 30 degC."""
    line = gum.fit_line(_T, _B, x0=20.0)
    assert line.intercept == pytest.approx(-0.171204, abs=5e-7)
    assert line.intercept_u == pytest.approx(0.0028776, abs=5e-8)
    assert line.slope == pytest.approx(0.00218270, abs=5e-8)
    assert line.slope_u == pytest.approx(0.00066794, abs=5e-9)
    assert line.r == pytest.approx(-0.93043, abs=5e-6)
    assert line.degrees_of_freedom == 9
    value, u = line.at(30.0)
    assert value == pytest.approx(-0.14938, abs=5e-6)
    assert u == pytest.approx(0.0041386, abs=5e-8)


def test_a_line_needs_a_scatter():
    """Two points, or all points at one place, have no uncertainty to speak of."""
    for x in (np.array([1.0, 2.0]), np.array([3.0, 3.0, 3.0])):
        with pytest.raises(ValueError, match="three points"):
            gum.fit_line(x, x)


def test_degrees_of_freedom_of_one_part_are_its_own():
    """A single part keeps its degrees; certain parts beside it raise them; NaN stays NaN."""
    assert gum.effective_degrees([(2.0, 7)]) == pytest.approx(7.0)
    assert gum.effective_degrees([(2.0, 7), (2.0, inf)]) == pytest.approx(28.0)
    assert gum.effective_degrees([(2.0, inf)]) == inf
    assert isnan(gum.effective_degrees([(nan, 7)]))
