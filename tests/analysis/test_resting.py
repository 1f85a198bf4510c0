"""Where a rest settles: the extrapolation carries its model's error, against a known truth."""

import math

import numpy as np
from scipy.stats import binom

from sequencer.analysis.analyse import analyse
from tests.analysis.pretending import cell, discharge, ran, rest, steady
from tests.analysis.uncertainty.pretended import bench, definitions

SETTLED_V = 3.6
RESTS = 60


def relaxing(seed):
    """A rest of 10 min to 2 h that settles with two to four time constants of 20 s to 1 h."""
    rng = np.random.default_rng([94, seed])
    lasted, terms = float(rng.choice([600, 1200, 3600, 7200])), int(rng.integers(2, 5))
    away = rng.uniform(0.002, 0.02, terms)
    taus = np.exp(rng.uniform(math.log(20.0), math.log(3600.0), terms))

    def volts(t):
        gone = (away * np.exp(-np.asarray(t)[:, None] / taus)).sum(axis=1)
        return np.round(SETTLED_V - gone + rng.normal(0.0, 2e-5, len(t)), 4)

    parts = [rest(60.0, 3.8), discharge(1.0, 600.0, steady(3.5)), rest(lasted, volts, 5.0)]
    found = analyse(ran(parts, cell=cell(), bench=bench(), definitions=definitions()))
    return found.figure("relaxed.3")


def test_where_a_rest_settles_lies_inside_its_interval():
    """Of 60 seeded rests as many as 93 % would let one expect; before, 85 % of 167 were inside."""
    told = [figure for figure in map(relaxing, range(RESTS)) if figure is not None]
    assert len(told) > RESTS / 2
    inside = sum(one.low <= SETTLED_V <= one.high for one in told)
    assert binom.cdf(inside, len(told), 0.93) > 0.01, (inside, len(told))
    assert np.median([one.high - one.low for one in told]) < 0.010, "not idly wide"
