"""A sample of the campaign: the truth lies inside the intervals, and they are not idly wide.

The full thousand: ``python -m tests.analysis.uncertainty.benches --count 1000``.
"""

from dataclasses import replace

import pytest
from scipy.stats import binom

from tests.analysis.uncertainty import benches

SAMPLE = 60
DOUBT = 0.01
"""How unlikely a sample must be, were the truth inside in 93 %, before it counts as a failure."""
SLACK = 1.15
"""The 95th percentile of 60 is one of the four largest: it scatters (our choice)."""


@pytest.fixture(scope="module")
def pairs():
    """Figures and truths of the sample, by headline number."""
    return benches.pairs(SAMPLE)


def is_credible(inside: int, of: int) -> bool:
    """Whether so many inside agree with a coverage of at least 93 %."""
    return binom.cdf(inside, of, benches.WITHIN) > DOUBT


@pytest.mark.parametrize("name", benches.HEADLINES)
def test_the_true_value_is_inside_the_interval(pairs, name):
    """In a seeded sample as many intervals hold the truth as 93 % would let one expect."""
    found = benches.judge(name, pairs[name])
    assert found.benches >= 0.95 * SAMPLE, "the analysis declines to tell too often"
    assert is_credible(round(found.inside * found.benches), found.benches), found


@pytest.mark.parametrize("name", benches.HEADLINES)
def test_the_interval_is_no_wider_than_needed(pairs, name):
    """No interval is much more than 1.5 times as wide as one that would just do."""
    assert benches.judge(name, pairs[name]).width <= benches.WIDTH * SLACK


@pytest.mark.parametrize("name", benches.HEADLINES)
def test_a_wrong_budget_would_be_noticed(pairs, name):
    """Intervals half as wide miss the truth too often, and twice as wide are too wide: the
    judgement can fail both ways."""
    for factor, is_noticed in (
        (0.5, lambda found: not is_credible(round(found.inside * found.benches), found.benches)),
        (2.0, lambda found: found.width > benches.WIDTH * SLACK),
    ):
        scaled = [(_scaled(one, factor), true) for one, true in pairs[name]]
        assert is_noticed(benches.judge(name, scaled))


def _scaled(figure, factor):
    half = 0.5 * factor * (figure.high - figure.low)
    return replace(figure, low=figure.value - half, high=figure.value + half)
