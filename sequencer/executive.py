"""The loop: wait, read, judge, advance, apply, record; and when anything goes wrong, make safe.

One executive serves the real bench, the served one and the rehearsal. It prints nothing, and any
exception that escapes the loop is a make-safe: the only catch-all of the house stands here.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from sequencer.interlocks.before import reasons_to_refuse
from sequencer.interlocks.panel import Panel
from sequencer.interlocks.strangers import strangers
from sequencer.machine import entries
from sequencer.machine.aftermath import Aftermath, Look, is_on_again
from sequencer.machine.entries import EXECUTIVE, PANEL, Note, exit_of, mark_of
from sequencer.machine.machine import IDLE_PERIOD_NS, Machine
from sequencer.plan.step import Plan
from sequencer.ports import Bench, Clock, Identity, RunLog
from sequencer.vocabulary.commands import Command
from sequencer.vocabulary.faults import (
    InstrumentError,
    NightbenchError,
    RecordError,
    RefusedError,
)
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.outfit import Outfit
from sequencer.vocabulary.sample import PLENTY_BYTES, TIME_STEP_NS, WELL, Host, Sample
from sequencer.vocabulary.verdict import UNPROVEN, Ending, Exit, Proof, Trip

Request = Callable[[], str]
Beat = Callable[[str, float], None]

CHECKING_S = 30.0
"""How long checking may take before the watchdog is told again (real time)."""
SAFING_S = 10.0
"""How long one attempt at making safe may take (real time)."""
SWITCHING_S = 2.2
"""How long one change of outputs may take, read-backs included (real time); an executive that
freezes in the middle of it must still be replaced within three seconds."""
TICK_S = 2.0
"""How late the heartbeat may be while running, beyond one sampling period (real time)."""
ATTEMPTS = 5
"""How often off is commanded again before the executive gives up and says so."""
ALARM = "ALARM: "
"""How the heartbeat's phase begins when a person must come."""
_HOST_EVERY = 16
"""Ticks between two looks at the disk."""
_FREE_STEP = 1 << 24
_UNSYNCED_STEP_NS = 5_000_000_000
"""Rows that wait for less than this are the ordinary work of a disk."""


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


def _answers() -> str:
    return ""


def _unheard(_phase: str, _seconds: float) -> None:
    return None


class Execution:
    """One run of one plan. ``request`` is asked every tick what a person wants; ``beat`` is told
    the phase and how soon to expect the next beat (real seconds); ``watchdog`` says what is wrong
    with whoever is told (``Host.watchdog``), mostly nothing."""

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
        watchdog: Request = _answers,
    ) -> None:
        self._bench, self._clock, self._log, self._panel = bench, clock, log, panel
        self._request, self._beat, self._watchdog = request, beat, watchdog
        self._machine = Machine(plan, outfit)
        self._host = WELL
        self._ticks = 0
        self._proof = UNPROVEN
        self._refusals: tuple[str, ...] = ()
        self._identities: Sequence[Identity] = ()
        self._error: BaseException | None = None

    def run(self) -> Outcome:
        """Carry the plan out and end safe, whatever happens. Never raises."""
        try:
            self._loop(self._prepare())
        except RefusedError as refusal:
            self._refuse(refusal)
        except KeyboardInterrupt:
            self._trip("person", "interrupted from the keyboard", Ending.ABORTED)
        except InstrumentError as error:
            self._fail(error)
        except (RecordError, OSError) as error:
            self._trip("record", str(error), Ending.FAULTED)
        except Exception as error:  # noqa: BLE001 - our own bug must still end safe
            self._error = error
            self._trip("bug", f"{type(error).__name__}: {error}", Ending.FAULTED)
        self._conclude()
        return self._outcome()

    # -- before anything is energised

    def _prepare(self) -> Sample:
        """The sample that the run begins with."""
        self._beat("checking", CHECKING_S)
        self._identities = self._bench.identify()
        for identity in self._identities:
            self._log.note("identity", identity._asdict())
        limits = self._machine.plan.limits
        self._bench.protect(
            limits.ceiling_v, limits.charge_current_a, limits.floor_v, limits.discharge_current_a
        )
        self._proof = self._bench.prove_off()
        self._note_last(entries.of_proof(self._proof))
        sample = self._sample()
        reasons = reasons_to_refuse(self._panel, limits, self._proof, sample)
        if reasons:
            self._log.append(sample, mark_of(self._machine))
            raise RefusedError(reasons)
        return sample

    def _fail(self, error: InstrumentError) -> None:
        """An instrument failed: a fault, but before anything was energised a reason to refuse."""
        if self._machine.state is State.CHECKING:
            self._refuse(RefusedError([str(error)]))
        else:
            self._trip("instrument", str(error), Ending.FAULTED)

    def _refuse(self, refusal: RefusedError) -> None:
        """Off all the same; what somebody left on and does not go off is more than a refusal."""
        self._refusals = tuple(refusal.reasons)
        self._proof = self._bench.make_safe()
        if self._proof.contradicted:
            self._trip("outputs on", "; ".join(refusal.reasons), Ending.FAULTED)
            return
        self._note_last(entries.of_proof(self._proof))
        self._machine = self._machine.refused()

    # -- the tick

    def _loop(self, sample: Sample) -> None:
        machine, judge = self._machine, self._panel.judge
        bench, log, beat = self._bench, self._log, self._beat
        while True:
            verdict = judge(sample, machine.intent)
            before = machine
            machine, commands = machine.advance(sample, verdict)
            self._machine = machine
            if verdict.trip is not None:
                self._beat("making safe", SAFING_S)
                self._proof = bench.make_safe()
                self._note_last(entries.of_trip(verdict.trip, PANEL))
                log.append(sample, mark_of(machine))
                return
            # The row comes first: a decision whose order fails must leave its cause on disk.
            log.append(sample, mark_of(machine))
            if (
                machine.ended
                or machine.intent is not before.intent
                or machine.pause is not before.pause
            ):
                for note in entries.of_changes(before, machine, sample.at_ns):
                    log.note(*note)
            if commands:
                self._order(commands, sample)
            beat(machine.state.words, TICK_S + (machine.due_ns - sample.at_ns) * 1e-9)
            if machine.tally is None and machine.awaits_proof:
                self._finish()
                return
            sample = self._sample()

    def _order(self, commands: tuple[Command, ...], sample: Sample) -> None:
        self._beat("switching", SWITCHING_S)
        for command in commands:
            self._log.note(*entries.of_command(command, sample.at_ns))
            self._bench.apply(command)

    def _sample(self) -> Sample:
        machine = self._machine
        due_ns = machine.due_ns or self._clock.now_ns()
        at_ns = -(-self._clock.wait_until(due_ns) // TIME_STEP_NS) * TIME_STEP_NS
        late_ns = 0
        if at_ns > due_ns:
            late_ns = (at_ns - due_ns) // TIME_STEP_NS * TIME_STEP_NS
        period_ns = machine.step.sampling.every_ns if machine.step else IDLE_PERIOD_NS
        sample, host = self._bench.read(at_ns, late_ns, period_ns), self._look_at_host()
        if host.request == "continue" and machine.state is State.PAUSED:
            self._beat("checking", CHECKING_S)
            found = strangers(self._identities, self._bench.identify)
            sample = sample._replace(faults=(*sample.faults, *found))
        return sample if sample.host is host else sample._replace(host=host)

    def _look_at_host(self) -> Host:
        """What the computer says, coarse enough that it seldom changes (it is journaled then)."""
        self._ticks += 1
        request, slept_ns, watchdog = self._request(), self._clock.slept_ns(), self._watchdog()
        known = self._host
        seen = (request, slept_ns, watchdog)
        is_due = self._ticks % _HOST_EVERY == 1
        if is_due or seen != (known.request, known.slept_ns, known.watchdog):
            now = Host(
                free_bytes=_coarse_bytes(self._log.free_bytes(), known.free_bytes),
                unsynced_ns=_coarse_ns(self._log.unsynced_ns()),
                slept_ns=slept_ns,
                write_failure=self._log.write_failure,
                request=request,
                watchdog=watchdog,
            )
            # One object for one answer: what looks at it asks first whether it is another.
            self._host = known if now == known else now
        return self._host

    def _finish(self) -> None:
        self._beat("finishing", SAFING_S)
        self._proof = self._bench.make_safe()
        self._note_last(entries.of_proof(self._proof))
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
            self._note_last(entries.of_trip(trip, EXECUTIVE))

    def _conclude(self) -> None:
        if self._machine.state is State.MAKING_SAFE:
            self._prove()
            self._watch_afterwards()
            self._prove_still()
            self._machine = self._machine.concluded(self._proof)
        self._note_end()
        self._bench.close()

    def _prove(self) -> None:
        self._beat("making safe", SAFING_S)
        self._note_last(entries.of_proof(self._proof))
        for _ in range(ATTEMPTS - 1):
            if self._proof.is_off:
                return
            self._beat("making safe", SAFING_S)
            self._proof = self._bench.make_safe()
            self._note_last(entries.of_proof(self._proof))

    def _prove_still(self) -> None:
        """What was off may have come on since: an instrument that restarts, a hand at its panel."""
        self._beat("making safe", SAFING_S)
        try:
            still_off = self._bench.prove_off().is_off
        except Exception as error:  # noqa: BLE001 - off is commanded again instead
            self._error = self._error or _bug(error)
            still_off = False
        if self._proof.is_off and not still_off:
            self._proof = self._bench.make_safe()
            self._prove()

    def _switch_off_again(self, at_ns: int) -> None:
        self._beat("making safe", SAFING_S)
        self._proof = self._bench.make_safe()
        self._note_last(entries.of_proof(self._proof))
        self._note_last(Note("off again", {"at_ns": at_ns, "evidence": self._proof.evidence}))

    def _watch_afterwards(self) -> None:
        """Go on sampling, outputs off, until the cell is cool and quiet; a cell that keeps warming
        is an alarm. Never lets trouble here change the ending."""
        since_ns = self._clock.now_ns()
        aftermath, look = Aftermath(self._machine.ending, since_ns), Look(False, "", "")
        self._host = self._host._replace(request="")
        try:
            while not look.over and self._host.request != "abort":
                self._machine = self._machine._replace(due_ns=self._clock.now_ns() + IDLE_PERIOD_NS)
                sample = self._sample()
                if is_on_again(sample, since_ns):
                    self._switch_off_again(sample.at_ns)
                self._append_last(sample)
                look = aftermath.look(sample)
                if look.is_news:
                    self._note_last(entries.of_alarm(look.alarm, sample.at_ns))
                self._beat(f"{ALARM}{look.alarm}" if look.alarm else "cooling", SAFING_S)
            left = entries.of_aftermath(look.words, since_ns, self._clock.now_ns())
            self._note_last(left)
        except Exception as error:  # noqa: BLE001 - off is commanded; no trouble may change that
            self._error = self._error or _bug(error)
        except KeyboardInterrupt:
            return

    def _outcome(self) -> Outcome:
        machine = self._machine
        exit_code = exit_of(machine.state, self._proof)
        if isinstance(self._error, RecordError | OSError):  # the last words to the disk
            exit_code = Exit.FAULTED if exit_code is Exit.DONE else exit_code
        elif self._error is not None and exit_code is not Exit.UNPROVEN:
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

    def _note_end(self) -> None:
        end = entries.of_end(self._machine, self._clock.now_ns(), self._refusals, self._proof)
        self._note_last(end)
        try:
            self._log.close()
        except (RecordError, OSError) as error:
            self._error = self._error or error

    def _append_last(self, sample: Sample) -> None:
        """As ``_note_last``, for a row: a full disk must not end the watch over a warm cell."""
        try:
            self._log.append(sample, mark_of(self._machine))
        except (RecordError, OSError):
            return

    def _note_last(self, note: Note) -> None:
        """Write what must be written if anything can be; a full disk must not stop making safe."""
        try:
            self._log.note(*note)
        except (RecordError, OSError):
            return


def _coarse_bytes(free: int, known: int) -> int:
    """Free room in steps, never more than there is; what is known stands until a whole step more
    is free than it says, so that files of others that come and go change nothing."""
    free = min(free, PLENTY_BYTES)
    if known <= free < known + 2 * _FREE_STEP:
        return known
    return free // _FREE_STEP * _FREE_STEP


def _coarse_ns(unsynced_ns: int) -> int:
    """How long rows wait for the disk, in steps and never less than it is; at first nothing."""
    if unsynced_ns < _UNSYNCED_STEP_NS:
        return 0
    return -(-unsynced_ns // _UNSYNCED_STEP_NS) * _UNSYNCED_STEP_NS


def _bug(error: Exception) -> Exception | None:
    return None if isinstance(error, (NightbenchError, OSError)) else error


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
    watchdog: Request = _answers,
) -> Outcome:
    """Run a plan on a bench and end safe. Never raises; the outcome says how it ended."""
    return Execution(
        plan, outfit, bench, clock, log, panel, request=request, beat=beat, watchdog=watchdog
    ).run()
