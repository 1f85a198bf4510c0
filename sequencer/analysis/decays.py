"""Sums of exponentials fitted to what relaxes: a rest's voltage, a taper's current. Plain numpy.

The time constants are searched on a grid and refined; for each, the amplitudes are a small linear
least-squares problem (variable projection). Owns no unit.
"""

import math
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from sequencer.vocabulary.table import Floats

POINTS = 240
"""Points that a fit is given; more are averaged in equal numbers (log-spaced where it says)."""
_GRID = 14
"""So many time constants are tried at first, evenly over their logarithms."""
_ROUNDS, _SIDE = 6, 5
"""The best is then looked for between its neighbours, so often, on so many points a side."""
_POLISH = 60
"""And at last by so many steps of least squares at the most (all four: our choice)."""


@dataclass(frozen=True, slots=True)
class Decay:
    """y(t) = floor + sum of amplitude x exp(-t / tau); ``residual`` is the rms left over."""

    floor: float
    amplitudes: tuple[float, ...]
    taus: tuple[float, ...]
    residual: float

    def at(self, time: float) -> float:
        """The fitted value at a time."""
        return self.floor + sum(
            a * math.exp(-time / tau) for a, tau in zip(self.amplitudes, self.taus, strict=True)
        )

    def slope(self, time: float) -> float:
        """The fitted slope at a time."""
        return sum(
            -a / tau * math.exp(-time / tau)
            for a, tau in zip(self.amplitudes, self.taus, strict=True)
        )

    def integral(self, start: float, stop: float) -> float:
        """The integral of the fit over a span of time."""
        parts = (
            a * tau * (math.exp(-start / tau) - math.exp(-stop / tau))
            for a, tau in zip(self.amplitudes, self.taus, strict=True)
        )
        return self.floor * (stop - start) + sum(parts)


def thinned(time: Floats, values: Floats, *, early: bool = False) -> tuple[Floats, Floats]:
    """At most 240 points: averages of equal numbers, or log-spaced ones where what is early moves
    fastest. Times begin at the first sample's."""
    if len(time) <= POINTS:
        return time, values
    if not early:
        size = len(time) // POINTS
        kept = size * POINTS
        return time[:kept].reshape(POINTS, -1).mean(1), values[:kept].reshape(POINTS, -1).mean(1)
    bounds = np.unique(np.geomspace(1, len(time), POINTS).astype(np.int64)) - 1
    counts = np.diff(np.append(bounds, len(time)))
    return np.add.reduceat(time, bounds) / counts, np.add.reduceat(values, bounds) / counts


def fit(
    time: Floats, values: Floats, terms: int, *, has_floor: bool, shortest: float = 1e-3
) -> Decay | None:
    """The best decay of one or two terms, or None when there are too few points or no spread.

    Time constants lie between ``shortest`` (a share of the span, at least one usual interval) and
    four spans.
    """
    span = float(time[-1] - time[0]) if len(time) else 0.0
    if len(time) < max(2 * terms + has_floor + 2, 6) or not span > 0.0:
        return None
    low, high = max(float(np.diff(time).min()), span * shortest), 4.0 * span
    grid = np.log(np.geomspace(low, high, _GRID))
    choices = np.array(list(combinations(grid, terms)))
    best, found = _best(time, values, choices, has_floor)
    width = float(grid[1] - grid[0])
    steps = np.array(list(product(np.linspace(-1.0, 1.0, _SIDE), repeat=terms)))
    for _ in range(_ROUNDS):
        near = np.clip(best + width * steps, math.log(low), math.log(high))
        near = near[(np.diff(near, axis=1) > 0.05).all(axis=1)]
        centre = best
        best, found = min((best, found), _best(time, values, near, has_floor), key=_residual)
        if float(np.abs(best - centre).max()) < 0.9 * width:
            width *= 0.5
    return _polished(time, values, found, has_floor=has_floor)


def _residual(one: "tuple[Floats, Decay]") -> float:
    return one[1].residual


def _best(time: Floats, values: Floats, choices: Floats, has_floor: bool) -> "tuple[Floats, Decay]":
    """The best of rows of logarithms of time constants, all solved at once."""
    taus = np.exp(choices)
    columns = np.exp(-time[None, :, None] / taus[:, None, :])
    if has_floor:
        columns = np.concatenate((columns, np.ones((len(taus), len(time), 1))), axis=2)
    turned = columns.transpose(0, 2, 1)
    square = turned @ columns
    square += np.eye(square.shape[1]) * 1e-14 * len(time)
    amounts = np.linalg.solve(square, turned @ values[:, None])
    left = values - (columns @ amounts)[:, :, 0]
    sums = np.einsum("ij,ij->i", left, left)
    place = int(np.argmin(sums))
    chosen = [float(one) for one in amounts[place, :, 0]]
    floor = chosen.pop() if has_floor else 0.0
    residual = math.sqrt(float(sums[place]) / len(time))
    return choices[place], Decay(floor, tuple(chosen), tuple(map(float, taus[place])), residual)


def _polished(time: Floats, values: Floats, start: Decay, *, has_floor: bool) -> Decay:
    """Refines the best point of the grid: Levenberg and Marquardt on amplitudes and
    logarithms of time constants. Never worse than the start."""
    terms = len(start.taus)
    guess = np.array([*start.amplitudes, *np.log(start.taus), *([start.floor] * has_floor)])
    damping, best = 1e-3, _misfit(time, values, guess, terms)
    for _ in range(_POLISH):
        slopes = _slopes(time, guess, terms)
        square = slopes.T @ slopes
        square[np.diag_indices_from(square)] *= 1.0 + damping
        square[np.diag_indices_from(square)] += 1e-300
        try:
            step = np.linalg.solve(square, slopes.T @ (values - _fitted(time, guess, terms)))
        except np.linalg.LinAlgError:
            break
        tried = guess + step
        tried[terms : 2 * terms] = np.clip(tried[terms : 2 * terms], -12.0, 25.0)
        misfit = _misfit(time, values, tried, terms)
        if misfit < best:
            done = best - misfit < 1e-12 * best
            guess, best, damping = tried, misfit, damping * 0.2
            if done:
                break
        else:
            damping *= 8.0
            if damping > 1e12:
                break
    return _told(guess, terms, math.sqrt(best / len(time)))


def _told(guess: Floats, terms: int, residual: float) -> Decay:
    taus = np.exp(guess[terms : 2 * terms])
    order = np.argsort(taus)
    floor = float(guess[2 * terms]) if len(guess) > 2 * terms else 0.0
    amplitudes = tuple(float(guess[i]) for i in order)
    return Decay(floor, amplitudes, tuple(float(taus[i]) for i in order), residual)


def _fitted(time: Floats, guess: Floats, terms: int) -> Floats:
    waves = np.exp(-time[:, None] / np.exp(guess[terms : 2 * terms]))
    found: Floats = waves @ guess[:terms]
    return found + guess[2 * terms] if len(guess) > 2 * terms else found


def _misfit(time: Floats, values: Floats, guess: Floats, terms: int) -> float:
    """The sum of squares; infinite or NaN, which is no better than any other, of a guess that no
    number holds."""
    with np.errstate(over="ignore", invalid="ignore"):
        left = values - _fitted(time, guess, terms)
        return float(left @ left)


def _slopes(time: Floats, guess: Floats, terms: int) -> Floats:
    taus = np.exp(guess[terms : 2 * terms])
    waves = np.exp(-time[:, None] / taus)
    columns = [waves, waves * guess[:terms] * (time[:, None] / taus)]
    if len(guess) > 2 * terms:
        columns.append(np.ones((len(time), 1)))
    return np.concatenate(columns, axis=1)
