"""A rehearsal: the same executive, machine and interlocks, on the twin, in virtual time.

Owns what is put together for it and what is kept of it: one account a finished step. Decides
nothing about the plan and says nothing; the words are the command's.
"""

import hashlib
import uuid
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sequencer.assembly.benches import make_safing_plan, make_twin
from sequencer.clocks import VirtualClock, real_ns, unix_ns
from sequencer.execution_ahead import ExecutionAhead
from sequencer.executive import Outcome
from sequencer.inspection import Questions
from sequencer.interlocks.panel import make_panel
from sequencer.machine.entries import PERSON
from sequencer.plan.likely import COMES_AFTER_S
from sequencer.plan.step import PlanLimits, PlannedStep
from sequencer.ports import RunLogAhead
from sequencer.recording.folder import RunFolder
from sequencer.recording.in_memory import PLENTY_BYTES, DroppingLog, MemoryLog
from sequencer.recording.manifest import Source, Start, compose
from sequencer.recording.run import RecordedRun, read_run
from sequencer.recording.versions import OURS, versions
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import MOST_STEPS, RunDocuments, likely_end, start_entry
from sequencer.run_documents.sources import sources_of
from sequencer.run_documents.specimen_history import is_blocked
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.faults import UsageError

START_NS = 1_000_000_000
"""Bench time at which a rehearsal begins: a time of zero means *never read*."""


class Headroom(NamedTuple):
    """How far from one limit a step stayed: which limit, its value, and the distance.

    ``left`` is in ``unit``; negative when the limit was crossed.
    """

    limit: str
    at: float
    left: float
    unit: str


class RehearsedStep(NamedTuple):
    """One finished step. ``entry`` is the journal's own words and numbers."""

    step: PlannedStep
    began_s: float
    ended_s: float
    reason: str
    entry: Mapping[str, Any]
    headroom: tuple[Headroom, ...]


class Rehearsed(NamedTuple):
    """How a rehearsal went. ``folder`` is None when its record was not kept; ``read`` reads the
    record, wherever it is, and is None where it was dropped. ``steps`` are the first ones,
    ``MOST_STEPS`` at most, of the ``ended`` ones."""

    outcome: Outcome
    steps: tuple[RehearsedStep, ...]
    ended: int
    seconds: float
    folder: Path | None
    read: Callable[[], RecordedRun] | None

    def recorded(self) -> RecordedRun:
        """Its record.

        Raises:
            UsageError: it was dropped.
        """
        if self.read is None:
            raise UsageError("the record of so many steps is not held: keep it in a folder")
        return self.read()


class _Listening:
    """The record, which passes finished steps on."""

    def __init__(self, log: RunLogAhead) -> None:
        self._log = log
        self.first: list[Mapping[str, Any]] = []
        self.ended = 0
        self._comes_ns: int | None = None
        # Handed on as they are: they are called every tick.
        self.append, self.append_each = log.append, log.append_each
        self.close: Callable[[], None] = log.close

    @property
    def write_failure(self) -> str:
        """The record's own."""
        return self._log.write_failure

    def free_bytes(self) -> int:
        """Always plenty: how full or slow this computer's disk is must not decide a rehearsal, or
        the same documents would not give the same record."""
        return PLENTY_BYTES

    def unsynced_ns(self) -> int:
        """Always synced, for the same reason."""
        return 0

    def note(self, kind: str, entry: Mapping[str, Any]) -> None:
        """One line of the journal."""
        if kind == "step ended":
            self.ended += 1
            self.first += [entry] if self.ended <= MOST_STEPS else []
        stops = entry.get("stops", ()) if kind == "state" else ()
        if any(one["kind"] == PERSON for one in stops):
            self._comes_ns = entry["at_ns"] + round(COMES_AFTER_S * 1e9)
        self._log.note(kind, entry)

    @property
    def awaits_person(self) -> bool:
        """Whether there will be a request."""
        return self._comes_ns is not None

    def request(self, now_ns: int) -> str:
        """A person who is waited for comes after a while."""
        if self._comes_ns is None or now_ns < self._comes_ns:
            return ""
        self._comes_ns = None
        return "continue"


def rehearse(
    run_documents: RunDocuments, folder: Path | None = None, *, start_unix_ns: int | None = None
) -> Rehearsed:
    """Rehearse the plan; the record is kept in ``folder``, or else in memory. A plan of many steps
    takes no more memory than one of few: without a folder its record is dropped. It says that it
    began at ``start_unix_ns`` (now): the same documents and the same start give the same record.

    Raises:
        UsageError: the folder exists already.
        RefusedError: the record cannot be made.
    """
    start = Start(START_NS, unix_ns() if start_unix_ns is None else start_unix_ns)
    manifest = _manifest(run_documents, start)
    if folder is None and len(run_documents.plan) > MOST_STEPS:
        return _rehearse(run_documents, DroppingLog(), None)
    if folder is None:
        record = MemoryLog(manifest, start)
        return _rehearse(run_documents, record, record.recorded)
    kept = RunFolder.create(folder, manifest, start, real_ns=real_ns)
    return _rehearse(run_documents, kept, lambda: read_run(folder))._replace(folder=folder)


def _manifest(run_documents: RunDocuments, start: Start) -> Mapping[str, Any]:
    sources = sources_of(run_documents)
    return compose(
        run_documents.plan.title,
        start,
        documents=sources,
        specimen=run_documents.specimen.document.model_dump(mode="json")
        if run_documents.specimen
        else None,
        versions=versions(OURS),
        rehearsal=True,
        run_id=_run_id(sources, start.unix_ns),
    )


def _rehearse(
    run_documents: RunDocuments,
    record: RunLogAhead,
    read: Callable[[], RecordedRun] | None,
) -> Rehearsed:
    channels = measuring_channels_of(run_documents)
    clock = VirtualClock(START_NS)
    record.note("start", {**start_entry(run_documents, START_NS), **likely_end(run_documents)})
    log = _Listening(record)
    limits = run_documents.plan.limits
    outcome = ExecutionAhead(
        run_documents.plan,
        channels,
        make_twin(run_documents, clock),
        clock,
        log,
        make_panel(limits, channels),
        Questions(make_safing_plan(run_documents, {}).reach, is_blocked(run_documents)),
        lambda: log.request(clock.now_ns()),
        lambda: log.awaits_person,
    ).run()
    steps = tuple(_rehearsed_step(run_documents, entry) for entry in log.first)
    seconds = (outcome.at_ns - START_NS) / 1e9
    return Rehearsed(outcome, steps, log.ended, seconds, None, read)


def _run_id(sources: Sequence[Source], start_unix_ns: int) -> str:
    """The same documents and start give the same rehearsal, so they give it the same name."""
    hashes = "".join(hashlib.sha256(source.raw).hexdigest() for source in sources)
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"nightbench rehearsal {start_unix_ns} {hashes}"))


def _rehearsed_step(run_documents: RunDocuments, entry: Mapping[str, Any]) -> RehearsedStep:
    step = run_documents.plan[entry["step"] - 1]
    began_s = (entry["began_ns"] - START_NS) / 1e9
    ended_s = (entry["ended_ns"] - START_NS) / 1e9
    found = headroom(step, run_documents.plan.limits, entry)
    return RehearsedStep(step, began_s, ended_s, entry["reason"], entry, tuple(found))


def headroom(step: PlannedStep, limits: PlanLimits, entry: Mapping[str, Any]) -> list[Headroom]:
    """How far the step stayed from every limit that can stop it."""
    lasted_s = (entry["ended_ns"] - entry["began_ns"]) / 1e9
    found = [Headroom("step time", step.bound_s, step.bound_s - lasted_s, "s")]
    if entry["high_v"] is not None:
        found.append(
            Headroom("voltage high", limits.ceiling_v, limits.ceiling_v - entry["high_v"], "V")
        )
    if entry["low_v"] is not None:
        found.append(Headroom("voltage low", limits.floor_v, entry["low_v"] - limits.floor_v, "V"))
    charging = step.direction is Direction.CHARGE
    hot = limits.charge_high_c if charging else limits.discharge_high_c
    if entry["highest_c"] is not None:
        found.append(Headroom("temperature high", hot, hot - entry["highest_c"], "degC"))
    if step.direction is not Direction.REST:
        found += _electrical(step, limits, entry, charging=charging)
    return found


def _electrical(
    step: PlannedStep, limits: PlanLimits, entry: Mapping[str, Any], *, charging: bool
) -> list[Headroom]:
    most_a = limits.charge_current_a if charging else limits.discharge_current_a
    most_ah = limits.charge_in_ah if charging else limits.charge_out_ah
    moved_ah = entry["charge_in_ah"] if charging else entry["charge_out_ah"]
    return [
        Headroom("current", most_a, most_a - step.drive.current_a, "A"),
        Headroom("charge", most_ah, most_ah - moved_ah, "Ah"),
    ]
