"""Where a zero lies between the counts of a display: closed forms, and zeros that are known."""

from math import sqrt

import numpy as np
import pytest

from sequencer.analysis.uncertainty.zeros import FEWEST_ROWS, MOST_ROWS, rows_at_rest, zero_of
from tests.analysis.pretending import charge, ran, rest, steady

COUNT, OFFSET = 0.001, 0.005
ROWS = 200


def shown(zero: float, noise: float, rng, *, has_sign: bool, rows: int = ROWS):
    """What a display shows of nothing (A): ``zero`` and ``noise`` in counts."""
    counts = np.round(zero + rng.normal(0.0, noise, rows))
    return COUNT * (counts if has_sign else np.maximum(counts, 0.0))


def test_one_value_alone_leaves_the_zero_anywhere_in_its_count():
    """A quiet display that always shows 2: half a count to either side, of which the standard
    uncertainty is 0.29 counts (JCGM 100:2008, F.2.2.1)."""
    found = zero_of(np.full(ROWS, 2 * COUNT), COUNT, OFFSET, has_sign=True)
    assert found is not None
    assert found.value == pytest.approx(2 * COUNT, abs=0.02 * COUNT)
    assert found.standard == pytest.approx(COUNT / sqrt(12.0), rel=0.05)
    assert not found.is_hidden


def test_a_display_without_a_sign_that_shows_nothing_bounds_the_zero_from_above():
    """Anything from the stated offset below to half a count above: a rectangle (JCGM 100:2008,
    4.3.7)."""
    found = zero_of(np.zeros(ROWS), COUNT, OFFSET, has_sign=False)
    assert found is not None
    assert found.is_hidden
    low, high = -OFFSET, 0.5 * COUNT
    assert found.value == pytest.approx(0.5 * (low + high), abs=0.05 * COUNT)
    assert found.standard == pytest.approx((high - low) / sqrt(12.0), rel=0.05)


@pytest.mark.parametrize("has_sign", [True, False])
def test_the_true_zero_lies_within_two_standard_uncertainties(has_sign):
    """Of 200 meters with zeros and noises drawn at random; and rest rows tell more than a count."""
    rng, inside, widths = np.random.default_rng(5), [], []
    for _ in range(200):
        zero, noise = rng.uniform(0.0, 4.0), rng.uniform(0.1, 1.0)
        found = zero_of(
            shown(zero, noise, rng, has_sign=has_sign), COUNT, OFFSET, has_sign=has_sign
        )
        assert found is not None
        inside.append(abs(found.value - zero * COUNT) <= 2.0 * found.standard)
        widths.append(found.standard / COUNT)
    assert np.mean(inside) >= 0.93
    assert np.median(widths) < 0.1


def test_too_little_to_go_by_tells_no_zero():
    """Few rows, a display nobody knows, no stated offset, or a current that flows."""
    zeros = np.zeros(ROWS)
    assert zero_of(zeros[: FEWEST_ROWS - 1], COUNT, OFFSET, has_sign=True) is None
    assert zero_of(np.full(ROWS, np.nan), COUNT, OFFSET, has_sign=True) is None
    assert zero_of(zeros, 0.0, OFFSET, has_sign=True) is None
    assert zero_of(zeros, COUNT, 0.0, has_sign=True) is None
    assert zero_of(np.full(ROWS, 0.02), COUNT, OFFSET, has_sign=True) is None


def test_rows_are_taken_from_the_second_halves_of_the_rests():
    """At most so many, from all rests; a charge has none."""
    driven = charge(steady(1.0), 600.0, steady(3.9))
    table = ran([rest(1000.0, 3.7), driven, rest(1000.0, 3.8)]).table
    rows = np.array(rows_at_rest(table))
    assert 0.5 * MOST_ROWS <= len(rows) <= MOST_ROWS
    kinds = {table.steps[int(table.step[row])].kind for row in rows}
    assert kinds == {"rest"}
    first = table.time_s[rows[table.step[rows] == table.step[0]]]
    assert first.min() >= 490.0
