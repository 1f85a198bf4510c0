"""Soak: ``python -m tests.safety.soak [--ticks N] [--reconnects N]``.

The real executive, drivers and recorder on the served demonstration bench, in lockstep: a million
ticks over sockets and terminals, then a thousand reconnections. Memory, open handles and threads
of this process and of the served bench are read all along; after a warm-up nothing may grow.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import psutil

from drivers.instruments.bench import WiredBench
from drivers.instruments.instrument import Instrument
from drivers.simulated.served import start_served
from drivers.transports.choice import transport_for
from sequencer.clocks import LockstepClock, real_ns
from sequencer.executive import Execution
from sequencer.interlocks.panel import make_panel
from sequencer.recording.folder import RunFolder
from sequencer.recording.manifest import Start, compose
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunDocuments, RunOptions, read_run_documents
from sequencer.vocabulary.verdict import Exit
from tests.safety.small_night import BENCHES, CELL

PROFILE = Path(__file__).with_name("kill-night.yaml")
WARM_UP = 0.2
"""This share of the ticks is not looked at: caches and pools fill."""
MOST_BYTES = 4_000_000
"""Growth allowed after the warm-up: what an allocator keeps for itself (measured: under 1 MB)."""


class Holding(NamedTuple):
    """What the processes hold at one tick: bytes, handles and threads of both, together."""

    tick: int
    bytes: int
    handles: int
    threads: int


def held_by(processes: Sequence[psutil.Process], tick: int) -> Holding:
    """Now."""
    return Holding(
        tick,
        sum(one.memory_info().rss for one in processes),
        sum(one.num_fds() for one in processes),
        sum(one.num_threads() for one in processes),
    )


class Watching:
    """Asked every tick for a person's wish: counts, looks now and then, aborts after the last."""

    def __init__(self, processes: Sequence[psutil.Process], ticks: int) -> None:
        self._processes, self._ticks = processes, ticks
        self._every = max(1, ticks // 100)
        self.tick = 0
        self.seen: list[Holding] = []

    def request(self) -> str:
        """``abort`` once all ticks were made."""
        self.tick += 1
        if self.tick % self._every == 0:
            self.seen.append(held_by(self._processes, self.tick))
        return "abort" if self.tick >= self._ticks else ""


def growth(seen: Sequence[Holding]) -> Holding:
    """What is held more at the end than after the warm-up (medians of five looks)."""
    rest = seen[int(len(seen) * WARM_UP) :]
    first, last = rest[:5], rest[-5:]

    def grown(field: str) -> int:
        ends = [sorted(getattr(one, field) for one in looks) for looks in (first, last)]
        return ends[1][len(ends[1]) // 2] - ends[0][len(ends[0]) // 2]

    return Holding(
        last[-1].tick - first[0].tick, grown("bytes"), grown("handles"), grown("threads")
    )


def run_documents() -> RunDocuments:
    """A night that goes round and round on the demonstration bench."""
    return read_run_documents(RunOptions(PROFILE, CELL, BENCHES["demonstration"]))


def soak(ticks: int, place: Path) -> tuple[list[Holding], float]:
    """So many ticks over sockets in lockstep; what was held all along, and seconds a tick.

    Raises:
        AssertionError: the run did not last so long, or did not end safe.
    """
    read = run_documents()
    assert read.bench is not None
    assert read.bench.simulated_cell is not None
    document, limits, channels = (
        read.bench.bench.document,
        read.plan.limits,
        measuring_channels_of(read),
    )
    with start_served(document, read.definitions, read.bench.simulated_cell.document) as served:
        clock = LockstepClock(*served.control)
        start = Start(clock.now_ns(), 0)
        folder = RunFolder.create(place / "run", compose("soak", start), start, real_ns=real_ns)
        watching = Watching((psutil.Process(), psutil.Process(served.pid)), ticks)
        bench = WiredBench(document, read.definitions, clock, served.addresses)
        began = time.perf_counter()
        outcome = Execution(
            read.plan,
            channels,
            bench,
            clock,
            folder,
            make_panel(limits, channels),
            request=watching.request,
        ).run()
        spent = time.perf_counter() - began
        truth = served.truth()
        clock.close()
    assert outcome.exit is Exit.ABORTED, outcome
    assert not truth["contactor_closed"]
    assert not any((truth["supply_on"], truth["load_on"]))
    return watching.seen, spent / watching.tick


def reconnect(times: int) -> list[Holding]:
    """Every instrument's session ended and made anew so many times, identity asked each time."""
    read = run_documents()
    assert read.bench is not None
    assert read.bench.simulated_cell is not None
    document, seen = read.bench.bench.document, []
    with start_served(document, read.definitions, read.bench.simulated_cell.document) as served:
        instruments = [
            Instrument(name, one, transport_for(served.addresses[name], one.link, name))
            for name, one in read.definitions.items()
        ]
        processes = (psutil.Process(), psutil.Process(served.pid))
        for number in range(times):
            for one in instruments:
                one.open()
                one.identify()
            if number % max(1, times // 50) == 0:
                seen.append(held_by(processes, number))
        for one in instruments:
            one.close()
    return seen


def findings(grown: Holding) -> Iterator[str]:
    """What grew and must not."""
    if grown.bytes > MOST_BYTES:
        yield f"memory grew by {grown.bytes / 1e6:.1f} MB"
    if grown.handles > 0:
        yield f"{grown.handles} handles more"
    if grown.threads > 0:
        yield f"{grown.threads} threads more"


def told(grown: Holding) -> str:
    """In words."""
    return (
        f"{grown.bytes / 1e6:+.2f} MB, {grown.handles:+d} handles, {grown.threads:+d} threads"
        f" over the last {grown.tick}"
    )


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.safety.soak")
    parser.add_argument("--ticks", type=int, default=1_000_000)
    parser.add_argument("--reconnects", type=int, default=1_000)
    given = parser.parse_args()
    wrong = 0
    with tempfile.TemporaryDirectory(prefix="nightbench-soak-") as place:
        seen, tick_s = soak(given.ticks, Path(place))
    for name, looks, more in (
        ("ticks", seen, f", {tick_s * 1e3:.2f} ms a tick"),
        ("reconnections", reconnect(given.reconnects), ""),
    ):
        grown = growth(looks)
        print(f"{given.ticks if more else given.reconnects} {name}: {told(grown)}{more}")
        for words in findings(grown):
            wrong += 1
            print(f"WRONG {name}: {words}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
