"""A twin, a clock and a disk in trouble: what goes wrong is brought about at the ports.

What is physical is done to the simulated bench itself; what a wire does is shown as the drivers
show it (faults in samples, old values with their old times, errors out of calls, no witness).
"""

import errno
import os
from bisect import insort
from collections.abc import Callable, Sequence
from math import isfinite
from typing import Any

from drivers.simulated.concerned import NoPlaceError
from drivers.simulated.disturbance import Disturbance
from drivers.simulated.twin import TwinBench
from sequencer.clocks import VirtualClock
from sequencer.plan.step import PlanLimits
from sequencer.ports import Identity, ProtectionBounds
from sequencer.recording.medium import Disk
from sequencer.vocabulary.commands import RESTING, Command, Direction
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError, RefusedError
from sequencer.vocabulary.sample import ELECTRICAL_DIGITS, ON, TEMPERATURE_DIGITS, Sample
from sequencer.vocabulary.verdict import Proof
from tests.safety.small_night import START_NS, Moment

Strike = Callable[["TroubledPorts"], None]
Channels = tuple[tuple[str, str], ...]
_VOLTAGE = ("voltage_v", "voltage_at_ns")
CHANNELS: dict[str, Channels] = {
    "meter": (_VOLTAGE,),
    "supply": (("supply_v", "supply_at_ns"), ("supply_a", "supply_at_ns")),
    "load": (("load_v", "load_at_ns"), ("load_a", "load_at_ns")),
    "logger": (("surface_c", "surface_at_ns"), ("room_c", "room_at_ns")),
    "contactor": (("contactor_closed", "contactor_at_ns"),),
}
"""Which fields of a sample each instrument shows."""


class TroubledClock(VirtualClock):
    """Bench time that may come late, and a computer that may sleep."""

    def __init__(self) -> None:
        super().__init__(START_NS)
        self.late_ns = self.sleeps_ns = 0

    def wait_until(self, deadline_ns: int) -> int:
        """Jump to the deadline, and past it once when late."""
        late_ns, self.late_ns = self.late_ns, 0
        return super().wait_until(max(deadline_ns, self.now_ns()) + late_ns)

    def slept_ns(self) -> int:
        """How long the computer slept since the last call."""
        slept, self.sleeps_ns = self.sleeps_ns, 0
        return slept


class TroubledDisk(Disk):
    """The real disk with 100 GB free, until it is told to fail. ``write_error`` and
    ``fsync_error`` are error numbers; a full disk takes what the reserve gave back."""

    def __init__(self) -> None:
        self.write_error = self.fsync_error = 0
        self.free = 100_000_000_000
        self.room = 0

    def write(self, file, data):
        """Write, or fail."""
        if self.write_error == errno.ENOSPC and len(data) <= self.room:
            self.room -= len(data)
        elif self.write_error:
            raise OSError(self.write_error, os.strerror(self.write_error))
        return os.write(file, data)

    def fsync(self, file):
        """Sync, or fail. The campaign's disk is memory: nothing needs to be waited for."""
        if self.fsync_error:
            raise OSError(self.fsync_error, os.strerror(self.fsync_error))

    def sync_folder(self, path: Any) -> None:
        """Nothing to wait for."""

    def remove(self, path: Any) -> None:
        """Remove; the reserve makes room."""
        if path.name == "reserve" and self.write_error == errno.ENOSPC:
            self.room = path.stat().st_size
        super().remove(path)

    def free_bytes(self, path: Any) -> int:
        """Room left, always the same."""
        return self.free


class TroubledPorts:
    """Everything that a trouble can strike, and what has struck. ``worst`` keeps the truth's
    extremes while the run lasts: highest and lowest cell voltage, most current either way;
    ``since_proof_a`` the most current either way since the last proof that followed an off;
    ``beyond_ns`` how long the truth was outside ``limits``."""

    def __init__(self, twin: TwinBench, limits: PlanLimits) -> None:
        self.twin, self.clock, self.disk = twin, TroubledClock(), TroubledDisk()
        self.disturbance = Disturbance(twin.bench)
        self.alters: list[Callable[[Sample, Sample], Sample]] = []
        """Applied to every sample: the healthy one and the last one shown, to what is shown."""
        self.mute: dict[str, tuple[FaultKind, int]] = {}
        """Instruments that do not answer: as what, and until when (bench time)."""
        self.deaf: set[str] = set()
        """Instruments that do not do what they are told."""
        self.raises: dict[str, BaseException] = {}
        """By name of a call, what it raises once."""
        self.impostor = ""
        self.sync_hangs = False
        self.limits = limits
        self.beyond_ns = self._looked_ns = 0
        self.requests: list[tuple[int, str]] = []
        self.worst = {"high_v": 0.0, "low_v": 9.0, "in_a": 0.0, "out_a": 0.0}
        self.pending: list[tuple[Moment, Strike]] = []
        self.since_proof_a = 0.0
        self.unheard: frozenset[str] = frozenset()
        """Instruments that did not answer at that proof."""
        self.was_joined = False
        """The contact was closed, so that instruments behind it have seen the cell."""
        self.channels = _channels_of(twin)

    def real_ns(self) -> int:
        """Real time, for the age of what is not synced: it stands still while syncing works, so
        that nothing of the computer's speed reaches the record."""
        return self.clock.now_ns() if self.sync_hangs else START_NS

    def request(self) -> str:
        """What a person wants now."""
        now = self.clock.now_ns()
        return next((word for at, word in reversed(self.requests) if now >= at), "")

    def instrument(self, name: str) -> Any:
        """The simulated instrument of that name.

        Raises:
            NoPlaceError: there is none.
        """
        if name not in self.twin.bench.instruments:
            raise NoPlaceError(f"this bench has no instrument {name}")
        return self.twin.bench.instruments[name]

    def later(self, after_s: float, strike: Strike) -> None:
        """Something that happens by itself, so many seconds from now."""
        at_ns = max(self.clock.now_ns(), self.twin.bench.at_ns) + round(after_s * 1e9)
        insort(self.pending, (Moment("any", 0, at_ns), strike), key=lambda one: one[0].at_ns)

    def silence(self, name: str, kind: FaultKind, *, deaf: bool, for_s: float = 1e6) -> None:
        """An instrument that answers no more and, when ``deaf``, obeys no more."""
        self.instrument(name)
        _, before_ns = self.mute.get(name, (kind, 0))
        self.mute[name] = (kind, max(before_ns, self.clock.now_ns() + round(for_s * 1e9)))
        self.twin.silent.add(name)
        if deaf:
            self.deaf.add(name)
            self._fix(name)

    def _fix(self, name: str) -> None:
        """Nothing that it is told reaches it any more."""
        one = self.twin.bench.instruments[name]
        if hasattr(one, "ignores_off"):
            one.ignores_off, one.admits = True, False
        if hasattr(one, "welded"):
            one.welded, one.stuck_open = one.is_closed, not one.is_closed

    def look(self) -> None:
        """Keep the extremes of what is really so at the cell."""
        cell, worst = self.twin.bench.cell, self.worst
        worst["high_v"] = max(worst["high_v"], cell.voltage_v)
        worst["low_v"] = min(worst["low_v"], cell.voltage_v)
        worst["in_a"] = max(worst["in_a"], cell.current_a)
        worst["out_a"] = max(worst["out_a"], -cell.current_a)
        self.since_proof_a = max(self.since_proof_a, abs(cell.current_a))
        contactor = self.twin.bench.contactor
        self.was_joined = self.was_joined or (contactor is not None and contactor.is_closed)
        now_ns, limits = self.twin.bench.at_ns, self.limits
        if not (
            limits.floor_v <= cell.voltage_v <= limits.ceiling_v
            and -1.02 * limits.discharge_current_a <= cell.current_a
            and cell.current_a <= 1.02 * limits.charge_current_a
        ):
            self.beyond_ns += max(0, now_ns - self._looked_ns)
        self._looked_ns = now_ns

    def advance(self, to_ns: int, calls: int) -> None:
        """Let time pass, striking on the way whatever is due."""
        while self.pending and _is_due(self.pending[0][0], to_ns, calls):
            moment, strike = self.pending.pop(0)
            self.twin.bench.advance_to(moment.at_ns)
            strike(self)
            self.twin.bench.changed()
        self.twin.bench.advance_to(to_ns)
        self.look()

    def energised(self) -> bool:
        """The truth: an output is on, and no open contact parts it from the cell."""
        bench = self.twin.bench
        return bench.is_driving and (bench.contactor is None or bench.contactor.is_closed)


def _is_due(moment: Moment, to_ns: int, calls: int) -> bool:
    return moment.at_ns <= to_ns and moment.call <= calls


class TroubledBench:
    """The bench port over the ports's twin."""

    def __init__(self, ports: TroubledPorts) -> None:
        self._ports, self._twin, self._calls = ports, ports.twin, 0
        self._shown = Sample(0)

    def _arrive(self, call: str) -> None:
        self._ports.advance(self._ports.clock.now_ns(), self._calls)
        self._calls += 1
        error = self._ports.raises.pop(call, None)
        if error is not None:
            raise error

    def identify(self) -> Sequence[Identity]:
        """As the twin; refused, as the drivers do it, where somebody else or nobody answers."""
        self._arrive("identify")
        reasons = [f"{name}: {kind.value}" for name, (kind, _) in self._ports.mute.items()]
        if self._ports.impostor:
            reasons.append(f"{self._ports.impostor}: another instrument answers")
        if reasons:
            raise RefusedError(reasons)
        return self._twin.identify()

    def protect(self, bounds: ProtectionBounds) -> None:
        """As the twin; an instrument that does not answer confirms nothing."""
        self._arrive("protect")
        self._complain("supply", "load")
        self._twin.protect(bounds)

    def _complain(self, *names: str) -> None:
        for name in names:
            if name in self._ports.mute:
                raise InstrumentError(self._ports.mute[name][0], name, "no answer")

    def apply(self, command: Command) -> None:
        """Off for whatever obeys; then an error if what was to be commanded does not answer."""
        self._arrive("apply")
        ways = {Direction.CHARGE: "supply", Direction.DISCHARGE: "load"}
        concerned = [ways.get(command.drive.direction, "supply"), "contactor"]
        if command.drive.direction is Direction.REST:
            concerned.append("load")
        if any(name in self._ports.mute for name in concerned):
            self._twin.apply(Command(RESTING, command.connected))
            self._complain(*concerned)
        self._twin.apply(command)
        self._ports.look()

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """As the twin, with what the troubles make of it."""
        self._arrive("read")
        sample = before = self._twin.read(at_ns, late_ns, period_ns)
        self._ports.look()
        for alter in list(self._ports.alters):
            sample = alter(sample, self._shown if self._shown.at_ns else before)
        faults = list(sample.faults)
        for name, (kind, until_ns) in list(self._ports.mute.items()):
            if at_ns >= until_ns:
                del self._ports.mute[name]
                self._twin.silent.discard(name)
                continue
            sample = _kept(sample, self._shown, name, self._ports.channels)
            faults.append(Fault(kind, name, "", "as the campaign wants it"))
        sample = sample._replace(faults=tuple(faults)) if faults else sample
        self._shown = sample = _rounded(sample)
        return sample

    def make_safe(self, off_sent: Callable[[], None] = lambda: None) -> Proof:
        """As the twin: what is deaf does not go off, what is mute gives no evidence."""
        self._arrive("make_safe")
        proof = self._twin.make_safe(off_sent)
        self._ports.since_proof_a, self._ports.unheard = 0.0, frozenset(self._ports.mute)
        self._ports.look()
        return proof

    def prove_off(self) -> Proof:
        """As the twin."""
        self._arrive("prove_off")
        return self._twin.prove_off()

    def close(self) -> None:
        """Nothing is open."""


def _rounded(sample: Sample) -> Sample:
    """What is judged is what is recorded: the port's own law."""
    digits = {"_v": ELECTRICAL_DIGITS, "_a": ELECTRICAL_DIGITS, "_c": TEMPERATURE_DIGITS}
    return sample._replace(
        **{
            name: round(getattr(sample, name), digits[name[-2:]])
            for name in Sample._fields
            if name[-2:] in digits and isfinite(getattr(sample, name))
        }
    )


def _channels_of(twin: TwinBench) -> dict[str, Channels]:
    """``CHANNELS``, and the cell's voltage by whatever measures it on this bench."""
    by = twin.bench.document.wiring.voltage.by
    return {
        name: (*fields, _VOLTAGE) if name == by and _VOLTAGE not in fields else fields
        for name, fields in CHANNELS.items()
    }


def _kept(sample: Sample, shown: Sample, name: str, channels: dict[str, Channels]) -> Sample:
    """The last values of an instrument, with their old times."""
    if not shown.at_ns:
        return sample
    kept = {field: getattr(shown, field) for pair in channels[name] for field in pair}
    if name in ("supply", "load"):
        kept[f"{name}_on"] = getattr(shown, f"{name}_on")
        if getattr(shown, f"{name}_on") == ON:
            kept |= {"current_a": shown.current_a, "current_at_ns": shown.current_at_ns}
    return sample._replace(**kept)
