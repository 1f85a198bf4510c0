"""The proof test's step for the load's cut-out, on a bench that does what a test wants."""

from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.clocks import VirtualClock
from sequencer.commissioning.proof_test import ProofTest
from sequencer.vocabulary.sample import OFF, ON, Sample


class Bench:
    """A supply that feeds 0.2 A at 1.5 V, and a load whose cut-out acts and latches as told."""

    def __init__(self, *, acts: bool, latches: bool, draws: float = 0.1) -> None:
        self.acts, self.latches, self.draws = acts, latches, draws
        self.is_on, self.done = False, list[tuple[str, str, float | None]]()

    def perform(self, name: str, operation: str, value: float | None = None) -> None:
        """Only the load's input matters."""
        self.done.append((name, operation, value))
        if operation == "output on":
            self.is_on = True
        elif operation == "set under-voltage" and value is not None and self.acts:
            self.is_on = self.is_on and value < 1.5 if value else not self.latches

    def apply(self, _command: object) -> None:
        """Nothing to see."""

    def make_safe(self) -> None:
        """Off."""
        self.is_on = False

    def read(self, at_ns: int, _late_ns: int, _period_ns: int) -> Sample:
        """What the two show."""
        on = ON if self.is_on else OFF
        amps = self.draws if self.is_on else 0.0
        return Sample(at_ns, supply_v=1.5, supply_a=0.2, load_v=1.5, load_a=amps, load_on=on)


def shown_by(bench: Bench, *, latching: bool = True) -> Any:
    """The step, carried out on that bench."""
    traits = SimpleNamespace(latching_undervoltage_cut_out=latching)
    load = SimpleNamespace(traits=traits, operations=("set under-voltage",))
    wiring = SimpleNamespace(charge="supply", contactor=None, discharge="load", sensors=())
    document: Any = SimpleNamespace(wiring=wiring)
    opened: Any = SimpleNamespace(bench=bench, clock=VirtualClock(0))
    definitions: Any = {"supply": SimpleNamespace(operations=()), "load": load}
    return ProofTest(opened, document, definitions, lambda _: None).cut_out()


@pytest.mark.parametrize(
    ("bench", "passed", "words"),
    [
        (Bench(acts=True, latches=True), True, "it cut 0.100 A by itself, and stayed off"),
        (Bench(acts=True, latches=False), False, "came on AGAIN: it does not latch"),
        (Bench(acts=False, latches=True), False, "it did not act"),
        (Bench(acts=True, latches=True, draws=0.01), False, "drew less than 0.05 A"),
    ],
)
def test_a_cut_out_must_act_and_latch(bench, passed, words):
    """And must have had a current to cut; the supply's protection is as before afterwards."""
    shown = shown_by(bench)
    assert (shown.passed, words in shown.words) == (passed, True), shown
    assert ("load", "output on", None) in bench.done


def test_a_load_without_a_cut_out_has_none_to_prove():
    """Nothing is switched on for it."""
    bench = Bench(acts=True, latches=True)
    assert shown_by(bench, latching=False).passed
    assert bench.done == []
