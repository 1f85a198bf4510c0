"""The arithmetic of the GUM (JCGM 100): coverage factors, degrees of freedom, a straight line.

Owns formulas only; knows no instrument and no cell.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import asinh, exp, inf, isfinite, isnan, lgamma, nan, pi, sinh, sqrt
from statistics import NormalDist

import numpy as np
from uncertainties import UFloat, correlated_values

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
class Line:
    """y = intercept + slope (x - x0), by least squares; the two are correlated by ``r``.

    ``residual`` is the standard deviation about the line, of ``degrees_of_freedom`` = n - 2.
    """

    intercept: float
    slope: float
    intercept_u: float
    slope_u: float
    r: float
    residual: float
    degrees_of_freedom: int
    x0: float

    def at(self, x: float) -> tuple[float, float]:
        """The line at ``x`` and its standard uncertainty, the correlation kept (GUM H.3.5)."""
        far = x - self.x0
        cross = 2.0 * far * self.r * self.intercept_u * self.slope_u
        variance = self.intercept_u**2 + far**2 * self.slope_u**2 + cross
        return self.intercept + far * self.slope, sqrt(max(variance, 0.0))


def fit_line(x: Floats, y: Floats, x0: float = 0.0) -> Line:
    """The straight line through points of one scatter (GUM H.3). All points must be finite.

    Raises:
        ValueError: fewer than three points, or all of them at one ``x``.
    """
    n = len(x)
    if n < 3 or not float(np.ptp(x)) > 0.0:
        raise ValueError("a line with a scatter needs three points, not all at one place")
    mean_x, mean_y = float(np.mean(x)), float(np.mean(y))
    about = x - mean_x
    square = float(about @ about)
    slope = float(about @ (y - mean_y)) / square
    residual = sqrt(float(np.sum((y - mean_y - slope * about) ** 2)) / (n - 2))
    far = x0 - mean_x
    intercept_u = residual * sqrt(1.0 / n + far * far / square)
    slope_u = residual / sqrt(square)
    r = far / sqrt(square / n + far * far)
    return Line(mean_y + slope * far, slope, intercept_u, slope_u, r, residual, n - 2, x0)


def means(columns: Sequence[Sequence[float]], source: str) -> tuple[UFloat, ...]:
    """Means of quantities that were observed together n times, their correlations kept
    (GUM 5.2.3; type A, n - 1 degrees of freedom).

    Raises:
        ValueError: fewer than two observations, or unequal numbers of them.
    """
    if len({len(column) for column in columns}) != 1 or len(columns[0]) < 2:
        raise ValueError("means need two observations of each, made together")
    rows = np.asarray(columns, dtype=np.float64)
    covariance = np.atleast_2d(np.cov(rows)) / rows.shape[1]
    tags = [source] * len(columns)
    found: tuple[UFloat, ...] = correlated_values(rows.mean(axis=1).tolist(), covariance, tags)
    return found


def second_order(
    function: Callable[..., float], values: Sequence[float], standards: Sequence[float]
) -> tuple[float, float]:
    """Standard uncertainty of a function of independent inputs: to first order, and with the next
    terms of the Taylor series (GUM 5.1.2, note: symmetric distributions near the normal).

    Where the two differ, the function is not linear enough over the inputs' uncertainties for a
    budget to tell the truth. Differences are taken over one standard uncertainty to each side.
    """
    n = len(values)

    def moved(*moves: tuple[int, int]) -> float:
        at = list(values)
        for which, way in moves:
            at[which] += way * standards[which]
        return function(*at)

    def slope(i: int, *also: tuple[int, int]) -> float:
        return 0.5 * (moved((i, 1), *also) - moved((i, -1), *also))

    def mixed(i: int, j: int) -> float:
        if i == j:
            return moved((i, 1)) - 2.0 * moved() + moved((i, -1))
        return 0.5 * (slope(i, (j, 1)) - slope(i, (j, -1)))

    def third(i: int, j: int) -> float:
        if i == j:
            twice = moved((i, 1), (i, 1)) - moved((i, -1), (i, -1))
            return 0.5 * twice - (moved((i, 1)) - moved((i, -1)))
        return slope(i, (j, 1)) - 2.0 * slope(i) + slope(i, (j, -1))

    pairs = [(i, j) for i in range(n) for j in range(n)]
    first = sum(slope(i) ** 2 for i in range(n))
    more = sum(0.5 * mixed(i, j) ** 2 + slope(i) * third(i, j) for i, j in pairs)
    return sqrt(first), sqrt(max(first + more, 0.0))
