"""Where a meter's zero lies, as the rows of the rests show it: between the counts of its display.

A reading is the zero with normal noise, rounded to a count; a display without a sign shows 0 for
all that is below. Every place of the zero within the stated offset is as likely as any other before
the rows are looked at. How large the noise is nobody knows: each place has the one that suits it
best, so that a quiet display leaves a whole count. Owns that arithmetic and which rows count; knows
no instrument.
"""

from functools import lru_cache
from math import erf, sqrt
from typing import NamedTuple

import numpy as np

from sequencer.vocabulary.table import Floats, Table

MOST_ROWS = 200
"""So many rows of all rests are looked at: more would believe that no row repeats the error of the
one before (our choice)."""
FEWEST_ROWS = 30
"""Fewer rows tell nothing."""
NOISES = np.geomspace(0.002, 3.0, 40)
"""Standard deviations of the noise that are tried (counts)."""
PLACES = 401
"""Places of the zero that are tried."""
NEAR_COUNTS = 4.0
"""Further than this from the mean of what was read, no place is tried (counts)."""
LEAST_COUNTS = 0.02
"""No zero is known better than this (counts): half a step of the places that are tried."""

_AT = np.linspace(-9.0, 9.0, 3601)
_SUMS = np.array([0.5 * (1.0 + erf(z / sqrt(2.0))) for z in _AT])


class Zero(NamedTuple):
    """A meter's zero and its standard uncertainty (the meter's unit). ``is_hidden``: the display
    has no sign and showed nothing but 0."""

    value: float
    standard: float
    is_hidden: bool


def rows_at_rest(table: Table) -> list[int]:
    """Rows of the second halves of the rests, every so many."""
    found = [np.empty(0, np.int64)]
    for number in [n for n, step in table.steps.items() if step.kind == "rest"]:
        first, stop = np.searchsorted(table.step, (number, number + 1))
        found.append(np.arange((first + stop + 1) // 2, stop))
    rows = np.concatenate(found)
    places = np.unique(np.linspace(0, max(len(rows) - 1, 0), MOST_ROWS).astype(np.int64))
    return [int(row) for row in rows[places]] if len(rows) else []


def zero_of(readings: Floats, count: float, offset: float, *, has_sign: bool) -> Zero | None:
    """The zero within ``offset`` of nothing that such readings at rest tell; None when they are too
    few, when a current seems to flow, or when nothing is known of the display."""
    readings = readings[np.isfinite(readings)]
    if len(readings) < FEWEST_ROWS or not (count > 0.0 and offset > 0.0):
        return None
    if not float(np.abs(readings).min()) <= offset + count:
        return None
    shown, times = np.unique(np.round(readings / count), return_counts=True)
    return _zero(tuple(shown.tolist()), tuple(times.tolist()), count, offset, has_sign)


@lru_cache(maxsize=64)
def _zero(
    shown: tuple[float, ...], times: tuple[int, ...], count: float, offset: float, has_sign: bool
) -> Zero:
    is_hidden = not has_sign and max(shown) <= 0.0
    low, high = -offset / count, offset / count
    if is_hidden:
        high = min(high, 1.0)
    else:
        middle = float(np.average(shown, weights=times))
        low, high = max(low, middle - NEAR_COUNTS), min(high, middle + NEAR_COUNTS)
    places = np.linspace(min(low, high), high, PLACES)
    weights = _likely(places, np.array(shown), np.array(times), has_sign=has_sign)
    mean = float(weights @ places)
    variance = float(weights @ (places - mean) ** 2)
    return Zero(mean * count, max(float(np.sqrt(variance)), LEAST_COUNTS) * count, is_hidden)


def _likely(places: Floats, shown: Floats, times: Floats, *, has_sign: bool) -> Floats:
    """How likely each place is, with the noise that suits it best; the sum is 1."""
    off, noises = shown[None, None, :] - places[:, None, None], NOISES[None, :, None]
    below = _normal((off - 0.5) / noises)
    if not has_sign:
        below[:, :, shown <= 0.0] = 0.0
    chance = np.maximum(_normal((off + 0.5) / noises) - below, 1e-300)
    likely = (np.log(chance) @ times).max(axis=1)
    weights: Floats = np.exp(likely - likely.max())
    weights /= weights.sum()
    return weights


def _normal(z: Floats) -> Floats:
    """The normal distribution's sum up to ``z``, to 1e-6."""
    found: Floats = np.interp(z, _AT, _SUMS)
    return found
