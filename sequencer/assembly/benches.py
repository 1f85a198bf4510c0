"""Chooses what a run stands on: the twin, the served bench, or instruments at real addresses.

Owns the joining of documents to drivers; the executive gets a bench and a clock and knows nothing
of which. What needs sockets or instrument libraries is imported only where it is used.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple, Protocol

from sequencer.clocks import LockstepClock, WallClock
from sequencer.documents.bench import BenchDocument
from sequencer.documents.faults import FaultDocument
from sequencer.documents.safing import SafingPlan
from sequencer.ports import Bench, BenchAhead, Clock, Identity
from sequencer.run_documents.reading import RunDocuments, definitions_of, is_served, places_of
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.commands import Command, Direction
from sequencer.vocabulary.verdict import Proof


def make_twin(run_documents: RunDocuments, clock: Clock | None = None) -> BenchAhead:
    """The simulated twin of the bench, in process; with a nominal cell where none is named.
    ``clock``: what moves while off is being proven.

    Raises:
        UsageError: a fault that cannot be rehearsed on it.
    """
    from drivers.simulated.ahead import TwinAhead

    assert run_documents.bench is not None
    document, cell = run_documents.bench.bench.document, run_documents.bench.simulated_cell
    if cell is not None:
        truth, simulation = cell.document, None
    else:
        from drivers.simulated.nominal import nominal_cell
        from sequencer.assembly.nominal import nominal_simulation

        truth, simulation = nominal_cell(run_documents.cell.document), nominal_simulation()
    return TwinAhead(
        document,
        run_documents.definitions,
        truth,
        simulation,
        [one.document for one in run_documents.faults],
        capacity_ah=run_documents.cell.document.rated_capacity,
        clock=clock,
    )


def make_safing_plan(run_documents: RunDocuments, addresses: Mapping[str, str]) -> SafingPlan:
    """How to make this bench safe from outside."""
    from drivers.off.plan import plan_safing

    assert run_documents.bench is not None
    document, cell = run_documents.bench.bench.document, run_documents.cell.document
    capacity_ah = cell.rated_capacity
    return plan_safing(document, run_documents.definitions, addresses, capacity_ah=capacity_ah)


class PlannedBench(Bench, Protocol):
    """A bench that knows how it is made safe from outside; after ``identify`` also by whom, and
    during a run also what the run has taught about its evidence."""

    @property
    def safing_plan(self) -> SafingPlan:
        """How to make it safe."""
        ...

    def perform(self, name: str, operation: str, value: float | None = None) -> Mapping[str, Any]:
        """One operation of one instrument, by hand."""
        ...

    def let_go(self, name: str) -> None:
        """Cut the link to one instrument."""
        ...


def _nobody_hears(_proof: Proof) -> None:
    return


class Announcing:
    """A bench whose instruments are owned (``own``) once they are known, and whose safing plan is
    announced anew when it has become another: nobody else's evidence counts from then on, and what
    the run has taught before it drives counts for the watchdog too. ``unproven`` hears of every
    attempt at making safe that did not prove off. Hands everything else on."""

    def __init__(
        self,
        bench: PlannedBench,
        own: Callable[[Sequence[Identity]], None],
        announce: Callable[[SafingPlan], None],
        unproven: Callable[[Proof], None] = _nobody_hears,
    ) -> None:
        self._bench, self._own, self._announce = bench, own, announce
        self._unproven = unproven
        self._is_owned = self._is_inspected = False
        self.perform, self.let_go = bench.perform, bench.let_go
        self.protect, self.read = bench.protect, bench.read
        self.prove_off, self.close = bench.prove_off, bench.close

    def identify(self) -> Sequence[Identity]:
        """As the bench does it; then they are owned, once, and the plan is announced.

        Raises:
            RefusedError: also when another run owns one, or two are one.
        """
        found = self._bench.identify()
        if not self._is_owned:
            self._own(found)
            self._is_owned = True
        self._announce(self._bench.safing_plan)
        return found

    def make_safe(self, off_sent: Callable[[], None] = lambda: None) -> Proof:
        """As the bench does it."""
        proof = self._bench.make_safe(off_sent)
        if not proof.is_off:
            self._unproven(proof)
        return proof

    @property
    def safing_plan(self) -> SafingPlan:
        """The bench's own."""
        return self._bench.safing_plan

    def apply(self, command: Command) -> None:
        """As the bench does it; before the first that drives, the plan is announced."""
        if not self._is_inspected and command.drive.direction is not Direction.REST:
            self._announce(self._bench.safing_plan)
            self._is_inspected = True
        self._bench.apply(command)


class OpenedBench(NamedTuple):
    """What a run stands on. ``leave`` lets go of what was started for it; ``off`` False leaves a
    served bench to whoever still has to make it safe. ``control``: whence a served bench is led;
    ``inject``: how a fault is begun on it."""

    bench: PlannedBench
    clock: Clock
    safing: SafingPlan
    addresses: Mapping[str, str]
    leave: Callable[[bool], None]
    control: tuple[str, int] | None = None
    inject: Callable[[Mapping[str, str]], None] | None = None


def stand_up(run_documents: RunDocuments) -> OpenedBench:
    """Choose clock and bench by the addresses in the bench document; opens no instrument yet.

    Raises:
        RefusedError: the served bench does not start, or an address is not one.
        InstrumentError: nobody leads the time at the ``control`` of the bench document.
    """
    assert run_documents.bench is not None
    faults = [one.document for one in run_documents.faults]
    return stand_on(run_documents.bench, faults, run_documents.cell.document.rated_capacity)


def stand_on(
    bench: BenchSet, faults: Sequence[FaultDocument] = (), capacity_ah: float | None = None
) -> OpenedBench:
    """The same for a bench alone; ``capacity_ah``: of the cell, where one is known.

    Raises:
        RefusedError: as ``stand_up``.
    """
    if is_served(bench):
        return _served(bench, faults, capacity_ah)
    addresses = _own_addresses(bench.bench.document)
    control = bench.bench.document.control_at
    if control is None:
        return _wired(bench, addresses, WallClock(), lambda _off: None, capacity_ah)
    clock = LockstepClock(*control)
    opened = _wired(bench, addresses, clock, lambda _off: clock.close(), capacity_ah)
    return opened._replace(control=control)


def _served(
    bench: BenchSet, faults: Sequence[FaultDocument], capacity_ah: float | None
) -> OpenedBench:
    from drivers.simulated.served import start_served

    assert bench.simulated_cell is not None
    document = bench.bench.document
    served = start_served(document, definitions_of(bench), bench.simulated_cell.document, faults)
    addresses = {**_own_addresses(document), **served.addresses}
    clock = LockstepClock(*served.control)

    def leave(off: bool) -> None:
        clock.close()
        if off:
            served.stop()

    opened = _wired(bench, addresses, clock, leave, capacity_ah)
    return opened._replace(control=served.control, inject=served.inject)


def _wired(
    bench: BenchSet,
    addresses: Mapping[str, str],
    clock: Clock,
    leave: Callable[[bool], None],
    capacity_ah: float | None,
) -> OpenedBench:
    from drivers.instruments.bench import WiredBench

    document, definitions = bench.bench.document, definitions_of(bench)
    wired = WiredBench(
        document, definitions, clock, addresses, capacity_ah=capacity_ah, places=places_of(bench)
    )
    return OpenedBench(wired, clock, wired.safing_plan, addresses, leave)


def _own_addresses(document: BenchDocument) -> dict[str, str]:
    return {name: one.address for name, one in document.instruments.items()}
