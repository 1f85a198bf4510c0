"""Probability that a true value keeps a limit, given a measurement (JCGM 106:2012, clause 7).

Owns the arithmetic; knows no claim, no cell and no threshold. Nothing is assumed beforehand about
the true value, so that after the measurement it is spread about the measured one: normally, or as
Student's t where the uncertainty itself rests on few observations.
"""

from enum import Enum
from math import erf, exp, isfinite, isnan, lgamma, log, nan, sqrt
from statistics import NormalDist

_NEARLY_NORMAL = 1e6
_TINY = 1e-300


class Bound(Enum):
    """On which side of a limit a true value keeps it."""

    LEAST = "least"
    MOST = "most"


def conformity(
    value: float,
    standard: float,
    limit: float,
    bound: Bound,
    degrees_of_freedom: float = float("inf"),
) -> float:
    """Probability that the true value is at least, or at most, ``limit``; all of one unit.

    NaN when the value or its standard uncertainty is NaN: nothing known is no even chance. With a
    standard uncertainty of zero it is 0 or 1, and a value on the limit keeps it.
    """
    if isnan(value) or isnan(standard) or isnan(limit) or isnan(degrees_of_freedom):
        return nan
    beyond = value - limit if bound is Bound.LEAST else limit - value
    if standard <= 0.0:
        return 1.0 if beyond >= 0.0 else 0.0
    return student_cdf(beyond / standard, degrees_of_freedom)


def within(value: float, standard: float, low: float, high: float) -> float:
    """Probability that the true value lies between two limits; normal."""
    below = conformity(value, standard, high, Bound.MOST)
    return below + conformity(value, standard, low, Bound.LEAST) - 1.0


def normal_cdf(z: float) -> float:
    """The standard normal distribution up to ``z``."""
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))


def student_cdf(t: float, degrees_of_freedom: float) -> float:
    """Student's t distribution up to ``t``; normal for infinite degrees of freedom.

    1 - I(x; nu/2, 1/2) / 2 for t >= 0 with x = nu / (nu + t^2), I the incomplete beta ratio.
    """
    if degrees_of_freedom > _NEARLY_NORMAL:
        return normal_cdf(t)
    if not isfinite(t):
        return 1.0 if t > 0.0 else 0.0
    nu = degrees_of_freedom
    tail = 0.5 * beta_ratio(nu / (nu + t * t), 0.5 * nu, 0.5)
    return 1.0 - tail if t >= 0.0 else tail


def student_quantile(probability: float, degrees_of_freedom: float) -> float:
    """The t below which the share ``probability`` lies; by halving, to 1e-12."""
    if degrees_of_freedom > _NEARLY_NORMAL:
        return NormalDist().inv_cdf(probability)
    if probability < 0.5:
        return -student_quantile(1.0 - probability, degrees_of_freedom)
    low, high = 0.0, 1.0
    while student_cdf(high, degrees_of_freedom) < probability:
        high *= 2.0
    while high - low > 1e-12 * high:
        middle = 0.5 * (low + high)
        if student_cdf(middle, degrees_of_freedom) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def beta_ratio(x: float, a: float, b: float) -> float:
    """The regularised incomplete beta function I(x; a, b), by its continued fraction, on the side
    where that converges quickly (textbook; checked against SciPy)."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - beta_ratio(1.0 - x, b, a)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(1.0 - x))
    return front * _fraction(x, a, b) / a


def _fraction(x: float, a: float, b: float) -> float:
    """1 / (1 + d1 / (1 + d2 / (1 + ...))) by the modified Lentz recursion."""
    c, d = 1.0, 1.0 / _away(1.0 - (a + b) * x / (a + 1.0))
    found = d
    for m in range(1, 10_000):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        for term in (even, odd):
            d, c = 1.0 / _away(1.0 + term * d), _away(1.0 + term / c)
            found *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return found


def _away(value: float) -> float:
    """Kept off zero."""
    return value if abs(value) > _TINY else _TINY
