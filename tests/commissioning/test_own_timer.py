"""A load's own timer, measured on a bench that does what a test wants: who may be believed."""

from typing import Any

import pytest

from sequencer.clocks import VirtualClock
from sequencer.commissioning.own_timer import OwnTimer
from sequencer.feasibility.timed_bursts import ProvenTimer
from sequencer.vocabulary.sample import Sample
from tests.feasibility.benches import shipped

NAMES = ("supply", "load", "contactor")
DEFINITION = shipped("generic-scpi-load-timed")


class Bench:
    """A supply that holds 0.2 A through 10 Ohm, and a load of 0.1 A beside it which goes off after
    ``ends_s``; at ``opens_s`` the contact opens."""

    def __init__(self, ends_s: float, *, opens_s: float = 1e9, draws: float = 0.1) -> None:
        self.clock = VirtualClock(1_000_000_000)
        self.ends_s, self.opens_s, self.draws = ends_s, opens_s, draws
        self.on_ns: int | None = None
        self.said = list[tuple[str, str]]()

    def perform(self, name: str, operation: str, value: float | None = None) -> dict[str, Any]:
        """Each takes 10 ms; the load comes on in the middle of it."""
        now = self.clock.now_ns()
        self.said.append((name, operation))
        if operation == "output on":
            self.on_ns = now + 5_000_000
        self.clock.wait_until(now + 10_000_000)
        if operation != "measure":
            return {} if value is None else {"read-back": value}
        since_s = (now + 5_000_000 - (self.on_ns or 0)) * 1e-9
        if since_s > self.opens_s:
            return {"voltage": 2.0, "current": 0.0}
        drawn = self.draws if since_s < self.ends_s else 0.0
        return {"voltage": 10.0 * (0.2 - drawn), "current": 0.2}

    def let_go(self, name: str) -> None:
        """The link is cut."""
        self.said.append((name, "cut"))


def measured(bench: Bench) -> tuple[ProvenTimer | None, str]:
    """What the step finds."""
    before = Sample(0, supply_v=2.0, supply_a=0.2)
    one: Any = bench
    return OwnTimer(one, bench.clock, NAMES, before, 0.1).measure(DEFINITION)


def test_the_true_time_lies_within_what_was_measured():
    """Whatever part of a look it falls into; and nothing is said to the load once its link is cut,
    while the contactor, which has a watchdog, is asked."""
    for ends_s in (1.997, 1.9999, 2.0, 2.0003, 2.003):
        bench = Bench(ends_s)
        found, words = measured(bench)
        assert found is not None, words
        assert abs(found.measured_s - ends_s) <= found.plus_minus_s < 0.06
        assert found.late_s >= ends_s - 2.0
        after = bench.said[bench.said.index(("load", "cut")) + 1 :]
        assert {name for name, _ in after} == {"supply", "contactor"}


@pytest.mark.parametrize(
    ("bench", "words"),
    [
        (Bench(1e9), "had NOT ended its current 3 s after 2 s"),
        (Bench(2.5), "NOT within 0.0062 s, as its definition says"),
        (Bench(1.5), "NOT within 0.0062 s, as its definition says"),
        (Bench(2.0, draws=0.02), "drew less than 0.05 A beside the resistor"),
        (Bench(1e9, opens_s=2.0), "the supply's own current ended before the load's"),
    ],
)
def test_another_end_or_none_is_no_proof(bench, words):
    """Late, early, never, no current to end, or somebody else's doing."""
    found, told = measured(bench)
    assert found is None
    assert words in told
