"""Simulated benches from the shipped documents, and variations of them."""

from functools import cache
from pathlib import Path
from typing import Any

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
)
from drivers.simulated.twin import TwinBench
from sequencer.documents.bench import BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.simulation import SimulatedCellDocument, Simulation
from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench

ROOT = Path(__file__).resolve().parents[3]
S = 1_000_000_000
"""One second in nanoseconds."""

Documents = tuple[BenchDocument, dict[str, InstrumentDefinition], SimulatedCellDocument]


@cache
def documents(name: str = "demonstration") -> Documents:
    """Bench, definitions by instrument name, and simulated cell of a shipped bench."""
    intake = Intake()
    found = look_at_bench(
        ROOT / "sim_configs" / "benches" / f"{name}.yaml",
        lambda kind: ROOT / "drivers" / "definitions" / f"{kind}.yaml",
        intake,
    )
    assert found is not None, intake.faults
    assert found.simulated_cell is not None
    definitions = {key: one.document for key, one in found.definitions.items()}
    return found.bench.document, definitions, found.simulated_cell.document


def simulation(**truth: Any) -> Simulation:
    """A simulation section; keys as field names."""
    entries = {key.replace("_", " "): value for key, value in truth.items()}
    return Simulation.model_validate({"cell": "given", **entries})


def rewired(name: str = "demonstration", **wiring: Any) -> BenchDocument:
    """A shipped bench with parts of its wiring changed."""
    document = documents(name)[0]
    return document.model_copy(update={"wiring": document.wiring.model_copy(update=wiring)})


def bench_of(name: str = "demonstration", **truth: Any) -> SimulatedBench:
    """A shipped bench, its simulation section replaced when ``truth`` is given."""
    document, definitions, cell = documents(name)
    return SimulatedBench(document, definitions, cell, simulation(**truth) if truth else None)


def twin_of(name: str = "demonstration", **truth: Any) -> TwinBench:
    """The twin of a shipped bench."""
    document, definitions, cell = documents(name)
    return TwinBench(document, definitions, cell, simulation(**truth) if truth else None)


def supply_of(bench: SimulatedBench) -> SimulatedSupply:
    """Its supply, which must be there."""
    assert bench.supply is not None
    return bench.supply


def load_of(bench: SimulatedBench) -> SimulatedLoad:
    """Its load, which must be there."""
    assert bench.load is not None
    return bench.load


def meter_of(bench: SimulatedBench) -> SimulatedMeter:
    """Its meter, which must be there."""
    assert bench.meter is not None
    return bench.meter


def contactor_of(bench: SimulatedBench) -> SimulatedContactor:
    """Its contactor, which must be there."""
    assert bench.contactor is not None
    return bench.contactor
