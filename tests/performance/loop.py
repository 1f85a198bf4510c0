"""The loop over loopback sockets: overhead a tick, and lateness at 20 Hz."""

import time
from collections.abc import Iterator
from typing import Any

import pyvisa

from sequencer.executive import Execution
from sequencer.interlocks.panel import make_panel
from sequencer.plan.step import PlannedStep, Sampling, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Exit
from tests.builders import FixedPlan
from tests.fakes import MemoryLog
from tests.performance.desk import Desk, desk, read_demonstration
from tests.performance.figure import Figure, loaded, percentile

PERIOD_NS = 50_000_000


class Stopwatch:
    """A bench that notes how long its calls took (ns)."""

    def __init__(self, desk: Desk) -> None:
        self._bench = desk.bench
        self.read_ns: list[int] = []
        self.tick_ns: list[int] = []
        self.late_ns: list[int] = []
        self._began_ns = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._bench, name)

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """Read, and note when and how late."""
        began = time.perf_counter_ns()
        if self._began_ns:
            self.tick_ns.append(began - self._began_ns)
        sample = self._bench.read(at_ns, late_ns, period_ns)
        self.read_ns.append(time.perf_counter_ns() - began)
        self.late_ns.append(late_ns)
        self._began_ns = began
        return sample


def discharge(seconds: float) -> PlannedStep:
    """A discharge at 1 A, sampled at 20 Hz."""
    return PlannedStep(
        1,
        1,
        "CC discharge",
        "",
        Drive(Direction.DISCHARGE, 1.0, 3.0),
        (Stop(StopKind.TIME, seconds),),
        seconds + 5.0,
        bound_is_derived=False,
        sampling=Sampling(every_ns=PERIOD_NS, fast_ns=PERIOD_NS),
    )


def run_for(opened: Desk, watch: Stopwatch, seconds: float) -> Exit:
    """A discharge of so many seconds, with the times that its calls took."""
    limits = opened.run_documents.plan.limits
    plan = FixedPlan("performance", limits, [discharge(seconds)])
    outcome = Execution(
        plan,
        opened.channels,
        watch,
        opened.clock,
        MemoryLog([]),
        make_panel(limits, opened.channels),
    ).run()
    return outcome.exit


def overhead() -> Iterator[Figure]:
    """What a tick costs beyond reading the instruments, in lockstep."""
    run_documents = read_demonstration()
    with desk(run_documents, real_time=False) as opened:
        raw_us = _raw_query_us(opened)
        watch = Stopwatch(opened)
        run_for(opened, watch, 100.0)
    ours = [tick - read for tick, read in zip(watch.tick_ns, watch.read_ns, strict=False)]
    p99_ms = percentile(ours, 99) / 1e6
    median_read_us = percentile(watch.read_ns, 50) / 1e3
    yield Figure(
        f"control overhead a tick beyond reading, p99 of {len(ours)} (lockstep move included)",
        f"{p99_ms:.2f} ms (median {percentile(ours, 50) / 1e3:.0f} us)",
        "<= 1 ms",
        f"reading five instruments {median_read_us:.0f} us; one raw PyVISA query {raw_us:.0f} us",
        p99_ms <= 1.0,
    )


def _raw_query_us(opened: Desk) -> float:
    manager = pyvisa.ResourceManager("@py")
    session: Any = manager.open_resource(
        opened.served.addresses["meter"], read_termination="\n", write_termination="\n"
    )
    took = []
    for _ in range(500):
        began = time.perf_counter_ns()
        session.query("*IDN?")
        took.append(time.perf_counter_ns() - began)
    session.close()
    manager.close()
    return percentile(took, 50) / 1e3


_LEAST_TICKS = 200
"""Fewer ticks in fifteen seconds at 20 Hz are no figure, whatever their lateness was."""


def lateness() -> Iterator[Figure]:
    """Lateness of ticks at 20 Hz in real time, idle and loaded."""
    run_documents = read_demonstration()
    for words, goal_ms in (("idle", 2.0), ("loaded", 15.0)):
        with desk(run_documents, real_time=True) as opened:
            watch = Stopwatch(opened)
            if words == "loaded":
                with loaded():
                    run_for(opened, watch, 15.0)
            else:
                run_for(opened, watch, 15.0)
        late_ms = percentile(watch.late_ns, 99) / 1e6
        yield Figure(
            f"lateness at 20 Hz over loopback, {words}, p99 of {len(watch.late_ns)}",
            f"{late_ms:.2f} ms",
            f"<= {goal_ms:.0f} ms",
            "",
            late_ms <= goal_ms and len(watch.late_ns) >= _LEAST_TICKS,
        )
