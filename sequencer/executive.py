"""The loop: wait, read, judge, advance, apply, record; and when anything goes wrong, make safe.

One executive serves the real bench, the served one and the rehearsal. It prints nothing, and any
exception that leaves the loop ends in making safe.
"""

from collections.abc import Sequence
from typing import NamedTuple

from sequencer.documents.safing import LONGEST_PROOF_S
from sequencer.inspection import (
    CHECKING_S,
    NO_QUESTIONS,
    SWITCHING_S,
    TICK_S,
    Beat,
    Inspection,
    Questions,
)
from sequencer.interlocks.before import reasons_to_refuse
from sequencer.interlocks.changed_instruments import changed_instruments
from sequencer.interlocks.panel import Panel
from sequencer.last_words import LastWords
from sequencer.machine import entries
from sequencer.machine.aftermath import Aftermath, AftermathLook
from sequencer.machine.entries import EXECUTIVE, PANEL, Note, exit_of, mark_of
from sequencer.machine.machine import IDLE_PERIOD_NS, Machine
from sequencer.machine.withdrawal import Withdrawal, is_on_again
from sequencer.plan.plan import Plan
from sequencer.ports import Bench, Clock, Identity, RunLog
from sequencer.sampling import Request, Sampler
from sequencer.vocabulary.commands import Command
from sequencer.vocabulary.faults import (
    InstrumentError,
    NightbenchError,
    RecordError,
    RefusedError,
)
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import UNPROVEN, Ending, Exit, Proof, Trip

SAFING_S = 10.0
"""How long saying off, and whatever follows an ending, may take (real time)."""
PROVING_S = LONGEST_PROOF_S + 2.0
"""How long the proof of off may take once off was said (real time)."""
PROVING = "proving off"
"""The heartbeat's phase meanwhile."""
ATTEMPTS = 5
"""How often off is commanded again before the executive gives up and says so."""
ALARM = "ALARM: "
"""How the heartbeat's phase begins when a person must come."""


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
    the phase and how soon to expect the next beat (real seconds); ``watchdog`` says what is wrong
    with whoever is told (``Host.watchdog``), mostly nothing."""

    def __init__(
        self,
        plan: Plan,
        channels: MeasuringChannels,
        bench: Bench,
        clock: Clock,
        log: RunLog,
        panel: Panel,
        *,
        request: Request = _nobody,
        beat: Beat = _unheard,
        watchdog: Request = _nobody,
        questions: Questions = NO_QUESTIONS,
    ) -> None:
        self._questions = questions
        self._bench, self._clock, self._log, self._panel = bench, clock, log, panel
        self._sampling, self._beat = Sampler(bench, clock, log, request, watchdog), beat
        self._last, self._machine = LastWords(log), Machine(plan, channels)
        self._proof, self._is_withdrawn = UNPROVEN, False
        self._refusals: tuple[str, ...] = ()
        self._identities: Sequence[Identity] = ()
        self._error: BaseException | None = None

    def run(self) -> Outcome:
        """Carry the plan out and end safe, whatever happens. Never raises."""
        try:
            self._loop(self._prepare())
        except RefusedError as refusal:
            self._fail("refused", refusal.reasons)
        except KeyboardInterrupt:
            self._trip("person", "interrupted from the keyboard", Ending.ABORTED)
        except InstrumentError as error:
            self._fail("instrument", [str(error)])
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
        self._bench.protect(limits.protection_bounds)
        self._inspect()
        self._proof = self._bench.prove_off()
        self._last.note(entries.of_proof(self._proof))
        sample = self._sample()
        reasons = reasons_to_refuse(self._panel, limits, self._proof, sample)
        if reasons:
            self._log.append(sample, mark_of(self._machine))
            raise RefusedError(reasons)
        return sample

    def _inspect(self) -> None:
        plan, channels = self._machine.plan, self._machine.channels
        bench, clock, note = self._bench, self._clock, self._log.note
        Inspection(bench, clock, note, plan.limits, channels, self._questions, self._beat).insist()

    def _fail(self, interlock: str, reasons: Sequence[str]) -> None:
        """A fault; before the run has begun a reason to refuse."""
        if self._machine.state is State.CHECKING:
            self._refuse(reasons)
        else:
            self._trip(interlock, "; ".join(reasons), Ending.FAULTED)

    def _refuse(self, reasons: Sequence[str]) -> None:
        """Off all the same; what somebody left on and does not go off is more than a refusal."""
        self._refusals = tuple(reasons)
        self._proof = self._bench.make_safe(self._off_was_sent)
        if self._proof.contradicted:
            self._trip("outputs on", "; ".join(reasons), Ending.FAULTED)
            return
        self._last.note(entries.of_proof(self._proof))
        self._machine = self._machine.refused()

    # -- the tick

    def _loop(self, sample: Sample) -> None:
        machine, judge = self._machine, self._panel.judge
        log, beat = self._log, self._beat
        while True:
            verdict = judge(sample, machine.intent)
            before = machine
            machine, commands = machine.advance(sample, verdict)
            self._machine = machine
            if verdict.trip is not None:
                self._make_safe_for(verdict.trip, PANEL, sample)
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
            beat(entries.phase_of(machine), TICK_S + (machine.due_ns - sample.at_ns) * 1e-9)
            if machine.tally is None and machine.awaits_proof:
                self._finish()
                return
            sample = self._sample()
            machine = self._machine

    def _order(self, commands: tuple[Command, ...], sample: Sample) -> None:
        self._beat("switching", SWITCHING_S)
        for command in commands:
            if not command.is_trim:  # the row has it
                self._log.note(*entries.of_command(command, sample.at_ns))
            self._bench.apply(command)

    def _sample(self) -> Sample:
        sample = self._sampling.sample(self._machine)
        if sample.host.request == "continue" and self._machine.state is State.PAUSED:
            self._beat("checking", CHECKING_S)
            found = changed_instruments(self._identities, self._bench.identify)
            sample = sample._replace(faults=(*sample.faults, *found))
        return sample

    def _finish(self) -> None:
        self._beat("finishing", SAFING_S)
        self._proof = self._bench.make_safe(self._off_was_sent)
        self._last.note(entries.of_proof(self._proof))
        told, announced = "; ".join(self._proof.evidence), self._questions.announced
        if self._proof.contradicted:
            self._trip("off contradicted", told, Ending.FAULTED)
        elif announced is not None and not self._proof.reaches(announced):
            reason = f"level {announced.value} was announced: {told}"
            self._trip("off less proven", reason, Ending.FAULTED)
        else:
            self._machine = self._machine.concluded(self._proof)

    # -- making safe

    def _trip(self, interlock: str, reason: str, ending: Ending) -> None:
        """Make safe for a cause outside the panel; the first cause is kept."""
        if self._machine.is_final:
            return
        trip = Trip(interlock, reason, self._clock.now_ns(), ending)
        if self._machine.state is State.MAKING_SAFE:
            self._switch_off()
        else:
            self._machine = self._machine.tripped(trip)
            self._make_safe_for(trip, EXECUTIVE, None)

    def _make_safe_for(self, trip: Trip, by: str, sample: Sample | None) -> None:
        """Off first, then the first cause is written, then off is proven."""
        said = False

        def off_was_sent() -> None:
            nonlocal said
            self._off_was_sent()
            if not said:
                said = True
                self._last.note(entries.of_trip(trip, by))
                if sample is not None:
                    self._last.append(sample, mark_of(self._machine))

        self._beat("making safe", SAFING_S)
        self._proof = self._bench.make_safe(off_was_sent)

    def _switch_off(self) -> None:
        """Off, and the proof that it came about."""
        self._beat("making safe", SAFING_S)
        self._proof = self._bench.make_safe(self._off_was_sent)

    def _off_was_sent(self) -> None:
        """The proof may take longer than saying off; the watchdog is told."""
        self._beat(PROVING, PROVING_S)

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
        self._last.note(entries.of_proof(self._proof))
        for _ in range(ATTEMPTS - 1):
            if self._proof.is_off:
                return
            self._switch_off()
            self._last.note(entries.of_proof(self._proof))

    def _prove_still(self) -> None:
        """What was off may have come on since: by a restart, or by a person at the panel."""
        if self._is_withdrawn:
            return
        self._beat(PROVING, PROVING_S)
        try:
            still_off = self._bench.prove_off().is_off
        except Exception as error:  # noqa: BLE001 - off is commanded again instead
            self._error = self._error or _bug(error)
            still_off = False
        if self._proof.is_off and not still_off:
            self._switch_off()
            self._prove()

    def _switch_off_again(self, at_ns: int) -> None:
        self._switch_off()
        self._last.note(entries.of_proof(self._proof))
        self._last.note(Note("off again", {"at_ns": at_ns, "evidence": self._proof.evidence}))

    def _withdraw(self, reason: str, at_ns: int) -> None:
        """What was proven is so no longer: off again, an alarm; the run ends as not proven off."""
        self._switch_off_again(at_ns)
        self._is_withdrawn = True
        told = f"the proof of off is withdrawn: {reason}"
        self._proof = self._proof._replace(
            contradicted=True, evidence=(told, *self._proof.evidence)
        )
        self._last.note(Note("proof withdrawn", {"at_ns": at_ns, "reason": reason}))
        self._last.note(entries.of_proof(self._proof))
        self._beat(f"{ALARM}{told}", SAFING_S)

    def _watch_afterwards(self) -> None:
        """Go on sampling, outputs off, until the cell is cool and quiet; a cell that keeps warming
        is an alarm. Never lets trouble here change the ending."""
        since_ns = self._clock.now_ns()
        aftermath, look = Aftermath(self._machine.ending, since_ns), AftermathLook(False, "", "")
        withdrawal = Withdrawal(self._proof, self._machine.channels, since_ns)
        self._sampling.forget_request()
        try:
            while not look.over and self._sampling.host.request != "abort":
                self._machine = self._machine._replace(due_ns=self._clock.now_ns() + IDLE_PERIOD_NS)
                sample = self._sample()
                self._last.append(sample, mark_of(self._machine))
                self._look_for_current(withdrawal, sample, since_ns)
                look = aftermath.look(sample)
                if look.is_news:
                    self._last.note(entries.of_alarm(look.alarm, sample.at_ns))
                self._beat(f"{ALARM}{look.alarm}" if look.alarm else "cooling", SAFING_S)
            self._last.note(entries.of_aftermath(look.words, since_ns, self._clock.now_ns()))
        except Exception as error:  # noqa: BLE001 - off is commanded; no trouble may change that
            self._error = self._error or _bug(error)
        except KeyboardInterrupt:
            return

    def _look_for_current(self, withdrawal: Withdrawal, sample: Sample, since_ns: int) -> None:
        """Whether anything came on since off was proven; where it never was, it is said again."""
        reason = withdrawal.reason(sample)
        if reason and self._proof.is_off:
            self._withdraw(reason, sample.at_ns)
        elif is_on_again(sample, since_ns):
            self._switch_off_again(sample.at_ns)

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
        self._last.note(end)
        try:
            self._log.close()
        except (RecordError, OSError) as error:
            self._error = self._error or error
        self._error = self._error or self._last.lost


def _bug(error: Exception) -> Exception | None:
    return None if isinstance(error, (NightbenchError, OSError)) else error
