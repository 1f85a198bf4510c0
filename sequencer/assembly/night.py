"""One run in the executive's process: locks, acknowledgement, record, safing plan, execution.

Owns the order: nothing is energised before the bench is held, a person has said yes, the record
stands on disk and the watchdog holds the safing plan.
"""

import contextlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final

from sequencer.assembly.attendance import insist, overdue_bursts, reasons_to_stay
from sequencer.assembly.bench_ownership import hold_instruments, hold_wires
from sequencer.assembly.benches import Announcing, OpenedBench, stand_up
from sequencer.assembly.cautions import cautions
from sequencer.assembly.endings import ending_lines, outcome_data
from sequencer.assembly.host_checks import RUNS, disk_reasons
from sequencer.assembly.run_result import RunResult, bug
from sequencer.assembly.summing import sum_up
from sequencer.clocks import real_ns, unix_ns
from sequencer.documents.safing import SafingPlan, dump
from sequencer.executive import Execution, Outcome
from sequencer.inspection import Questions
from sequencer.interlocks.panel import make_panel
from sequencer.machine.entries import of_end
from sequencer.machine.machine import Machine
from sequencer.ports import Identity
from sequencer.recording.below_recommended import EARLIER
from sequencer.recording.folder import SAFING, RunFolder
from sequencer.recording.manifest import Start, compose, default_place
from sequencer.recording.run import read_manifest
from sequencer.recording.versions import WITH_WIRES, versions
from sequencer.resuming.resumption import Resumption
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunDocuments, likely_end, start_entry
from sequencer.run_documents.remaining_plan import RESUMES
from sequencer.run_documents.sources import sources_of
from sequencer.run_documents.specimen_history import (
    earlier_residual_discharges,
    is_blocked,
    specimen_judge,
)
from sequencer.vocabulary.faults import NightbenchError, RecordError, RefusedError, UsageError
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import GONE, LOST, SILENT, TIME_STEP_NS
from sequencer.vocabulary.verdict import Exit, Proof
from sequencer.watchdog import locks
from sequencer.watchdog.attendant import LOST_S, SILENT_S, Attendant
from sequencer.watchdog.rescue import alarm_lines
from sequencer.watchdog.speaking import Say

ASSEMBLING_S: Final = 60.0
SUMMING_UP_S: Final = 120.0
WATCHDOG_WORDS: Final = {
    "": "the watchdog process answers again",
    SILENT: f"the watchdog process has not answered for {SILENT_S:.0f} s: it may be stopped",
    LOST: f"the watchdog process has not answered for {LOST_S:.0f} s: it may be stopped",
    GONE: "the watchdog process is gone",
}


class Night:
    """One run of one set of run documents, attended by a watchdog."""

    def __init__(
        self,
        run_documents: RunDocuments,
        attendant: Attendant,
        alarm: Say,
        resumes: Resumption | None = None,
        *,
        urgent: Say | None = None,
    ) -> None:
        """``alarm`` is told that a person must come, as long as that is so; ``urgent`` what must be
        done at the bench, where no watchdog is left to say it (by default the same)."""
        self._run_documents, self._attendant, self._resumes = run_documents, attendant, resumes
        self._alarm, self._urgent = alarm, urgent or alarm

    def run(self, folder: Path | None, *, attended: bool = False) -> RunResult:
        """From the locks to the result. ``attended``: a person has said that they stay.

        Raises:
            RefusedError, UsageError: before anything was energised.
        """
        run_documents = self._run_documents
        channels = measuring_channels_of(run_documents)
        beside = self._resumes.folder.absolute().parent if self._resumes else RUNS
        place = folder or default_place(beside, run_documents.plan.title, unix_ns())
        if place.exists():
            raise UsageError(f"{place}: exists already; a run is never written over another")
        self._stay = reasons_to_stay(run_documents)
        self._attended = attended
        self._refuse_unfit(place)
        self._hold_bench()
        told = [*cautions(run_documents, place), *(self._resumes.lines if self._resumes else ())]
        went = self._attendant.wait_for_go(told, {"real": not run_documents.is_served})
        if not went["go"]:
            return _not_gone(went["how"])
        self._attendant.beat("assembling the bench", ASSEMBLING_S)
        opened = stand_up(run_documents)
        off = True
        try:
            result = self._run_on(opened, channels, place, went["how"])
            off = result.off
        finally:
            opened.leave(off)
        return result

    def _refuse_unfit(self, place: Path) -> None:
        """Disk and fitness to be left alone, with every reason at once."""
        reasons = disk_reasons(self._run_documents.plan, place)
        reasons += overdue_bursts(self._run_documents) if self._resumes is not None else []
        try:
            insist(self._stay, attended=self._attended)
        except RefusedError as refusal:
            reasons += refusal.reasons
        if reasons:
            raise RefusedError(reasons)

    def _hold_bench(self) -> None:
        """Own every wire of the bench, or none."""
        assert self._run_documents.bench is not None
        held = hold_wires(self._run_documents.bench.bench.document)
        if held:
            self._attendant.hold(held)

    def _hold_instruments(self, identities: Sequence[Identity]) -> None:
        """Own them by serial number too: another wire may lead to one."""
        bench = self._run_documents.bench
        assert bench is not None
        held = hold_instruments(identities, self._run_documents.definitions, bench.bench.document)
        if held:
            self._attendant.hold(held)

    def _run_on(
        self, opened: OpenedBench, channels: MeasuringChannels, place: Path, how: str
    ) -> RunResult:
        log = self._make_record(opened, place, how)
        try:
            self._hold_folder(place)
            begun = start_entry(self._run_documents, opened.clock.now_ns())
            log.note("start", {**begun, **likely_end(self._run_documents)})
            self._note_resumption(log)
            self._attendant.announce_folder(place)
            self._announce_safing(log, opened.safing)
        except BaseException as error:
            self._note_not_begun(log, opened, channels, error)
            log.close()
            raise
        try:
            outcome = self._execute(opened, channels, log)
        except Exception as error:  # noqa: BLE001 - what may be on is handed to the watchdog
            lines = bug(error, place).lines
            data = {"ending": "bug", "errors": lines, "folder": str(place)}
            return RunResult(Exit.BUG, lines, data, off=False)
        return self._conclude(outcome, place)

    def _note_not_begun(
        self, log: RunFolder, opened: OpenedBench, channels: MeasuringChannels, error: BaseException
    ) -> None:
        """The record ends with why: a run that never began is not one that broke off."""
        refused = Machine(self._run_documents.plan, channels).refused()
        kind, end = of_end(
            refused, opened.clock.now_ns(), (str(error) or type(error).__name__,), None
        )
        code = Exit.REFUSED if isinstance(error, NightbenchError) else Exit.BUG
        with contextlib.suppress(RecordError, OSError):
            log.note(kind, {**end, "exit": int(code)})

    def _execute(self, opened: OpenedBench, channels: MeasuringChannels, log: RunFolder) -> Outcome:
        limits = self._run_documents.plan.limits
        return Execution(
            self._run_documents.plan,
            channels,
            Announcing(
                opened.bench,
                self._hold_instruments,
                lambda plan: self._announce_safing(log, plan),
                partial(self._say_unproven, opened.safing),
            ),
            opened.clock,
            log,
            make_panel(
                limits, channels, self._run_documents.already_in_ah, attended=self._attended
            ),
            request=self._noting_requests(log),
            beat=self._attendant.beat,
            questions=self._questions(opened, log),
            watchdog=self._noting_the_watchdog(log),
        ).run()

    def _questions(self, opened: OpenedBench, log: RunFolder) -> Questions:
        run_documents = self._run_documents
        return Questions(
            announced=opened.safing.reach,
            blocked=is_blocked(run_documents),
            of_specimen=(
                self._resumes.left.doubts
                if self._resumes
                else specimen_judge(run_documents, log.path)
            ),
        )

    def _note_resumption(self, log: RunFolder) -> None:
        """In both journals, before anything is energised."""
        if self._resumes is not None:
            log.note(RESUMES, self._resumes.told)
            run = str(read_manifest(log.path).get("run", ""))
            self._resumes.mark_old(log.path, run)

    def _announce_safing(self, log: RunFolder, plan: SafingPlan) -> None:
        log.write_json(SAFING, json.loads(dump(plan)))
        self._attendant.announce_safing(log.path / SAFING)

    def _say_unproven(self, plan: SafingPlan, proof: Proof) -> None:
        """What the watchdog would say, which takes over where off is not proven in time."""
        if self._attendant.watchdog():
            self._urgent("\n".join(alarm_lines(plan, proof)))

    def _noting_requests(self, log: RunFolder) -> Callable[[], str]:
        """What a person asks, with who asked and how in the journal, once."""
        ask, told = self._attendant.request, set[tuple[str, str]]()

        def request() -> str:
            asked = ask()
            news = (asked, self._attendant.why)
            if asked and news not in told:
                told.add(news)
                # A record that fails must not keep an abort from being heard.
                with contextlib.suppress(RecordError, OSError):
                    log.note("request", {"asked": asked, "why": self._attendant.why})
            if asked == "continue":
                told.clear()
            return asked

        return request

    def _noting_the_watchdog(self, log: RunFolder) -> Callable[[], str]:
        """What is wrong with the watchdog: into the journal when it changes, and an alarm while it
        lasts, which nobody but the executive can sound then."""
        told = ""

        def watchdog() -> str:
            nonlocal told
            seen = self._attendant.watchdog()
            if seen:
                self._alarm(WATCHDOG_WORDS[seen])
            if seen != told:
                told = seen
                with contextlib.suppress(RecordError, OSError):
                    log.note("watchdog", {"state": seen, "why": WATCHDOG_WORDS[seen]})
            return seen

        return watchdog

    def _make_record(self, opened: OpenedBench, place: Path, how: str) -> RunFolder:
        run_documents = self._run_documents
        start = Start(opened.clock.now_ns() // TIME_STEP_NS * TIME_STEP_NS, unix_ns())
        specimen = (
            run_documents.specimen.document.model_dump(mode="json")
            if run_documents.specimen
            else None
        )
        manifest = compose(
            run_documents.plan.title,
            start,
            documents=sources_of(run_documents),
            specimen=specimen,
            versions=versions(*WITH_WIRES),
            extra={
                "cautions_acknowledged": how,
                "attended": {"accepted": self._attended, "because": self._stay},
                "addresses": self._owned(opened.addresses),
                "simulated": run_documents.is_simulated,
                "control": list(opened.control) if opened.control else None,
                "proof_within_reach": opened.safing.reach.value,
                EARLIER: earlier_residual_discharges(run_documents, place),
                **({RESUMES: self._resumes.told} if self._resumes else {}),
            },
        )
        plan = {SAFING: json.loads(dump(opened.safing))}
        return RunFolder.create(place, manifest, start, real_ns=real_ns, beside=plan)

    def _owned(self, addresses: Mapping[str, str]) -> dict[str, str]:
        """What this run owns, by instrument name."""
        bench = self._run_documents.bench
        assert bench is not None
        instruments = bench.bench.document.instruments
        return {name: instruments[name].owned(one) for name, one in addresses.items()}

    def _hold_folder(self, place: Path) -> None:
        holder = {"pid": os.getpid(), "watchdog": os.getppid()}
        self._attendant.hold([locks.hold(place / locks.LIVE, holder)])

    def _conclude(self, outcome: Outcome, place: Path) -> RunResult:
        data: Mapping[str, Any] = {**outcome_data(outcome), "folder": str(place)}
        is_calm = outcome.state in (State.DONE, State.REFUSED) and not outcome.proof.contradicted
        off = outcome.proof.is_off or is_calm
        self._attendant.beat("summing up", SUMMING_UP_S)
        summed = sum_up(place)
        brief = [*record_lines(outcome, place), *summed.troubles, f"record: {place}"]
        lines = [*summed.first, *ending_lines(outcome), *brief]
        brief = [*summed.first, *brief]
        return RunResult(outcome.exit, lines, data, off=off, brief=brief)


def record_lines(outcome: Outcome, place: Path) -> Sequence[str]:
    """What a person must know of the record in ``place`` after that ending: that its end may be
    missing, or where a bug of ours is kept; nothing where all is well."""
    if isinstance(outcome.error, RecordError | OSError):
        keep = "keep what is said here, it may stand nowhere else"
        return [f"the end of the record may not have reached the disk: {outcome.error}; {keep}"]
    return bug(outcome.error, place).lines if outcome.error is not None else ()


def _not_gone(how: str) -> RunResult:
    if how in ("Ctrl-C", "SIGTERM"):
        lines = ["left before anything was switched on"]
        return RunResult(Exit.ABORTED, lines, {"ending": "aborted", "errors": lines})
    return RunResult(Exit.USAGE, [how], {"errors": [how]})
