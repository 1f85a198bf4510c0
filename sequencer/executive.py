"""The loop: wait, read, judge, advance, apply, record; and when anything goes wrong, make safe.

One executive serves the real bench, the served one and the rehearsal. It prints nothing, and any
exception that escapes the loop is a make-safe: the only catch-all of the house stands here.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

from sequencer.interlocks.panel import Panel
from sequencer.machine.machine import Machine
from sequencer.machine.stops import describe
from sequencer.plan.step import Plan
from sequencer.ports import Bench, Clock, RunLog, StepMark
from sequencer.vocabulary.commands import Command
from sequencer.vocabulary.faults import (
    InstrumentError,
    NightbenchError,
    RecordError,
    RefusedError,
)
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.outfit import Outfit
from sequencer.vocabulary.sample import TIME_STEP_NS, Host, Sample
from sequencer.vocabulary.verdict import UNPROVEN, Ending, Exit, Proof, Trip

Request = Callable[[], str]
Beat = Callable[[str, float], None]

CHECKING_S = 30.0
"""How long checking may take before the watchdog is told again (real time)."""
SAFING_S = 10.0
"""How long one attempt at making safe may take (real time)."""
TICK_S = 2.0
"""How late the heartbeat may be while running, beyond one sampling period (real time)."""
ATTEMPTS = 5
"""How often off is commanded again before the executive gives up and says so."""
AFTERWARDS_NS = 10_000_000_000
"""How long sampling goes on, outputs off, after a trip."""
_HOST_EVERY = 16
"""Ticks between two looks at the disk."""
_FREE_STEP = 1 << 24
_UNSYNCED_STEP_NS = 5_000_000_000

_EXITS = {
    State.DONE: Exit.DONE,
    State.ABORTED: Exit.ABORTED,
    State.TRIPPED: Exit.TRIPPED,
    State.FAULTED: Exit.FAULTED,
    State.UNPROVEN: Exit.UNPROVEN,
    State.REFUSED: Exit.REFUSED,
}


class Outcome(NamedTuple):
    """How a run ended. ``error`` is our own bug, kept for the run folder, never for the screen."""

    exit: Exit
    state: State
    trip: Trip | None
    proof: Proof
    at_ns: int
    refusals: tuple[str, ...] = ()
    error: BaseException | None = None


def _nobody() -> str:
    return ""


def _unheard(_phase: str, _seconds: float) -> None:
    return None


class Execution:
    """One run of one plan. ``request`` is asked every tick what a person wants; ``beat`` is told
    the phase and how soon to expect the next beat (real seconds)."""

    def __init__(
        self,
        plan: Plan,
        outfit: Outfit,
        bench: Bench,
        clock: Clock,
        log: RunLog,
        panel: Panel,
        *,
        request: Request = _nobody,
        beat: Beat = _unheard,
    ) -> None:
        self._bench, self._clock, self._log, self._panel = bench, clock, log, panel
        self._request, self._beat = request, beat
        self._machine = Machine(plan, outfit)
        self._host = Host()
        self._ticks = 0
        self._proof = UNPROVEN
        self._refusals: tuple[str, ...] = ()
        self._error: BaseException | None = None

    def run(self) -> Outcome:
        """Carry the plan out and end safe, whatever happens. Never raises."""
        try:
            self._prepare()
            self._loop()
        except RefusedError as refusal:
            self._refuse(refusal)
        except KeyboardInterrupt:
            self._trip("person", "interrupted from the keyboard", Ending.ABORTED)
        except InstrumentError as error:
            self._trip("instrument", str(error), Ending.FAULTED)
        except (RecordError, OSError) as error:
            self._trip("record", str(error), Ending.FAULTED)
        except Exception as error:  # noqa: BLE001 - our own bug must still end safe
            self._error = error
            self._trip("bug", f"{type(error).__name__}: {error}", Ending.FAULTED)
        self._conclude()
        return self._outcome()

    # -- before anything is energised

    def _prepare(self) -> None:
        self._beat("checking", CHECKING_S)
        for identity in self._bench.identify():
            self._log.note("identity", identity._asdict())
        limits = self._machine.plan.limits
        self._bench.protect(
            limits.ceiling_v, limits.charge_current_a, limits.floor_v, limits.discharge_current_a
        )
        self._proof = self._bench.prove_off()
        self._note_proof()
        reasons = self._reasons_to_refuse(self._sample())
        if reasons:
            raise RefusedError(reasons)

    def _reasons_to_refuse(self, sample: Sample) -> list[str]:
        limits, volts = self._machine.plan.limits, sample.voltage_v
        reasons = [
            f"{fault.culprit}: {fault.kind.value}: {fault.detail}" for fault in sample.faults
        ]
        if self._proof.contradicted:
            reasons.append("outputs are not off: " + "; ".join(self._proof.evidence))
        if not limits.floor_v <= volts <= limits.ceiling_v:
            reasons.append(
                f"the cell reads {volts:.3f} V, outside {limits.floor_v:.3f} V to "
                f"{limits.ceiling_v:.3f} V: wrong cell, reversed, not connected, or below its floor"
                " (a cell below its floor is not revived)"
            )
        reasons += self._panel.reasons_to_refuse(sample)
        return reasons

    def _refuse(self, refusal: RefusedError) -> None:
        self._refusals = tuple(refusal.reasons)
        self._proof = self._bench.make_safe()
        self._machine = self._machine.refused()

    # -- the tick

    def _loop(self) -> None:
        machine, judge = self._machine, self._panel.judge
        bench, log = self._bench, self._log
        while not machine.is_final:
            sample = self._sample()
            verdict = judge(sample, machine.intent)
            before = machine
            machine, commands = machine.advance(sample, verdict)
            self._machine = machine
            if verdict.trip is not None:
                self._proof = bench.make_safe()
                self._note_trip(verdict.trip)
                log.append(sample, mark_of(machine))
                return
            if machine.step is not before.step or machine.state is not before.state:
                self._note_change(sample.at_ns)
            elif machine.ended:
                self._note_ended()
            for command in commands:
                self._note_command(command, sample.at_ns)
                bench.apply(command)
            log.append(sample, mark_of(machine))
            self._beat(machine.state.value, TICK_S + (machine.due_ns - sample.at_ns) / 1e9)
            if machine.awaits_proof:
                self._finish()
                machine = self._machine
                if machine.state is State.MAKING_SAFE:
                    return

    def _sample(self) -> Sample:
        due_ns = self._machine.due_ns or self._clock.now_ns()
        now_ns = self._clock.wait_until(due_ns)
        at_ns = -(-now_ns // TIME_STEP_NS) * TIME_STEP_NS
        late_ns = (at_ns - due_ns) // TIME_STEP_NS * TIME_STEP_NS
        period_ns = self._machine.step.sampling.every_ns if self._machine.step else 1_000_000_000
        sample = self._bench.read(at_ns, max(0, late_ns), period_ns)
        return Sample._make((*sample[:-1], self._look_at_host()))

    def _look_at_host(self) -> Host:
        """What the computer says, coarse enough that it seldom changes (it is journaled then)."""
        self._ticks += 1
        request, slept_ns = self._request(), self._clock.slept_ns()
        known = self._host
        if self._ticks % _HOST_EVERY == 1 or request != known.request or slept_ns != known.slept_ns:
            self._host = Host(
                free_bytes=self._log.free_bytes() // _FREE_STEP * _FREE_STEP,
                unsynced_ns=self._log.unsynced_ns() // _UNSYNCED_STEP_NS * _UNSYNCED_STEP_NS,
                slept_ns=slept_ns,
                request=request,
            )
        return self._host

    def _finish(self) -> None:
        self._beat("finishing", SAFING_S)
        self._proof = self._bench.make_safe()
        self._note_proof()
        if self._proof.contradicted:
            self._trip("off contradicted", "; ".join(self._proof.evidence), Ending.FAULTED)
        else:
            self._machine = self._machine.concluded(self._proof)

    # -- making safe

    def _trip(self, interlock: str, reason: str, ending: Ending) -> None:
        """Make safe for a cause outside the panel; the first cause is kept."""
        if self._machine.is_final:
            return
        self._beat("making safe", SAFING_S)
        self._proof = self._bench.make_safe()
        trip = Trip(interlock, reason, self._clock.now_ns(), ending)
        if self._machine.state is not State.MAKING_SAFE:
            self._machine = self._machine.tripped(trip)
            self._note_trip(trip)

    def _conclude(self) -> None:
        if self._machine.state is State.MAKING_SAFE:
            self._prove()
            self._watch_afterwards()
            self._machine = self._machine.concluded(self._proof)
        self._note_end()
        self._bench.close()

    def _prove(self) -> None:
        self._beat("making safe", SAFING_S)
        self._note_proof()
        for _ in range(ATTEMPTS - 1):
            if self._proof.is_off:
                return
            self._beat("making safe", SAFING_S)
            self._proof = self._bench.make_safe()
            self._note_proof()

    def _watch_afterwards(self) -> None:
        """Go on sampling, outputs off; never lets trouble here change the ending."""
        until_ns = self._clock.now_ns() + AFTERWARDS_NS
        try:
            while self._clock.now_ns() < until_ns:
                self._machine = self._machine._replace(due_ns=self._clock.now_ns() + 1_000_000_000)
                sample = self._sample()
                self._log.append(sample, mark_of(self._machine))
                self._beat("making safe", SAFING_S)
        except Exception as error:  # noqa: BLE001 - off is commanded; no trouble may change that
            self._error = self._error or _bug(error)
        except KeyboardInterrupt:
            return

    def _outcome(self) -> Outcome:
        machine = self._machine
        exit_code = _EXITS[machine.state]
        if self._error is not None and exit_code is not Exit.UNPROVEN:
            exit_code = Exit.BUG
        return Outcome(
            exit_code,
            machine.state,
            machine.trip,
            self._proof,
            self._clock.now_ns(),
            self._refusals,
            self._error,
        )

    # -- the journal

    def _note_command(self, command: Command, at_ns: int) -> None:
        drive = command.drive
        self._log.note(
            "command",
            {
                "at_ns": at_ns,
                "direction": drive.direction.value,
                "current_a": drive.current_a,
                "voltage_v": drive.voltage_v,
                "connected": command.connected,
            },
        )

    def _note_change(self, at_ns: int) -> None:
        self._note_ended()
        machine, step = self._machine, self._machine.step
        entry: dict[str, Any] = {"at_ns": at_ns, "state": machine.state.value}
        if step is not None:
            entry |= {
                "step": step.number,
                "words": step.words,
                "sentence": step.sentence,
                "label": step.label,
                "bound_s": step.bound_s,
                "stops": [describe(stop) for stop in step.stops],
            }
        self._log.note("state", entry)

    def _note_ended(self) -> None:
        for result in self._machine.ended:
            step, tally, moved = result.step, result.tally, result.moved
            self._log.note(
                "step ended",
                {
                    "step": step.number,
                    "cycle": step.cycle,
                    "words": step.words,
                    "label": step.label,
                    "reason": result.reason,
                    "began_ns": tally.began_ns,
                    "ended_ns": result.ended_ns,
                    **moved._asdict(),
                    "start_v": _finite(tally.start_v),
                    "end_v": _finite(tally.voltage_v),
                    "end_a": _finite(tally.current_a),
                    "highest_c": _finite(tally.highest_c),
                    "low_v": _finite(tally.low_v),
                    "high_v": _finite(tally.high_v),
                    "interrupted": tally.interrupted,
                },
            )

    def _note_trip(self, trip: Trip) -> None:
        self._note_last("trip", {**trip._asdict(), "ending": trip.ending.value})

    def _note_proof(self) -> None:
        self._note_last("proof", {**self._proof._asdict(), "level": self._proof.level.value})

    def _note_end(self) -> None:
        machine, trip = self._machine, self._machine.trip
        reasons = "; ".join(self._refusals)
        entry = {
            "at_ns": self._clock.now_ns(),
            "ending": machine.state.value,
            "exit": int(_EXITS[machine.state]),
            "reason": trip.reason if trip else reasons,
        }
        self._note_last("end", entry)
        try:
            self._log.close()
        except (RecordError, OSError) as error:
            self._error = self._error or error

    def _note_last(self, kind: str, entry: dict[str, Any]) -> None:
        """Write what must be written if anything can be; a full disk must not stop making safe."""
        try:
            self._log.note(kind, entry)
        except (RecordError, OSError):
            return


def _bug(error: Exception) -> Exception | None:
    return None if isinstance(error, (NightbenchError, OSError)) else error


def _finite(value: float) -> float | None:
    return value if -1e30 < value < 1e30 else None


def mark_of(machine: Machine) -> StepMark:
    """Where in the plan the machine is, for a row of samples."""
    step, tally = machine.step, machine.tally
    if step is None or tally is None:
        number = step.number if step else 0
        return StepMark(number, 1, machine.state.value, "rest", 0, 0.0, 0.0, 0.0, 0.0)
    kind = step.drive.direction.value if machine.state is not State.CHANGEOVER else "rest"
    return StepMark(step.number, step.cycle, step.words, kind, tally.began_ns, *tally.moved)


def execute(
    plan: Plan,
    outfit: Outfit,
    bench: Bench,
    clock: Clock,
    log: RunLog,
    panel: Panel,
    *,
    request: Request = _nobody,
    beat: Beat = _unheard,
) -> Outcome:
    """Run a plan on a bench and end safe. Never raises; the outcome says how it ended."""
    return Execution(plan, outfit, bench, clock, log, panel, request=request, beat=beat).run()
