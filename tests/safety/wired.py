"""The truth campaign over sockets and terminals: the wired bench and the real safing, in lockstep.

Every pair of fault documents in which one concerns off, silence, a panel or a denial, on every
bench, each in a phase and at an instant drawn by seed; so often that every pair comes in more than
one phase. What is really so is asked of the served bench, at every reading after an off and at the
end of the run.
"""

import random
from collections.abc import Iterator
from functools import cache
from itertools import combinations
from typing import Any

from drivers.instruments.bench import WiredBench
from drivers.simulated.bench import SimulatedBench
from drivers.simulated.concerned import NoPlaceError, instrument_named
from drivers.simulated.disturbance import Disturbance
from drivers.simulated.served_server import Documents
from sequencer.clocks import LockstepClock
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.source.loading import load
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Exit, Proof
from tests.fakes import MemoryLog
from tests.safety import small_night
from tests.safety.ended import RESTED_AFTER_NS, document_of, ended_ns, is_witnessed, leaks_a
from tests.safety.forking import Peer, forked
from tests.safety.lies import concerned, liar
from tests.safety.outcomes import Job, Strike, Told, tell
from tests.safety.small_night import INSTANTS, ROOT, START_NS, TRUTH_BENCHES
from tests.safety.trial import spans
from tests.safety.truth import Truth
from tests.safety.virtual import phases_of

FACE = "wired"
FAULTS = {
    path.stem: load(path, FaultDocument).document
    for path in sorted((ROOT / "sim_configs" / "faults").glob("*.yaml"))
}
ABOUT_OFF = frozenset(
    {
        "contactor open",
        "contactor welded",
        "ignored off",
        "killed",
        "on and silent",
        "output denied",
        "panel",
        "power dip",
        "reboot",
        "reversed sign",
        "silent",
        "stale",
    }
)
"""Kinds that concern off, silence, a panel or a denial."""
SILENT = frozenset({"killed", "on and silent", "silent"})
ANSWER_S = 0.4
"""How long an answer is waited for (1 s by the definitions): who answers here answers at once, and
who is silent is silent. A late answer comes after 3 s. One that a busy computer makes late can only
leave a proof out."""
PHASES_EACH = 1
"""In how many phases every pair comes."""
_JOINED_AFTER_NS = 5_000_000_000
"""So long after its start a run has closed the contactor."""


def jobs(seed: int) -> list[Job]:
    """Every fault alone in every phase, and the pairs; in an order drawn by seed."""
    found = [
        job for bench in TRUTH_BENCHES for job in (*_singles(seed, bench), *_pairs(seed, bench))
    ]
    random.Random(seed).shuffle(found)
    return found


def _singles(seed: int, bench: str) -> Iterator[Job]:
    for name in _placed(bench):
        for phase in phases_of(bench):
            chance = random.Random(f"{seed}/{bench}/{phase}/{name}")
            yield Job(FACE, bench, (Strike(name, phase, chance.randrange(len(INSTANTS))),))


def _pairs(seed: int, bench: str) -> Iterator[Job]:
    for one, other in combinations(_placed(bench), 2):
        if not {FAULTS[one].kind, FAULTS[other].kind} & ABOUT_OFF:
            continue
        chance = random.Random(f"{seed}/{bench}/{one}/{other}")
        for phase in chance.sample(phases_of(bench), PHASES_EACH):
            yield Job(
                FACE,
                bench,
                tuple(
                    Strike(name, phase, chance.randrange(len(INSTANTS))) for name in (one, other)
                ),
            )


@cache
def _placed(bench: str) -> tuple[str, ...]:
    """The faults that have a place on that bench."""
    return tuple(name for name, fault in FAULTS.items() if _has_place(bench, fault))


def _has_place(bench: str, fault: FaultDocument) -> bool:
    read = small_night.run_documents(bench)
    assert read.bench is not None
    assert read.bench.simulated_cell is not None
    try:
        if not fault.is_physical:
            instrument_named(document_of(bench), fault.instrument or "")
            return True
        physics = SimulatedBench(
            document_of(bench), read.definitions, read.bench.simulated_cell.document
        )
        Disturbance(physics).check(fault)
    except NoPlaceError:
        return False
    return True


class Watched:
    """The wired bench, and beside it the truth after every off."""

    def __init__(self, bench: WiredBench, peer: Peer) -> None:
        """Nothing proven yet."""
        self._bench, self._peer = bench, peer
        self._is_proven = False
        self.most_a = 0.0
        self.identify, self.protect, self.apply = bench.identify, bench.protect, bench.apply
        self.prove_off, self.close = bench.prove_off, bench.close

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """As the bench."""
        sample = self._bench.read(at_ns, late_ns, period_ns)
        if self._is_proven:
            self.look()
        return sample

    def make_safe(self, *told: Any) -> Proof:
        """As the bench; what flows from here on is held against this proof."""
        proof = self._bench.make_safe(*told)
        self._is_proven, self.most_a = True, 0.0
        self.look()
        return proof

    def look(self) -> dict[str, Any]:
        """Ask the truth, and keep the largest current."""
        truth = self._peer.truth()
        self.most_a = max(self.most_a, abs(truth["current_a"]))
        return truth


def run(job: Job) -> Told:
    """One run, and what is wrong with its ending."""
    outcome, truth = run_wired(job)
    return tell(job, outcome, truth)


def faults_of(job: Job) -> list[FaultDocument]:
    """The documents, each moved to its moment."""
    return [
        FAULTS[one.name].model_copy(update={"counted_from": "start", "at": _at_s(job.bench, one)})
        for one in job.struck
    ]


def _at_s(bench: str, strike: Strike) -> float:
    """Seconds from the start of bench time. Checking takes none: what strikes then is there
    before anything is opened."""
    if strike.phase == "checking":
        return 0.0
    at_ns = spans(bench)[strike.phase].at(INSTANTS[strike.instant])
    return (at_ns - START_NS) / 1e9


def _hasty(of: InstrumentDefinition) -> InstrumentDefinition:
    link = of.link.model_copy(update={"read_time_out": ANSWER_S})
    return of.model_copy(update={"link": link})


def run_wired(job: Job) -> tuple[Outcome, Truth]:
    """The small night of a bench over the wires, with faults in it."""
    read = small_night.run_documents(job.bench)
    assert read.bench is not None
    assert read.bench.simulated_cell is not None
    simulation = small_night.truth_of(job.bench)
    document = document_of(job.bench).model_copy(update={"simulation": simulation})
    cell = read.bench.simulated_cell.document
    faults = faults_of(job)
    with forked(Documents(document, read.definitions, cell, faults)) as ready:
        peer, clock = Peer(ready["control"]), LockstepClock(*ready["control"])
        capacity_ah = read.cell.document.rated_capacity
        definitions = {name: _hasty(one) for name, one in read.definitions.items()}
        wired = WiredBench(
            document, definitions, clock, ready["addresses"], capacity_ah=capacity_ah
        )
        watched, channels = Watched(wired, peer), small_night.channels(job.bench)
        outcome = Execution(
            read.plan,
            channels,
            watched,
            clock,
            MemoryLog([]),
            make_panel(read.plan.limits, channels),
            questions=small_night.questions(job.bench),
        ).run()
        found = watched.look()
        clock.close()
        peer.close()
    driver = wired.safing_plan.driver
    return outcome, _truth_of(job, faults, outcome, found, watched.most_a, driver)


def _truth_of(
    job: Job,
    faults: list[FaultDocument],
    outcome: Outcome,
    found: dict[str, Any],
    most_a: float,
    driver: str,
) -> Truth:
    bench = document_of(job.bench)
    begun = [one for one in faults if START_NS + round(one.at * 1e9) <= found["at_ns"]]
    liars = frozenset(instrument_named(bench, liar(one)) for one in begun if liar(one))
    silent = frozenset(
        instrument_named(bench, one.instrument or "") for one in begun if one.kind in SILENT
    )
    touched = {instrument_named(bench, concerned(one)) for one in begun if concerned(one)}
    parted = not found["contactor_closed"] or found["opened"]
    on = [
        name
        for name, is_on in (
            (bench.wiring.charge, found["supply_on"]),
            (bench.wiring.discharge, found["load_on"]),
        )
        if name is not None and is_on
    ]
    since_ns = ended_ns(outcome) - START_NS
    can_see = not found["opened"] and bench.wiring.voltage.by not in liars
    has_witness = (outcome.exit is not Exit.REFUSED and can_see) and is_witnessed(
        bench,
        touched | silent,
        is_contact_open=not found["contactor_closed"],
        has_joined=since_ns > _JOINED_AFTER_NS,
        has_rested=since_ns > RESTED_AFTER_NS,
        driver=driver,
        misread=touched - silent,
    )
    return Truth(
        most_a, () if parted else tuple(on), liars, silent, leaks_a(job.bench), has_witness, driver
    )
