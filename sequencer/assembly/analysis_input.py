"""What an analysis rests on, gathered from a run folder, a bundle, or a lone file of samples.

Owns where each piece is found and what is said when it is not there: a document that is missing or
faulty is a None with words in ``Tested.missing``, never a refusal, because the rest is still worth
reporting. Judges nothing.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pydantic import BaseModel

from sequencer.analysis.results import ChargeCounted, JournaledStop, RunEvent, StepEnd, Tested
from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.specimen import SpecimenDocument
from sequencer.plan.counted_charge import account_from
from sequencer.recording.journal import JournalEntry
from sequencer.recording.run import RecordedRun
from sequencer.recording.tabulating import read_table
from sequencer.run_documents.embedded_documents import DEFINITION, Kept
from sequencer.source.loading import load
from sequencer.vocabulary.faults import DocumentError, UsageError
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.table import Table

D = TypeVar("D", bound=BaseModel)
_NO_BENCH = "nothing is known of wiring and leads"
_EVENTS = ("trip", "fault", "request", "alarm", "rescue", "left", "end")


def tested_from(
    recorded: RecordedRun,
    cell: Path | None = None,  # noqa: PT028 - not a test
    bench: Path | None = None,  # noqa: PT028 - not a test
) -> Tested:
    """Everything that can be told of what was tested.

    ``recorded`` is of a run folder, a bundle made by ``nightbench export``, or a file of the open
    Battery Data Format (labels or machine names). ``cell`` is a cell document to judge by, and
    ``bench`` a bench document with the instruments that measured, instead of those that the run
    kept. ``missing`` of what comes back says in words what was not there.

    Raises:
        UsageError: a lone file is no table of samples.
        DocumentError: ``cell`` or ``bench`` is at fault.
    """
    run = recorded.sound
    given: dict[str, Any] = {"cell": load(cell, CellDocument).document} if cell is not None else {}
    given |= _instruments(bench) if bench is not None else {}
    if run.is_lone_file:
        return Tested(read_table(run.folder), missing=_without_run(cell, bench), **given)
    table, lacking = _table(run)
    documents = _Documents(run)
    found = {**documents.all_but(given), **given}
    return Tested(
        table,
        **found,
        step_ends=_step_ends(run),
        events=tuple(_events(run)),
        current_zero_a=_zeros(run),
        missing=(
            *(*run.unread, *run.altered, *_missing_then(run.manifest), *lacking),
            *documents.missing,
            *_instead(cell, bench),
        ),
    )


def _instruments(bench: Path) -> dict[str, Any]:
    """The bench and its instruments, as ``Tested`` has them."""
    from sequencer.assembly.by_hand import read_bench
    from sequencer.run_documents.reading import definitions_of

    found = read_bench(bench)
    return {"bench": found.bench.document, "definitions": definitions_of(found)}


def _without_run(cell: Path | None, bench: Path | None) -> tuple[str, ...]:
    known = "instruments, specimen and plan" if bench is None else "specimen and plan"
    words = [f"a file of samples alone: nothing is known of {known}"]
    if bench is not None:
        whose = f"that the instruments of {bench} measured it is the word of whoever asked"
        words.append(f"{whose}; their zeros were not recorded: their whole stated offset counts")
    if cell is None:
        words.append("no cell document: no claim is judged")
    return tuple(words)


def _instead(cell: Path | None, bench: Path | None) -> Iterator[str]:
    for path, what in ((cell, "judged by the cell"), (bench, "measured by the bench")):
        if path is not None:
            yield f"{what} document {path}, not by the one that the run kept"


def _missing_then(manifest: Mapping[str, Any]) -> list[str]:
    """What a bundle's run lacked already when it was published."""
    told = manifest.get("bundle", {}).get("missing")
    return [str(one) for one in told] if isinstance(told, list) else []


def _table(run: RecordedRun) -> tuple[Table, Sequence[str]]:
    """The table, or an empty one with words when there is nothing to read."""
    try:
        table = run.table
    except UsageError as error:
        return empty_table(), (str(error),)
    return (empty_table() if table is None else table), ()  # the run says that they are missing


def empty_table() -> Table:
    """A table without a row."""
    none, whole = np.empty(0), np.empty(0, np.int64)
    return Table(none, none, none, none, none, whole, whole, none, none, none, {})


class _Documents:
    """The documents of a run, each or words why not."""

    def __init__(self, run: RecordedRun) -> None:
        self._kept = Kept(run.folder, run.manifest)
        self.missing = list(self._kept.unsound)

    def all_but(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """Those that the run kept, by their name in ``Tested``, but for what is given instead."""
        wanted: tuple[tuple[str, Callable[[], Any]], ...] = (
            ("cell", lambda: self._take("cell", CellDocument, "no claim is judged")),
            ("specimen", lambda: self._take("specimen", SpecimenDocument, "no mass was weighed")),
            ("bench", lambda: self._take("bench", BenchDocument, _NO_BENCH)),
            ("definitions", self._definitions),
        )
        return {name: take() for name, take in wanted if name not in given}

    def _take(self, role: str, model: type[D], so: str) -> D | None:
        """The document of a role; ``so`` says what follows when there is none."""
        try:
            found = self._kept.find(role, model)
        except DocumentError as error:
            self.missing.append(f"the {role} document is faulty, {so}: {error.faults[0]}")
            return None
        if found is None and role != "specimen":
            self.missing.append(f"no {role} document: {so}")
        return None if found is None else found.document

    def _definitions(self) -> dict[str, InstrumentDefinition]:
        """The instrument definitions by the instrument's name."""
        found = {}
        for role in self._kept.roles:
            if role.startswith(DEFINITION):
                one = self._take(role, InstrumentDefinition, "its accuracy is not known")
                if one is not None:
                    found[role.removeprefix(DEFINITION)] = one
        return found


def _step_ends(run: RecordedRun) -> dict[int, StepEnd]:
    states = [one for one in run.all("state") if "step" in one]
    begun = {one["step"]: one for one in states}
    return {
        one["step"]: replace(
            _step_end(begun.get(one["step"], {}), one, run.start_ns),
            paused_s=_paused_s(one, states, run.start_ns),
        )
        for one in run.all("step ended")
        if "step" in one
    }


def _paused_s(
    ended: Mapping[str, Any], states: Sequence[Mapping[str, Any]], start_ns: int
) -> float:
    """When it was paused first (test time, s), not once it had ended; NaN: it was not."""
    until_ns = _number(ended.get("ended_ns"))
    paused = (
        _number(one.get("at_ns"))
        for one in states
        if one["step"] == ended["step"] and one.get("state") == State.PAUSED.value
    )
    return next(((at - start_ns) / 1e9 for at in paused if at < until_ns), math.nan)


def _step_end(begun: Mapping[str, Any], entry: Mapping[str, Any], start_ns: int) -> StepEnd:
    in_ah, out_ah, in_wh, out_wh = (_number(entry.get(name)) for name in _MOVED)
    drive = begun.get("drive")
    drive = drive if isinstance(drive, Mapping) else {}
    stops = begun.get("stops")
    found = [_stop(one) for one in stops] if isinstance(stops, Sequence) else []
    return StepEnd(
        entry["step"],
        str(begun.get("sentence", "")),
        str(entry.get("label", "")),
        str(entry.get("reason", "")),
        in_ah,
        out_ah,
        in_wh,
        out_wh,
        ended_s=(_number(entry.get("ended_ns")) - start_ns) / 1e9,
        direction=str(drive.get("direction", "")),
        current_a=_number(drive.get("current_a")),
        voltage_v=_number(drive.get("voltage_v")),
        held=str(drive.get("held", "")),
        held_value=_number(drive.get("value")),
        stops=tuple(stop for stop in found if stop is not None),
        stopped_by=_stop(entry.get("stopped_by")),
        is_skipped=entry.get("skipped") is True,
        is_begun_again=begun.get("begun_again") is True,
        follows_table=bool(drive.get("table")),
        counted=_counted(entry),
    )


def _counted(entry: Mapping[str, Any]) -> ChargeCounted | None:
    """What had been counted, of a step that left the cell at a state of charge; of one that was
    skipped, the charge behind the discharge tells it."""
    counted = entry.get("counted")
    is_not_last = entry.get("skipped") is True and "discharge" in str(entry.get("words"))
    if not isinstance(counted, Mapping) or is_not_last:
        return None
    try:
        account = account_from(counted.get("account"))
    except (KeyError, TypeError, ValueError):  # another program's journal, or a damaged one
        return None
    return ChargeCounted(
        to=_number(counted.get("to")),
        capacity_ah=account.capacity_ah,
        measured_at_a=account.measuring.current_a,
        measured_down_to_v=account.measuring.cut_off_v,
        measured_in=account.measuring.step,
        from_share=account.reference.share,
        since=account.since,
    )


def _stop(told: Any) -> JournaledStop | None:
    is_one = isinstance(told, Mapping)
    return JournaledStop(str(told.get("kind")), _number(told.get("value"))) if is_one else None


_MOVED = ("charge_in_ah", "charge_out_ah", "energy_in_wh", "energy_out_wh")


def _number(value: Any) -> float:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else float("nan")


def _events(run: RecordedRun) -> Iterator[RunEvent]:
    """What happened, in order; one without a time of its own happened when the one before did."""
    at_s = 0.0
    for one in run.entries:
        if "at_ns" in one.entry:
            at_s = (one.entry["at_ns"] - run.start_ns) / 1e9
        if one.kind in _EVENTS and (words := _words(one)):
            yield RunEvent(at_s, one.kind, words)


def _words(one: JournalEntry) -> str:
    said = one.entry
    if one.kind == "trip":
        return f"{said.get('interlock', '')}: {said.get('reason', '')}"
    if one.kind == "fault":
        return "; ".join(_fault(fault) for fault in said.get("faults") or ())
    if one.kind == "request":
        return f"{said.get('asked', '')}: {said.get('why', '')}"
    if one.kind == "end":
        return ": ".join(str(said[key]) for key in ("ending", "reason") if said.get(key))
    return str(said.get("reason") or said.get("words") or said.get("why") or "")


def _fault(fault: Any) -> str:
    if not isinstance(fault, Mapping):
        return str(fault)
    told = (fault.get("culprit"), fault.get("channel"), fault.get("kind"), fault.get("detail"))
    return " ".join(str(one) for one in told if one)


def _zeros(run: RecordedRun) -> dict[str, float]:
    """The current that each meter showed with everything off (A), by the sample's field."""
    first = next(iter(run.all("zero")), {})
    pairs = ((name, _number(value)) for name, value in first.items())
    return {name: value for name, value in pairs if name.endswith("_a") and isfinite(value)}
