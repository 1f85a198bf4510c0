"""Short runs on fakes, recorded in real folders, and their replay."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sequencer.clocks import VirtualClock, real_ns
from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.plan.step import PlannedStep
from sequencer.recording.folder import RunFolder
from sequencer.recording.manifest import Start, compose
from sequencer.recording.medium import DISK
from sequencer.recording.run import read_run
from sequencer.replaying.decisions import Replayed, replay
from sequencer.vocabulary.commands import Command
from sequencer.vocabulary.faults import InstrumentError
from sequencer.vocabulary.sample import Sample
from tests.builders import CHANNELS, LIMITS, FixedPlan, S, charge, discharge, rest
from tests.fakes import LinearCellBench

WATCHED = LIMITS._replace(heat_j_per_k=0.0)
"""The fake cell never warms, so the rule for frozen sensors is left out here."""
NIGHT = (
    rest(10),
    charge(1.5, 4.2, 0.35, 2),
    rest(10, 3),
    discharge(3.0, 3.0, 4, seconds=20),
    rest(10, 5),
)
_ELECTRICAL = ("voltage_v", "current_a", "supply_v", "supply_a", "load_v", "load_a")


class RoundedBench(LinearCellBench):
    """The linear cell, nearly full, read with the recorded digits as a driver must; an order that
    drives fails from ``refuses_from`` on (counted from 1)."""

    def __init__(self, soc: float = 0.97, refuses_from: int = 1 << 62) -> None:
        super().__init__([], soc=soc)
        self._orders_left = refuses_from - 1
        self.refusal: Exception | None = None

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """A sample whose volts and amperes have six decimals."""
        seen = super().read(at_ns, late_ns, period_ns)
        return seen._replace(**{name: round(getattr(seen, name), 6) for name in _ELECTRICAL})

    def apply(self, command: Command) -> None:
        """Obey, as long as it does."""
        if self._orders_left <= 0 and self.refusal is not None:
            raise self.refusal
        self._orders_left -= 1
        super().apply(command)


class Went(NamedTuple):
    """A run that was recorded in a folder."""

    folder: Path
    outcome: Outcome


def go(
    folder: Path,
    bench: LinearCellBench,
    steps: Sequence[PlannedStep] = NIGHT,
    disk: Any = DISK,
    clock: VirtualClock | None = None,
    **ports: Any,
) -> Went:
    """A run of ``steps`` on ``bench``, recorded."""
    start = Start(S, 0)
    manifest = compose("night", start, run_id="replayed", rehearsal=True)
    log = RunFolder.create(folder, manifest, start, real_ns=real_ns, disk=disk, sync_every_s=None)
    plan = FixedPlan("night", WATCHED, list(steps))
    panel = make_panel(WATCHED, CHANNELS)
    clock = clock or VirtualClock(S)
    return Went(folder, Execution(plan, CHANNELS, bench, clock, log, panel, **ports).run())


def again(folder: Path, steps: Sequence[PlannedStep] = NIGHT, limits: Any = WATCHED) -> Replayed:
    """The run in ``folder``, decided again."""
    found = read_run(folder)
    plan = FixedPlan("night", limits, list(steps))
    return replay(found.rows, found.entries, plan, CHANNELS, make_panel(limits, CHANNELS))


def refusal_of(error: InstrumentError, nth: int) -> RoundedBench:
    """A bench whose n-th order fails with ``error``."""
    bench = RoundedBench(refuses_from=nth)
    bench.refusal = error
    return bench
