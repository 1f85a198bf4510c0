"""Curves thinned for a page, and which steps have them."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.analysis.analyse import analyse
from sequencer.analysis.picturing import places
from tests.analysis.pretending import cell, charge, ran, steady
from tests.analysis.test_analyse import empty, full


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


def test_a_charge_in_many_small_steps_leaves_room_for_the_discharges_behind_it():
    """Thirty charges of six minutes come first: each complete discharge has its curves, its energy
    and its voltage all the same; a plan above 4.35 V is charged in so many."""
    steps = [charge(steady(0.1), 360.0, lambda t: 3.7 + 0.0 * t) for _ in range(30)]
    found = analyse(
        ran([*steps, *full(), *empty(), *full(), *empty(), *full(), *empty()], cell=cell())
    )
    drawn = {one.key for one in found.curves if one.key.startswith("voltage.discharge.")}
    told = {one.key for one in found.figures if one.key.startswith("energy.discharge.")}
    assert len(drawn) == len(told) == 3
