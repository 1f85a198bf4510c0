"""The ports: what the executive asks of a clock, a bench and a record, and nothing more."""

from collections.abc import Callable, Mapping, Sequence
from math import inf
from typing import Any, NamedTuple, Protocol

from sequencer.vocabulary.commands import Command
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Proof


class Clock(Protocol):
    """Bench time: integer nanoseconds, monotonic, starting near zero or at any origin."""

    def now_ns(self) -> int:
        """The bench time now."""
        ...

    def wait_until(self, deadline_ns: int) -> int:
        """Return at the deadline (at once when past); the bench time on return."""
        ...

    def slept_ns(self) -> int:
        """How long the computer was suspended since the last call."""
        ...


SIMULATED_MAKER = "simulated by nightbench"
"""Who made every simulated instrument, also one that answers at a real address."""


class Identity(NamedTuple):
    """Who answered at one instrument's address. ``matches`` is the definition's own judgement, the
    wanted serial number included; ``raw`` is all that was said."""

    instrument: str
    maker: str
    model: str
    serial: str
    firmware: str
    matches: bool
    raw: str

    @property
    def who(self) -> tuple[str, str, str, str, bool]:
        """What one answer is compared by with an earlier one: what it says of who is there, and
        whether it fits. The rest of ``raw`` may change (a setting, a reading beside it)."""
        return self.maker, self.model, self.serial, self.firmware, self.matches

    @property
    def is_well_formed(self) -> bool:
        """Whether it has the form that the definition gives identities; noise on a line has not."""
        return any((self.maker, self.model, self.serial, self.firmware))


class ProtectionBounds(NamedTuple):
    """What the instruments' own protections must hold (V, A at the cell). ``over_voltage_v``: the
    supply's own stands there or below, whatever leads drop and instruments err."""

    ceiling_v: float
    charge_a: float
    floor_v: float
    discharge_a: float
    over_voltage_v: float = inf


class Bench(Protocol):
    """Everything between the cell and the executive. No method blocks for longer than it says.

    Times inside a sample are bench time. Methods raise InstrumentError only from ``identify`` and
    ``apply``; ``read`` reports trouble as faults in the sample; ``make_safe`` never raises.
    """

    def identify(self) -> Sequence[Identity]:
        """Open every session, ask who is there, verify that outputs are off; turns nothing on."""
        ...

    def protect(self, bounds: ProtectionBounds) -> None:
        """Set the instruments' own protections to what holds that, and read them back."""
        ...

    def apply(self, command: Command) -> None:
        """Bring outputs to the commanded state; off pre-empts. Read-backs come in later samples."""
        ...

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """One sample for the tick at ``at_ns``; waits at most half the period for instruments."""
        ...

    def make_safe(self, off_sent: Callable[[], None] = ...) -> Proof:
        """Everything off now, concurrently, contactor included; then ``off_sent`` is called; then
        the proof is gathered, which takes longer."""
        ...

    def prove_off(self) -> Proof:
        """Gather the evidence for *off* again without commanding anything."""
        ...

    def close(self) -> None:
        """Release every session; never waits for a hung worker."""
        ...


class BenchAhead(Bench, Protocol):
    """A bench whose samples can be read ahead of their time, because it is simulated."""

    def read_ahead(self, times: Sequence[int]) -> Sequence[Sample]:
        """What ``read`` would give at the first of ``times``, one after the other, if nothing was
        commanded meanwhile; none where it cannot tell, fewer where something switches by itself. No
        channel that is there is without a number. To be followed by ``keep``."""
        ...

    def keep(self, count: int) -> None:
        """Be as after the first ``count`` of the samples that were read ahead."""
        ...


class RunLog(Protocol):
    """Where a run is recorded. Every method returns with the bytes handed to the kernel."""

    @property
    def write_failure(self) -> str:
        """What went wrong with the disk first, in words; empty while nothing did."""
        ...

    def append(self, sample: Sample, step: "StepMark") -> None:
        """One row of samples."""
        ...

    def note(self, kind: str, entry: Mapping[str, Any]) -> None:
        """One line of the journal."""
        ...

    def free_bytes(self) -> int:
        """Room left on the disk that holds the record."""
        ...

    def unsynced_ns(self) -> int:
        """Age (real time) of the oldest row not yet known to be on the medium."""
        ...

    def close(self) -> None:
        """Sync and close."""
        ...


class RunLogAhead(RunLog, Protocol):
    """A record that takes many rows at once, of a run that was read ahead."""

    def append_each(self, samples: Sequence[Sample], steps: Sequence["StepMark"]) -> None:
        """As ``append`` of one after the other."""
        ...


class StepMark(NamedTuple):
    """Where in the plan a row belongs, and the step's running totals (Ah and Wh, not negative).
    ``set_a`` is the current (A, positive) that is set from this row on."""

    count: int  # type: ignore[assignment]  # hides tuple.count, which nobody calls on a mark
    cycle: int
    name: str
    kind: str
    began_ns: int
    charge_in_ah: float
    charge_out_ah: float
    energy_in_wh: float
    energy_out_wh: float
    set_a: float = 0.0
