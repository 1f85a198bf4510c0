"""A served bench in this process's hands: real sockets, with the clock of choice."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from drivers.instruments.bench import WiredBench
from drivers.simulated.served import ServedBench, start_served
from sequencer.assembly.benches import make_outfit
from sequencer.assembly.papers import Papers, Wish, read_papers
from sequencer.clocks import LockstepClock, WallClock
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.outfit import Outfit
from tests.performance.rehearsal import ROOT


class Desk(NamedTuple):
    """What a run stands on."""

    papers: Papers
    outfit: Outfit
    served: ServedBench
    bench: WiredBench
    clock: LockstepClock | WallClock


def read_demonstration(profile: str = "overnight-rates") -> Papers:
    """The shipped documents of the main job."""
    return read_papers(
        Wish(
            ROOT / f"profiles/{profile}.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            Path(ROOT / "sim_configs/benches/demonstration.yaml"),
            None,
            (),
        )
    )


@contextlib.contextmanager
def desk(papers: Papers, *, real_time: bool) -> Iterator[Desk]:
    """A fresh served bench and a wired bench on it."""
    with serving(papers) as served:
        document = _bench_of(papers).bench.document
        clock = WallClock() if real_time else LockstepClock(*served.control)
        bench = WiredBench(document, papers.definitions, clock, served.addresses)
        yield Desk(papers, make_outfit(papers), served, bench, clock)


def serving(papers: Papers) -> ServedBench:
    """A fresh served bench."""
    bench = _bench_of(papers)
    assert bench.simulated_cell is not None
    return start_served(bench.bench.document, papers.definitions, bench.simulated_cell.document)


def _bench_of(papers: Papers) -> BenchSet:
    assert papers.bench is not None
    return papers.bench
