"""The small night that the campaign runs: its documents, its benches, and when each phase is."""

from functools import cache
from pathlib import Path
from typing import NamedTuple

from drivers.simulated.twin import TwinBench
from sequencer.assembly.benches import make_safing_plan
from sequencer.documents.simulation import Simulation
from sequencer.inspection import Questions
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunDocuments, RunOptions, read_run_documents
from sequencer.vocabulary.measuring_channels import MeasuringChannels

ROOT = Path(__file__).resolve().parents[2]
PROFILE = Path(__file__).with_name("small-night.yaml")
LONG = Path(__file__).with_name("long-night.yaml")
CELL = ROOT / "profiles" / "cells" / "lamp-pouch.yaml"
BENCHES = {
    name: ROOT / "sim_configs" / "benches" / f"{name}.yaml" for name in ("demonstration", "modest")
}
TRUTH_BENCHES = {**BENCHES, "bare": ROOT / "sim_configs" / "benches" / "bare.yaml"}
"""Where the proof of off is held against the truth: also where nothing can discharge."""
BARE = Path(__file__).with_name("bare-night.yaml")
START_NS = 1_000_000_000
PHASES = ("checking", "CC", "CV", "rest", "discharge", "pulse", "changeover", "finishing")
INSTANTS = (0.02, 0.5, 0.98)
"""Where in a phase a fault begins: soon after its start, in its middle, just before its end."""
STATE_OF_CHARGE = {"demonstration": 0.886, "modest": 0.765, "bare": 0.886}
"""So full that the charge crosses to constant voltage half-way."""


class Moment(NamedTuple):
    """When a fault begins: at that bench time; while checking, before that call of the bench."""

    phase: str
    instant: int
    at_ns: int
    call: int = 0


class Span(NamedTuple):
    """A phase of the undisturbed night (bench time, ns)."""

    from_ns: int
    to_ns: int

    def at(self, share: float) -> int:
        """That share of the way through, in whole microseconds."""
        return self.from_ns + round((self.to_ns - self.from_ns) * share) // 1000 * 1000


@cache
def run_documents(bench: str = "demonstration", profile: Path = PROFILE) -> RunDocuments:
    """The documents of the small night, or another, on that bench."""
    if bench == "bare" and profile == PROFILE:
        profile = BARE
    return read_run_documents(RunOptions(profile, CELL, TRUTH_BENCHES[bench]))


@cache
def channels(bench: str = "demonstration") -> MeasuringChannels:
    """What that bench can see."""
    return measuring_channels_of(run_documents(bench))


def truth_of(bench: str, profile: Path = PROFILE) -> Simulation:
    """What is true of that bench, with the cell nearly full for the small night."""
    read = run_documents(bench)
    assert read.bench is not None
    truth = read.bench.bench.document.simulation
    assert truth is not None
    if profile != PROFILE:
        return truth
    return truth.model_copy(update={"state_of_charge": STATE_OF_CHARGE[bench]})


def make_twin(bench: str = "demonstration", profile: Path = PROFILE) -> TwinBench:
    """A new twin for that night."""
    read = run_documents(bench)
    assert read.bench is not None
    assert read.bench.simulated_cell is not None
    document, cell = read.bench.bench.document, read.bench.simulated_cell.document
    truth, capacity_ah = truth_of(bench, profile), read.cell.document.rated_capacity
    return TwinBench(document, read.definitions, cell, truth, capacity_ah=capacity_ah)


@cache
def questions(bench: str = "demonstration") -> Questions:
    """What the inspection of that bench is asked: the level that was announced."""
    return Questions(make_safing_plan(run_documents(bench), {}).reach)


def moments(spans: dict[str, Span], phase: str) -> list[Moment]:
    """The three instants of a phase. Checking takes no bench time: there they are its calls
    (identify, protect, first proof)."""
    if phase == "checking":
        return [Moment(phase, n, START_NS, n) for n in range(len(INSTANTS))]
    return [Moment(phase, n, spans[phase].at(share)) for n, share in enumerate(INSTANTS)]
