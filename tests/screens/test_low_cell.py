"""A cell that lies below its recommended voltage while its run is paused: on the board and in the
lines, before anything else."""

from pathlib import Path

import pytest

from tests.screens.console import seen
from tests.screens.invented_night import SENTENCE, START, begin, charge

LOW = {"step": 2, "state": "discharging", "sentence": SENTENCE, "words": "residual discharge"}


def in_it(*, paused: bool):
    """A run in a residual discharge, or paused there."""
    run = begin(Path("run"))
    charge(run)
    run.note("state", {**LOW, "at_ns": START.bench_ns + 700_000_000_000})
    if paused:
        run.note("state", {**LOW, "state": "paused", "at_ns": START.bench_ns + 800_000_000_000})
    return run


@pytest.mark.parametrize("paused", [True, False])
@pytest.mark.parametrize("way", [{"once": True}, {"plain": True, "alive": False}])
def test_a_pause_below_the_recommended_voltage_says_what_to_do(paused, way):
    """Nothing while the run goes on with it, as the board shows; a run that nobody owns any more
    has stopped too."""
    in_it(paused=paused)
    told = " ".join(" ".join(seen(Path("run"), **way)).split())
    asks = paused or "plain" in way
    assert ("DO FIRST: the cell lies below its recommended voltage" in told) is asks
    assert ("Do not leave it." in told) is asks
    if asks and "once" in way:
        assert told.find("DO FIRST") < told.find("PAUSED")
