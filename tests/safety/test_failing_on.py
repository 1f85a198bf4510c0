"""Fail the n-th call, for every n of a small run: the disk's, the bench's, the wires'. Always safe.

The disk and the bench on the twin in virtual time; the wires on the served bench over loopback,
each n a whole run with real drivers. In CI every so-manieth wire call; all of them by
``NIGHTBENCH_FAIL_EVERY=1``.
"""

import errno
import os
import threading
from collections.abc import Callable
from itertools import count

import pytest

from drivers.instruments.bench import WiredBench
from drivers.simulated.served import start_served
from drivers.transports.choice import transport_for
from sequencer.clocks import LockstepClock, VirtualClock
from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.recording.folder import RunFolder
from sequencer.recording.manifest import Start, compose
from sequencer.recording.medium import Disk
from sequencer.recording.run import read_run
from sequencer.vocabulary.faults import FaultKind, InstrumentError, RefusedError
from sequencer.vocabulary.verdict import Exit
from tests.builders import FixedPlan, charge, discharge, rest
from tests.fakes import MemoryLog
from tests.safety import small_night
from tests.safety.small_night import START_NS

STEPS = (rest(2), charge(0.5, 4.2, 0.01, 2), discharge(0.5, 3.0, 3, seconds=3), rest(1, 4))
FAIL_EVERY = int(os.environ.get("NIGHTBENCH_FAIL_EVERY", "61"))


def small_plan() -> FixedPlan:
    """Rest, a charge of three seconds, a discharge of three seconds, rest."""
    steps = [
        one._replace(stops=(*one.stops, STEPS[0].stops[0]._replace(value=3.0)))
        if one.drive.current_a
        else one
        for one in STEPS
    ]
    return FixedPlan("small", small_night.run_documents().plan.limits, steps)


class FailingOn:
    """Counts calls of all kinds; the n-th fails, and with ``stays`` every one after it too."""

    def __init__(self, nth: int, *, stays: bool) -> None:
        self._nth, self._stays = nth, stays
        self._calls, self._lock = 0, threading.Lock()
        self.fired = False

    def is_due(self) -> bool:
        """Whether this call is to fail."""
        with self._lock:
            self._calls += 1
            due = self._calls >= self._nth if self._stays else self._calls == self._nth
            self.fired = self.fired or due
            return due


class NthDisk(Disk):
    """Every call of the disk counts."""

    def __init__(self, failing: FailingOn, code: int) -> None:
        self._failing, self._code = failing, code

    def _try(self) -> None:
        if self._failing.is_due():
            raise OSError(self._code, os.strerror(self._code))

    def create(self, path):
        """Open, or fail."""
        self._try()
        return super().create(path)

    def write(self, file, data):
        """Write, or fail."""
        self._try()
        return os.write(file, data)

    def fsync(self, file):
        """Sync, or fail; nothing is waited for."""
        self._try()

    def truncate(self, file, size):
        """Cut, or fail."""
        self._try()
        os.ftruncate(file, size)

    def reserve(self, file, start, size):
        """Reserve, or fail."""
        self._try()
        os.posix_fallocate(file, start, size)

    def remove(self, path):
        """Remove, or fail."""
        self._try()
        super().remove(path)

    def free_bytes(self, path):
        """Room, or fail."""
        self._try()
        return 1 << 40

    def sync_folder(self, path):
        """Sync, or fail; nothing is waited for."""
        self._try()


class _Syncing:
    """A record that syncs after every row, where the recorder's thread would at times."""

    def __init__(self, folder: RunFolder) -> None:
        self._folder, self.acknowledged = folder, 0
        self.note, self.close = folder.note, folder.close
        self.free_bytes, self.unsynced_ns = folder.free_bytes, folder.unsynced_ns

    @property
    def write_failure(self) -> str:
        """The record's own."""
        return self._folder.write_failure

    def append(self, sample, step) -> None:
        """One row, synced."""
        self._folder.append(sample, step)
        self.acknowledged += 1
        self._folder.sync()


@pytest.mark.parametrize("stays", [False, True], ids=["once", "from then on"])
@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC], ids=["EIO", "ENOSPC"])
def test_every_failing_call_of_the_disk_ends_safe(tmp_path, code, stays):
    """Refused before anything is energised, or off and proven; acknowledged rows are there."""
    for nth in count(1):
        failing = FailingOn(nth, stays=stays)
        place = tmp_path / str(nth)
        twin = small_night.make_twin()
        start = Start(START_NS, 0)
        try:
            folder = RunFolder.create(
                place,
                compose("small", start),
                start,
                real_ns=lambda: 1,
                disk=NthDisk(failing, code),
                sync_every_s=None,
            )
        except RefusedError:
            assert not twin.bench.is_driving
            continue
        log = _Syncing(folder)
        outcome = run(twin, VirtualClock(START_NS), log)
        assert not twin.bench.is_driving, (nth, outcome)
        assert outcome.proof.is_off, (nth, outcome)
        assert outcome.exit in (Exit.DONE, Exit.FAULTED, Exit.BUG, Exit.REFUSED), (nth, outcome)
        assert len(read_run(place).rows) >= log.acknowledged, (nth, outcome)
        if not failing.fired:
            assert outcome.exit is Exit.DONE
            assert nth > 60
            return


class NthBench:
    """A twin of which the n-th call raises; ``make_safe`` and ``close`` never do, as their port
    promises."""

    def __init__(self, failing: FailingOn, error: Callable[[], Exception]) -> None:
        self.twin = small_night.make_twin()
        self._failing, self._error = failing, error
        self.make_safe, self.close = self.twin.make_safe, self.twin.close

    def _call(self, name: str, *given):
        if self._failing.is_due():
            raise self._error()
        return getattr(self.twin, name)(*given)

    def identify(self):
        """As the twin, or an error."""
        return self._call("identify")

    def protect(self, *given):
        """As the twin, or an error."""
        return self._call("protect", *given)

    def apply(self, command):
        """As the twin, or an error."""
        return self._call("apply", command)

    def read(self, *given):
        """As the twin, or an error."""
        return self._call("read", *given)

    def prove_off(self):
        """As the twin, or an error."""
        return self._call("prove_off")


def run(bench, clock, log) -> Outcome:
    """The small plan on a bench."""
    plan, channels = small_plan(), small_night.channels()
    return Execution(plan, channels, bench, clock, log, make_panel(plan.limits, channels)).run()


@pytest.mark.parametrize(
    "error",
    [
        lambda: InstrumentError(FaultKind.NO_REPLY, "supply", "no answer"),
        lambda: OSError(errno.EMFILE, "too many open files"),
        lambda: ZeroDivisionError("a bug"),
        MemoryError,
    ],
    ids=["instrument", "handles", "bug", "memory"],
)
@pytest.mark.parametrize("stays", [False, True], ids=["once", "from then on"])
def test_every_failing_call_of_the_bench_ends_safe(error, stays):
    """Whatever a driver raises, and whenever: off in truth, proven, and a first cause."""
    for nth in count(1):
        failing = FailingOn(nth, stays=stays)
        bench, log = NthBench(failing, error), MemoryLog([])
        outcome = run(bench, VirtualClock(START_NS), log)
        assert not bench.twin.bench.is_driving, (nth, outcome)
        assert outcome.proof.is_off, (nth, outcome)
        if not failing.fired:
            assert outcome.exit is Exit.DONE
            assert nth > 20
            return
        if outcome.exit is not Exit.DONE:  # after the plan's end a reading is no longer needed
            assert outcome.exit in (Exit.FAULTED, Exit.BUG, Exit.REFUSED)
            assert outcome.trip or outcome.refusals
            assert [kind for kind, _ in log.entries][-1] == "end"


class NthWire:
    """A transport of which calls fail when due, as a lost link or as silence."""

    def __init__(self, wire, failing: FailingOn, kind: FaultKind) -> None:
        self._wire, self._failing, self._kind = wire, failing, kind
        self.culprit = wire.culprit
        self.drain, self.take_rest, self.close = wire.drain, wire.take_rest, wire.close

    @property
    def is_open(self):
        """The wire's own."""
        return self._wire.is_open

    def _try(self) -> None:
        if self._failing.is_due():
            if self._kind is FaultKind.LINK_LOST:
                self._wire.close()
            raise InstrumentError(self._kind, self.culprit, "as the test wants it")

    def open(self):
        """Open, or fail."""
        self._try()
        self._wire.open()

    def write(self, data):
        """Write, or fail."""
        self._try()
        self._wire.write(data)

    def tell(self, data):
        """Tell, or fail."""
        self._try()
        self._wire.tell(data)

    def read_line(self, timeout_s=None):
        """Read, or fail."""
        self._try()
        return self._wire.read_line(timeout_s)

    def query(self, data, timeout_s=None):
        """Ask, or fail: the question is sent, its answer is lost."""
        self._try()
        return self._wire.query(data, timeout_s)


@pytest.mark.parametrize("kind", [FaultKind.LINK_LOST, FaultKind.NO_REPLY, FaultKind.POISONED])
def test_every_failing_call_of_the_wires_ends_safe(kind):
    """On the served bench: off in truth, and the exit says what was proven."""
    read = small_night.run_documents()
    assert read.bench is not None
    assert read.bench.simulated_cell is not None
    document, cell = read.bench.bench.document, read.bench.simulated_cell.document
    with start_served(document, read.definitions, cell) as served:
        clock = LockstepClock(*served.control)
        for nth in count(1, FAIL_EVERY):
            failing = FailingOn(nth, stays=False)

            def wire(address, link, name, failing=failing):
                return NthWire(transport_for(address, link, name), failing, kind)

            bench = WiredBench(document, read.definitions, clock, served.addresses, wire=wire)
            outcome = run(bench, clock, MemoryLog([]))
            truth = served.truth()
            assert not any((truth["supply_on"], truth["load_on"])), (nth, outcome)
            assert not truth["contactor_closed"], (nth, outcome)
            assert outcome.proof.is_off, (nth, outcome)
            assert outcome.exit in (Exit.DONE, Exit.FAULTED, Exit.REFUSED), (nth, outcome)
            if not failing.fired:
                assert outcome.exit is Exit.DONE, outcome
                assert nth > 100
                break
        clock.close()
