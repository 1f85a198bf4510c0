"""The formulas of the GUM against the GUM's own examples and against SciPy."""

from math import inf, isnan, nan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from uncertainties import ufloat

from sequencer.analysis.uncertainty import gum
from tests.analysis.uncertainty.taylor import second_order


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
    first, second = second_order(_gauge, values, standards)
    assert first == pytest.approx(31.6639, abs=2e-3)
    assert second == pytest.approx(33.85, abs=0.01)


def test_second_order_against_a_closed_form():
    """x^2 of a normal x of mean 0.5 and u 0.3: the variance is 4 m^2 u^2 + 2 u^4, and the cubic's
    is 9 m^4 u^2 + 36 m^2 u^4 + ... of which the GUM's formula keeps the fourth power of u."""
    first, second = second_order(lambda x: x * x, [0.5], [0.3])
    assert first**2 == pytest.approx(4 * 0.25 * 0.09)
    assert second**2 == pytest.approx(4 * 0.25 * 0.09 + 2 * 0.3**4)
    _, cubic = second_order(lambda x: x**3, [10.0], [0.01])
    assert cubic**2 == pytest.approx(9e4 * 1e-4 + 36 * 100 * 1e-8, rel=1e-6)


# GUM H.3: a thermometer's correction (degC) against temperature (degC)
_T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
_B = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)


def test_the_calibration_line_of_the_gum():
    """GUM H.3: the slope and its uncertainty; the scatter about the line by the uncertainty that it
    gives the intercept at 20 degC. Fades, drifts and trains of pulses are told by this line."""
    line = gum.fit_line(_T, _B)
    assert line.slope == pytest.approx(0.00218270, abs=5e-8)
    assert line.slope_u == pytest.approx(0.00066794, abs=5e-9)
    far = _T - 20.0
    determinant = len(_T) * float(far @ far) - float(far.sum()) ** 2
    intercept_u = line.residual * sqrt(float(far @ far) / determinant)
    assert intercept_u == pytest.approx(0.0028776, abs=5e-8)
    assert line.degrees_of_freedom == 9


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
