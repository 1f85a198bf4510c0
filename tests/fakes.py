"""Fakes behind the ports: a bench with a linear cell, and a log in memory."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sequencer.ports import Identity, ProtectionBounds, StepMark
from sequencer.vocabulary.commands import RESTING, Command, Direction
from sequencer.vocabulary.faults import Fault, InstrumentError
from sequencer.vocabulary.sample import OFF, ON, Sample
from sequencer.vocabulary.verdict import Level, Proof
from tests.builders import sample

PROVEN = Proof(Level.A, ("contactor feedback says open",), 0.0, 0.0)
CONTRADICTED = Proof(Level.C, ("supply still reads 1.000 A",), 0.01, contradicted=True)


class LinearCellBench:
    """A bench whose cell is a straight line: V = 3.0 + 1.2 s + R I, of ``capacity_ah``.

    ``trace`` is everything that was asked of it, in order. ``faults`` maps bench time (s) to what
    goes wrong from then on: a function of the healthy sample.
    """

    def __init__(
        self, trace: list[str], *, soc: float = 0.5, capacity_ah: float = 3.0, ohm: float = 0.05
    ) -> None:
        self.trace, self.soc, self.capacity_ah, self.ohm = trace, soc, capacity_ah, ohm
        self.command = Command(RESTING, connected=False)
        self.proofs: list[Proof] = []
        self.broken: list[tuple[float, Any]] = []
        self.apply_error: InstrumentError | None = None
        self._at_ns = 0

    def identify(self) -> Sequence[Identity]:
        """Everyone is who they should be."""
        self.trace.append("identify")
        return [Identity("supply", "maker", "model", "1", "0", True, "maker,model,1,0")]

    def protect(self, bounds: ProtectionBounds) -> None:
        """Remember that protections were set."""
        self.trace.append("protect")

    def apply(self, command: Command) -> None:
        """Obey."""
        if self.apply_error is not None:
            raise self.apply_error
        self.command = command
        drive = command.drive
        verb = "trim" if command.is_trim else "apply"
        self.trace.append(f"{verb} {drive.direction.value} {command.current_a:g} A")

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """Move the cell to ``at_ns`` and look."""
        amps = self._amps()
        hours = (at_ns - self._at_ns) / 3.6e12 if self._at_ns else 0.0
        self._at_ns = at_ns
        self.soc += amps * hours / self.capacity_ah
        amps = self._amps()
        volts = 3.0 + 1.2 * self.soc + amps * self.ohm
        seen = sample(at_ns / 1e9, volts, amps, late_ns=late_ns, at_ns=at_ns)
        closed = ON if self.command.connected else OFF
        supply_v = self.command.drive.voltage_v if self._is_cv() else seen.supply_v
        on = self.command.drive.direction
        seen = seen._replace(
            contactor_closed=closed,
            supply_v=supply_v,
            supply_on=ON if on is Direction.CHARGE else OFF,
            load_on=ON if on is Direction.DISCHARGE else OFF,
        )
        for begins_s, change in self.broken:
            if at_ns >= begins_s * 1e9:
                seen = change(seen)
        return seen

    def _amps(self) -> float:
        drive = self.command.drive
        if drive.direction is Direction.DISCHARGE:
            return -self.command.current_a
        if drive.direction is Direction.CHARGE:
            held = (drive.voltage_v - 3.0 - 1.2 * self.soc) / (self.ohm + 0.04)
            return max(0.0, min(self.command.current_a, held))
        return 0.0

    def _is_cv(self) -> bool:
        drive = self.command.drive
        return drive.direction is Direction.CHARGE and self._amps() < drive.current_a

    def make_safe(self, off_sent: Callable[[], None] = lambda: None) -> Proof:
        """Everything off, proof as scripted (proven when the script is empty)."""
        self.trace.append("make safe")
        self.command = Command(RESTING, connected=False)
        off_sent()
        return self.proofs.pop(0) if self.proofs else PROVEN

    def prove_off(self) -> Proof:
        """Proof as scripted."""
        return PROVEN

    def close(self) -> None:
        """Let go."""
        self.trace.append("close")


class MemoryLog:
    """A record in memory; ``trace`` gets the journal's kinds in their order among other events.

    ``fails_at`` makes the n-th call raise, once (counting from 1).
    """

    def __init__(self, trace: list[str], fails_at: int = 0, error: Exception | None = None) -> None:
        self.trace, self.rows, self.entries = trace, [], []  # type: ignore[var-annotated]
        self._fails_at, self._calls = fails_at, 0
        self._error = error or OSError(28, "No space left on device")
        self.fired = False
        self.write_failure = ""

    def _count(self) -> None:
        self._calls += 1
        if self._calls == self._fails_at:
            self.fired = True
            raise self._error

    def append(self, sample: Sample, step: StepMark) -> None:
        """Keep a row."""
        self._count()
        self.rows.append((sample, step))

    def note(self, kind: str, entry: Mapping[str, Any]) -> None:
        """Keep an entry."""
        self._count()
        self.entries.append((kind, dict(entry)))
        self.trace.append(f"note {kind}")

    def free_bytes(self) -> int:
        """Plenty."""
        return 1 << 40

    def unsynced_ns(self) -> int:
        """All on the medium."""
        return 0

    def close(self) -> None:
        """Close."""
        self._count()
        self.trace.append("log closed")


def with_fault(fault: Fault):
    """A change of samples for ``LinearCellBench.broken`` that adds a fault."""
    return lambda seen: seen._replace(faults=(*seen.faults, fault))
