"""The arithmetic of the GUM (JCGM 100): coverage factors, degrees of freedom, a straight line.

Owns formulas only; knows no instrument and no cell.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from math import asinh, exp, inf, isfinite, isnan, lgamma, nan, pi, sinh, sqrt
from statistics import NormalDist

import numpy as np

from sequencer.vocabulary.table import Floats

COVERAGE = 0.95
"""The share of an interval, both sides together."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_NEARLY_NORMAL = 1e3


def rectangular(limit: float) -> float:
    """Standard uncertainty of a limit of error: a / sqrt(3) (GUM 4.3.7)."""
    return abs(limit) / sqrt(3.0)


def t_quantile(degrees_of_freedom: float, coverage: float = COVERAGE) -> float:
    """Student's t that holds ``coverage`` between -t and +t; any real degrees of freedom from 1.

    With x = sqrt(nu) sinh(w) the density becomes C cosh(w)^-nu, smooth enough for Gauss-Legendre.

    Raises:
        ValueError: fewer than one degree of freedom (NaN gives NaN).
    """
    if isnan(degrees_of_freedom):
        return nan
    if degrees_of_freedom < 1.0:
        raise ValueError(f"{degrees_of_freedom:g} degrees of freedom: at least 1 is needed")
    return _quantile(float(degrees_of_freedom), coverage)


@lru_cache(maxsize=512)
def _quantile(nu: float, coverage: float) -> float:
    z = NormalDist().inv_cdf(0.5 + 0.5 * coverage)
    if nu > _NEARLY_NORMAL:  # the expansion in 1 / nu (Abramowitz and Stegun 26.7.5; memory)
        first = (z**3 + z) / 4.0
        second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
        third = (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0
        return z + first / nu + second / nu**2 + third / nu**3
    low = asinh(z / sqrt(nu))  # t is never below the normal's
    high = low
    while _inside(high, nu) < coverage:
        low, high = high, 1.5 * high
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _inside(middle, nu) < coverage else (low, middle)
    return sqrt(nu) * sinh(0.5 * (low + high))


def _inside(w: float, nu: float) -> float:
    scale = exp(lgamma(0.5 * (nu + 1.0)) - lgamma(0.5 * nu)) / sqrt(pi)
    at = 0.5 * w * (_NODES + 1.0)
    return float(scale * w * np.sum(_WEIGHTS * np.exp(-nu * np.log(np.cosh(at)))))


def effective_degrees(parts: Iterable[tuple[float, float]]) -> float:
    """Welch-Satterthwaite (GUM G.2b) of pairs of standard contribution and degrees of freedom.

    u^4 / sum(u_i^4 / nu_i); infinite when every part is, NaN when a contribution is.
    """
    listed = list(parts)
    whole = sum(u * u for u, _ in listed) ** 2
    below = sum(u**4 / nu for u, nu in listed if isfinite(nu))
    if isnan(whole):
        return nan
    return whole / below if below > 0.0 else inf


@dataclass(frozen=True, slots=True)
class FittedLine:
    """The slope of a straight line by least squares, with its standard uncertainty; ``residual`` is
    the standard deviation about the line, of ``degrees_of_freedom`` = n - 2."""

    slope: float
    slope_u: float
    residual: float
    degrees_of_freedom: int


def fit_line(x: Floats, y: Floats) -> FittedLine:
    """The straight line through points of one scatter (GUM H.3). All points must be finite.

    Raises:
        ValueError: fewer than three points, or all of them at one ``x``.
    """
    n = len(x)
    if n < 3 or not float(np.ptp(x)) > 0.0:
        raise ValueError("a line with a scatter needs three points, not all at one place")
    about = x - float(np.mean(x))
    rises = y - float(np.mean(y))
    square = float(about @ about)
    slope = float(about @ rises) / square
    residual = sqrt(float(np.sum((rises - slope * about) ** 2)) / (n - 2))
    return FittedLine(slope, residual / sqrt(square), residual, n - 2)
