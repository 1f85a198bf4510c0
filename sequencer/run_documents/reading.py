"""Every document of a run, read and checked against each other, with all faults told at once.

Owns which documents belong together; what is wrong in one of them, and between them, is judged by
the rooms that own it. Energises nothing and opens no instrument.
"""

import json
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final, NamedTuple

from drivers.registry import definition_path
from sequencer.documents.bench import SERVED, BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.operations import DISABLE
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.rules import UNKNOWN, sought
from sequencer.documents.specimen import SpecimenDocument
from sequencer.feasibility.appraisal import Appraisal, appraise
from sequencer.plan.likely import likely_s
from sequencer.plan.make import make_plan
from sequencer.plan.plan import Plan
from sequencer.plan.remarks import remarks
from sequencer.plan.step import PlannedStep
from sequencer.plan.within import breaches_within
from sequencer.run_documents.cross_document_rules import (
    faults_between,
    faults_of_bench,
    faults_of_marking,
    faults_of_specimen,
)
from sequencer.source.loading import Intake, Loaded
from sequencer.source.sets import BenchSet, look_at_bench
from sequencer.vocabulary.faults import DocumentFault
from sequencer.vocabulary.remembering import remembered


class RunOptions(NamedTuple):
    """Which documents a person named; ``settings``: parameters of the profile, and their values as
    text."""

    profile: Path
    cell: Path
    bench: Path | None = None
    specimen: Path | None = None
    faults: Sequence[Path] = ()
    settings: Sequence[Sequence[str]] = ()


class RunDocuments(NamedTuple):
    """The documents of one run, each with its place, and the plan made of them.

    ``already_in_ah``: what an interrupted run, which this one goes on from, had put in (Ah).
    """

    profile: Loaded[ProfileDocument]
    cell: Loaded[CellDocument]
    bench: BenchSet | None
    specimen: Loaded[SpecimenDocument] | None
    faults: tuple[Loaded[FaultDocument], ...]
    plan: Plan
    already_in_ah: float = 0.0

    @property
    def definitions(self) -> dict[str, InstrumentDefinition]:
        """Instrument definitions by the instrument's name on the bench."""
        return definitions_of(self.bench) if self.bench else {}

    @property
    def is_served(self) -> bool:
        """Whether the bench's instruments are simulated ones that are served for the run."""
        return self.bench is not None and is_served(self.bench)

    @property
    def is_simulated(self) -> bool:
        """Whether its instruments are simulated, served for the run or by another process."""
        return self.bench is not None and self.bench.bench.document.is_simulated


def definitions_of(bench: BenchSet) -> dict[str, InstrumentDefinition]:
    """Instrument definitions by the instrument's name on the bench."""
    return {name: one.document for name, one in bench.definitions.items()}


def places_of(bench: BenchSet) -> dict[str, Callable[[tuple[str | int, ...]], str]]:
    """By instrument name: file, line and column of keys in its definition, or (beginning with
    ``instruments``) in the bench document."""

    def place(name: str, at: tuple[str | int, ...]) -> str:
        loaded = bench.bench if at[:1] == ("instruments",) else bench.definitions[name]
        return "{}:{}:{}".format(*loaded.place(*at))

    return {name: partial(place, name) for name in bench.definitions}


def is_served(bench: BenchSet) -> bool:
    """Whether any instrument of the bench is served."""
    return any(one.address == SERVED for one in bench.bench.document.instruments.values())


def read_run_documents(options: RunOptions) -> RunDocuments:
    """Read and check everything.

    Raises:
        DocumentError: every fault of every document, and between them.
    """
    intake = Intake()
    profile = intake.look(options.profile, ProfileDocument, _set_line(options.settings))
    cell = intake.look(options.cell, CellDocument)
    bench = look_at_bench(options.bench, definition_path, intake) if options.bench else None
    specimen = intake.look(options.specimen, SpecimenDocument) if options.specimen else None
    faults = [intake.load(path, FaultDocument) for path in options.faults]
    if profile is not None and cell is not None:
        intake.tell(*faults_between(profile, cell, bench))
        if specimen is not None:
            intake.tell(*faults_of_specimen(specimen, cell))
    if bench is not None:
        if profile is not None and not options.specimen:
            intake.tell(*faults_of_marking(profile))
        intake.tell(*faults_of_bench(bench))
        intake.tell(*_misplaced_faults(bench, faults))
    intake.settle()
    assert profile is not None
    assert cell is not None
    kept = tuple(one for one in faults if one is not None)
    plan = make_plan(profile.document, cell.document)
    return RunDocuments(profile, cell, bench, specimen, kept, plan)


def read_profile(path: Path, settings: Sequence[Sequence[str]] = ()) -> Loaded[ProfileDocument]:
    """A profile for any cell.

    Raises:
        DocumentError: every fault that it has by itself.
    """
    intake = Intake()
    profile = intake.look(path, ProfileDocument, _set_line(settings))
    if profile is not None:
        within = breaches_within(profile.document)
        intake.tell(*(profile.fault(one.path, one.message) for one in within))
    intake.settle()
    assert profile is not None
    return profile


def _set_line(settings: Sequence[Sequence[str]]) -> str:
    """What was set, as the last line of the profile: whoever reads its text reads it too."""
    given = [": ".join(json.dumps(one, ensure_ascii=False) for one in pair) for pair in settings]
    return f"set: {{{', '.join(given)}}}\n" if given else ""


def _misplaced_faults(
    bench: BenchSet, faults: Sequence[Loaded[FaultDocument] | None]
) -> list[DocumentFault]:
    """A fault must be of an instrument of this bench, and the bench a simulated one."""
    names = sought(lambda: _names_of(bench.bench.document))
    if names is UNKNOWN:
        return []
    told = []
    for fault in faults:
        if fault is None:
            continue
        if bench.simulated_cell is None:
            told.append(fault.fault((), f"{bench.bench.path} has no simulation to go wrong"))
        elif fault.document.instrument is not None and fault.document.instrument not in names:
            rule = f"{fault.words('instrument')}: not on the bench {bench.bench.path}"
            told.append(fault.fault(("instrument",), rule))
    return told


def _names_of(bench: BenchDocument) -> set[str]:
    """Every name by which a fault may call an instrument."""
    places = (one.place for one in bench.wiring.sensors)
    return {*bench.instruments, *bench.wiring.names(), *places}


@remembered
def appraise_run_documents(run_documents: RunDocuments) -> Appraisal | None:
    """What the bench makes of the plan; None without a bench."""
    if run_documents.bench is None:
        return None
    return appraise(
        run_documents.profile.document,
        run_documents.cell.document,
        run_documents.bench.bench.document,
        run_documents.definitions,
    )


@remembered
def remarks_on(run_documents: RunDocuments) -> list[str]:
    """What may be done, and its author should know."""
    found = remarks(run_documents.profile.document, run_documents.cell.document)
    return [*found, *(untried(run_documents.bench) if run_documents.bench else ())]


def untried(bench: BenchSet) -> list[str]:
    """Instruments whose definition nobody says to have tried on a bench of this sort."""
    is_simulated = bench.bench.document.is_simulated
    enough = ("simulated", "on hardware") if is_simulated else ("on hardware",)
    return [
        f"{name}: its definition {one.definition} says 'verified: {one.verified}': "
        f"{'try it on a resistor, and ' if one.kind in DISABLE else ''}"
        "compare what it reads, before a cell is connected"
        for name, one in definitions_of(bench).items()
        if one.verified not in enough
    ]


def start_entry(run_documents: RunDocuments, at_ns: int) -> dict[str, Any]:
    """The journal's entry of the start: what runs, on what, within which limits."""
    limits = run_documents.plan.limits._asdict()
    del limits["follows_table"]  # the drives tell which
    bands = [{**one._asdict(), "direction": one.direction.value} for one in limits.pop("table")]
    return {
        "at_ns": at_ns,
        "title": run_documents.plan.title,
        "steps": _last_number(run_documents.plan),
        "cell": run_documents.cell.document.cell,
        "bench": run_documents.bench.bench.document.bench if run_documents.bench else "",
        "specimen": run_documents.specimen.document.specimen if run_documents.specimen else "",
        "limits": limits,
        "bands": bands,
    }


LIKELY = "likely_s"
"""Beside the start's entry: how long the run will likely take (s), which decides nothing."""
MOST_STEPS: Final = 5000
"""Of a longer plan only what begins it is told step by step."""


def likely_end(run_documents: RunDocuments) -> dict[str, Any]:
    """An estimate for the screen; nothing for a plan that is too long to be walked through."""
    if len(run_documents.plan) > MOST_STEPS:
        return {}
    return {LIKELY: round(likely_s(_steps(run_documents.plan), run_documents.plan.limits.rated_ah))}


def _steps(plan: Plan) -> list[PlannedStep]:
    return [plan[number] for number in range(len(plan))]


def _last_number(plan: Plan) -> int:
    """How many steps the whole plan has; a resumed run counts on from where it was broken off."""
    return plan[len(plan) - 1].number if len(plan) else 0
