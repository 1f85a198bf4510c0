"""The truth campaign on the twin: every trouble alone, every pair of them, and triples by seed.

A run is the small night of one bench with its troubles, without a record of it (unless the disk is
what fails): a third of the time of a trial, which also reads and replays what was recorded.
"""

import random
import shutil
import tempfile
from collections.abc import Iterator
from functools import cache
from itertools import combinations
from pathlib import Path
from typing import Any

from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.vocabulary.intent import CONTINUE_REFUSED
from tests.fakes import MemoryLog
from tests.safety import small_night
from tests.safety.catalogue import Trouble, name_of
from tests.safety.ended import truth_of
from tests.safety.matrix import troubles_of
from tests.safety.outcomes import Job, Strike, Told, tell
from tests.safety.small_night import INSTANTS, PHASES, TRUTH_BENCHES, Moment
from tests.safety.trial import Struck, make_record, memory, spans
from tests.safety.troubled import TroubledBench, TroubledPorts
from tests.safety.truth import Truth

FACE = "virtual"
_DISK_ROW = 26


@cache
def _named(bench: str) -> dict[str, Trouble]:
    return {name_of(one): one for one in troubles_of(bench)}


@cache
def phases_of(bench: str) -> tuple[str, ...]:
    """The phases that the night of that bench has: without a load, two fewer."""
    return tuple(one for one in PHASES if one == "checking" or one in spans(bench))


def jobs(seed: int) -> list[Job]:
    """Every trouble at every instant, and every pair in every phase at instants drawn by seed; in
    an order drawn by seed, so that any first part of it is a fair sample."""
    found = [job for bench in TRUTH_BENCHES for job in (*_singles(bench), *_pairs(seed, bench))]
    random.Random(seed).shuffle(found)
    return found


def _singles(bench: str) -> Iterator[Job]:
    for name in _named(bench):
        for phase in phases_of(bench):
            for instant in range(len(INSTANTS)):
                yield Job(FACE, bench, (Strike(name, phase, instant),))


def _pairs(seed: int, bench: str) -> Iterator[Job]:
    for one, other in combinations(_named(bench), 2):
        for phase in phases_of(bench):
            chance = random.Random(f"{seed}/{bench}/{phase}/{one}/{other}")
            first, second = (chance.randrange(len(INSTANTS)) for _ in range(2))
            yield Job(FACE, bench, (Strike(one, phase, first), Strike(other, phase, second)))


def triples(seed: int, count: int) -> list[Job]:
    """So many times three troubles, each in a phase of its own."""
    chance = random.Random(f"triples/{seed}")
    found = []
    for number in range(count):
        bench = list(TRUTH_BENCHES)[number % len(TRUTH_BENCHES)]
        names = chance.sample(list(_named(bench)), 3)
        struck = tuple(
            Strike(name, chance.choice(phases_of(bench)), chance.randrange(len(INSTANTS)))
            for name in names
        )
        found.append(Job(FACE, bench, struck))
    return found


def run(job: Job) -> Told:
    """One run, and what is wrong with its ending."""
    named = _named(job.bench)
    struck = [(_moment(job.bench, one), named[one.name]) for one in job.struck]
    outcome, truth = run_ended(struck, job.bench)
    return tell(job, outcome, truth)


def _moment(bench: str, strike: Strike) -> Moment:
    return small_night.moments(spans(bench), strike.phase)[strike.instant]


class _Asked:
    """A record that hears whether a person may go on; one who may not ends the run, which would
    stay paused without end."""

    def __init__(self, log: Any) -> None:
        self._log, self.is_continue_refused = log, False

    def note(self, kind: str, entry: Any) -> None:
        self.is_continue_refused = self.is_continue_refused or kind == CONTINUE_REFUSED
        self._log.note(kind, entry)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._log, name)


def run_ended(struck: list[Struck], bench: str) -> tuple[Outcome, Truth]:
    """Run the small night of that bench with these troubles; its outcome and what is really so."""
    run_documents, channels = small_night.run_documents(bench), small_night.channels(bench)
    ports = TroubledPorts(small_night.make_twin(bench), run_documents.plan.limits)
    ports.pending = [(moment, one.strike) for moment, one in sorted(struck, key=lambda s: s[0][2])]
    place = None
    if any(one.row == _DISK_ROW for _, one in struck):
        place = Path(tempfile.mkdtemp(prefix="nightbench-truth-", dir=memory()))
    log = _Asked(MemoryLog([]) if place is None else make_record(place / "run", ports))
    try:
        outcome = Execution(
            run_documents.plan,
            channels,
            TroubledBench(ports),
            ports.clock,
            log,
            make_panel(run_documents.plan.limits, channels),
            request=lambda: "abort" if log.is_continue_refused else ports.request(),
        ).run()
    finally:
        if place is not None:
            shutil.rmtree(place)
    return outcome, truth_of(ports, struck, bench, outcome)
