"""A served bench in this process's hands: real sockets, with the clock of choice."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from drivers.instruments.bench import WiredBench
from drivers.simulated.served import ServedBench, start_served
from sequencer.clocks import LockstepClock, WallClock
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunDocuments, RunOptions, read_run_documents
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from tests.performance.rehearsal import ROOT


class Desk(NamedTuple):
    """What a run stands on."""

    run_documents: RunDocuments
    channels: MeasuringChannels
    served: ServedBench
    bench: WiredBench
    clock: LockstepClock | WallClock


def read_demonstration(profile: str = "overnight-rates") -> RunDocuments:
    """The shipped documents of the main job."""
    return read_run_documents(
        RunOptions(
            ROOT / f"profiles/{profile}.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            Path(ROOT / "sim_configs/benches/demonstration.yaml"),
            None,
            (),
        )
    )


@contextlib.contextmanager
def desk(run_documents: RunDocuments, *, real_time: bool) -> Iterator[Desk]:
    """A fresh served bench and a wired bench on it."""
    with serving(run_documents) as served:
        document = _bench_of(run_documents).bench.document
        clock = WallClock() if real_time else LockstepClock(*served.control)
        bench = WiredBench(document, run_documents.definitions, clock, served.addresses)
        yield Desk(run_documents, measuring_channels_of(run_documents), served, bench, clock)


def serving(run_documents: RunDocuments) -> ServedBench:
    """A fresh served bench."""
    bench = _bench_of(run_documents)
    assert bench.simulated_cell is not None
    return start_served(
        bench.bench.document, run_documents.definitions, bench.simulated_cell.document
    )


def _bench_of(run_documents: RunDocuments) -> BenchSet:
    assert run_documents.bench is not None
    return run_documents.bench
