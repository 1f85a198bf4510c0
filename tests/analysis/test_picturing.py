"""Curves thinned for a page."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.analysis.picturing import places


@given(rows=st.integers(1, 30000), seed=st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_thinning_for_a_page_keeps_every_extreme(rows, seed):
    """At most 2,000 points, the highest and lowest among them, in order, no NaN."""
    rng = np.random.default_rng(seed)
    values = rng.normal(size=rows)
    values[rng.random(rows) < 0.05] = np.nan
    kept = places(values)
    assert len(kept) <= 2000
    assert (np.diff(kept) > 0).all()
    if np.isfinite(values).any():
        assert np.nanmax(values) == values[kept].max()
        assert np.nanmin(values) == values[kept].min()
