"""A sample of the campaign over real sockets and terminals: every kind of fault document, drawn.

The real executive, drivers and transports against the served demonstration bench, in lockstep.
What is really so is asked of the bench itself once the run has ended.
"""

import random
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from drivers.instruments.bench import WiredBench
from drivers.simulated.served import ServedBench, start_served
from sequencer.clocks import LockstepClock
from sequencer.documents.faults import FaultDocument
from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.source.loading import load
from sequencer.vocabulary.verdict import Exit
from tests.fakes import MemoryLog
from tests.safety import small_night
from tests.safety.small_night import ROOT, START_NS
from tests.safety.trial import spans

FAULTS = sorted((ROOT / "sim_configs" / "faults").glob("*.yaml"))
LATEST_S = 130.0


class Served(NamedTuple):
    """How one run over the wires went. ``wrong`` in words; empty is a pass."""

    name: str
    at_s: float
    phase: str
    outcome: Outcome
    wrong: tuple[str, ...]

    def __str__(self) -> str:
        cause = self.outcome.trip.reason if self.outcome.trip else "; ".join(self.outcome.refusals)
        level = self.outcome.proof.level.value
        return (
            f"{self.name:24} {self.at_s:6.1f} s {self.phase:10} exit {int(self.outcome.exit)},"
            f" level {level}: {cause[:80] or 'done'}"
        )


def draw_faults(seed: int, count: int) -> Iterator[tuple[Path, float]]:
    """Every fault document in turn, at a moment of the night drawn by seed."""
    chance = random.Random(seed)
    order = chance.sample(FAULTS, len(FAULTS))
    for number in range(count):
        yield order[number % len(order)], round(chance.uniform(0.0, LATEST_S), 3)


def run_served(path: Path, at_s: float) -> Served:
    """One small night over the wires with one fault in it."""
    fault = load(path, FaultDocument).document.model_copy(
        update={"counted_from": "start", "at": at_s}
    )
    read = small_night.run_documents()
    assert read.bench is not None
    assert read.bench.simulated_cell is not None
    truth = small_night.truth_of("demonstration")
    document = read.bench.bench.document.model_copy(update={"simulation": truth})
    cell = read.bench.simulated_cell.document
    with start_served(document, read.definitions, cell, [fault]) as served:
        clock = LockstepClock(*served.control)
        channels = small_night.channels()
        outcome = Execution(
            read.plan,
            channels,
            WiredBench(document, read.definitions, clock, served.addresses),
            clock,
            MemoryLog([]),
            make_panel(read.plan.limits, channels),
        ).run()
        wrong = tuple(_findings(outcome, served))
        clock.close()
    return Served(path.stem, at_s, _phase_at(at_s), outcome, wrong)


def _findings(outcome: Outcome, served: ServedBench) -> Iterator[str]:
    truth = served.truth()
    on = (truth["supply_on"] or truth["load_on"]) and truth["contactor_closed"]
    if on and outcome.exit is not Exit.UNPROVEN:
        yield f"exit {int(outcome.exit)} with an output on"
    if abs(truth["current_a"]) > 2e-3 and outcome.exit is not Exit.UNPROVEN:
        yield f"exit {int(outcome.exit)} with {truth['current_a']:.3f} A"
    if outcome.exit is Exit.BUG:
        yield f"a bug: {outcome.error!r}"
    if outcome.exit not in (Exit.DONE, Exit.REFUSED, Exit.UNPROVEN) and not outcome.proof.is_off:
        yield f"exit {int(outcome.exit)} although off is not proven"
    if outcome.exit is not Exit.DONE and not (outcome.trip or outcome.refusals):
        yield "no first cause"


def _phase_at(at_s: float) -> str:
    at_ns = START_NS + round(at_s * 1e9)
    found = [name for name, span in spans().items() if span.from_ns <= at_ns < span.to_ns]
    return found[0] if found else "-"


def report_served(seed: int, count: int) -> Iterator[tuple[str, bool]]:
    """Lines of the report, and whether each tells of something wrong."""
    yield f"\n== {count} runs over sockets and terminals ==", False
    for path, at_s in draw_faults(seed, count):
        result = run_served(path, at_s)
        yield str(result), False
        for words in result.wrong:
            yield f"WRONG {result.name} at {result.at_s} s: {words}", True
