"""What an analysis rests on, gathered from a run folder, a bundle, or a lone file of samples.

Owns where each piece is found and what is said when it is not there: a document that is missing or
faulty is a None with words in ``Tested.missing``, never a refusal, because the rest is still worth
reporting. Judges nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pydantic import BaseModel

from sequencer.analysis.results import Event, JournaledStop, StepEnd, Tested
from sequencer.assembly.kept import DEFINITION, Kept
from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.specimen import SpecimenDocument
from sequencer.recording.checksums import changed
from sequencer.recording.folder import JOURNAL, MANIFEST, SAMPLES
from sequencer.recording.journal import Entry
from sequencer.recording.manifest import FORMAT, other_format
from sequencer.recording.published import samples_of
from sequencer.recording.reading import JournalReader
from sequencer.recording.recovery import read_manifest
from sequencer.recording.tabulating import read_table
from sequencer.recording.wellformed import sound_entries, sound_manifest
from sequencer.source.loading import load
from sequencer.vocabulary.faults import DocumentError, UsageError
from sequencer.vocabulary.table import Table

D = TypeVar("D", bound=BaseModel)
_EVENTS = ("trip", "fault", "request", "alarm", "rescue", "left", "end")


def tested_from(
    path: Path,
    cell: Path | None = None,  # noqa: PT028 - not a test
    bench: Path | None = None,  # noqa: PT028 - not a test
) -> Tested:
    """Everything that can be read of what was tested.

    ``path`` is a run folder, a bundle made by ``nightbench export``, or a file of the open Battery
    Data Format (labels or machine names). ``cell`` is a cell document to judge by, and ``bench`` a
    bench document with the instruments that measured, instead of those that the run kept.
    ``missing`` of what comes back says in words what was not there.

    Raises:
        UsageError: no run, no bundle and no table of samples there.
        DocumentError: ``cell`` or ``bench`` is at fault.
    """
    judged_by = load(cell, CellDocument).document if cell is not None else None
    measured_by = _instruments(bench) if bench is not None else {}
    if not path.is_dir():
        missing = _without_run(judged_by, bench)
        return Tested(read_table(path), cell=judged_by, missing=missing, **measured_by)
    found = _from_folder(path)
    if judged_by is not None:
        words = f"judged by the cell document {cell}, not by the one that the run kept"
        found = _replaced(found, "no cell document", words, cell=judged_by)
    if bench is not None:
        words = f"measured by the bench document {bench}, not by the one that the run kept"
        found = _replaced(found, "no bench document", words, **measured_by)
    return found


def _instruments(bench: Path) -> dict[str, Any]:
    """The bench and its instruments, as ``Tested`` has them."""
    from sequencer.assembly.by_hand import read_bench
    from sequencer.assembly.papers import definitions_of

    found = read_bench(bench)
    return {"bench": found.bench.document, "definitions": definitions_of(found)}


def _without_run(cell: CellDocument | None, bench: Path | None) -> tuple[str, ...]:
    known = "instruments, specimen and plan" if bench is None else "specimen and plan"
    words = [f"a file of samples alone: nothing is known of {known}"]
    if bench is not None:
        whose = f"that the instruments of {bench} measured it is the word of whoever asked"
        words.append(f"{whose}; their zeros were not recorded: their whole stated offset counts")
    if cell is None:
        words.append("no cell document: no claim is judged")
    return tuple(words)


def _replaced(found: Tested, without: str, words: str, **documents: Any) -> Tested:
    from dataclasses import replace

    kept = tuple(one for one in found.missing if not one.startswith(without))
    return replace(found, missing=(*kept, words), **documents)


def _from_folder(folder: Path) -> Tested:
    samples = samples_of(folder)
    has_record = any((folder / name).is_file() for name in (MANIFEST, JOURNAL))
    if samples is None and not has_record:
        raise UsageError(f"{folder}: neither a run folder nor a bundle: no samples, no journal")
    manifest, entries, missing = _record(folder)
    missing += [*changed(folder), *_missing_then(manifest)]
    start_ns = manifest.get("start_bench_ns", 0)
    documents = _Documents(folder, manifest)
    return Tested(
        _table(samples, missing),
        cell=documents.take("cell", CellDocument, "no claim is judged"),
        specimen=documents.take("specimen", SpecimenDocument, "no mass was weighed"),
        bench=documents.take("bench", BenchDocument, "nothing is known of wiring and leads"),
        definitions=documents.definitions(),
        step_ends=_step_ends(entries, start_ns),
        events=tuple(_events(entries, start_ns)),
        current_zero_a=_zeros(entries),
        missing=(*missing, *documents.missing),
    )


def _missing_then(manifest: Mapping[str, Any]) -> list[str]:
    """What a bundle's run lacked already when it was published."""
    bundle = manifest.get("bundle")
    told = bundle.get("missing") if isinstance(bundle, dict) else None
    return [str(one) for one in told] if isinstance(told, list) else []


def _record(folder: Path) -> tuple[Mapping[str, Any], Sequence[Entry], list[str]]:
    manifest, missing = sound_manifest(read_manifest(folder))
    if not manifest:
        missing.append(f"{MANIFEST}: missing or damaged")
    elif manifest.get("format") != FORMAT:
        missing.append(f"{MANIFEST}: {other_format(manifest)}: what steps were told is not known")
    reader = JournalReader()
    try:
        entries, odd = sound_entries(reader.feed((folder / JOURNAL).read_bytes()))
    except OSError:
        return manifest, [], [*missing, f"{JOURNAL}: missing: nothing is known of steps and events"]
    if not any(entry.kind == "end" for entry in entries):
        missing.append(f"{JOURNAL}: no end: the run was interrupted, or is still going on")
    return manifest, entries, [*missing, *reader.troubles, *odd]


def _table(samples: Path | None, missing: list[str]) -> Table:
    """The table, or an empty one with words when there is nothing to read."""
    if samples is None:
        missing.append(f"{SAMPLES}: missing")
        return empty_table()
    try:
        return read_table(samples)
    except UsageError as error:
        missing.append(str(error))
        return empty_table()


def empty_table() -> Table:
    """A table without a row."""
    none, whole = np.empty(0), np.empty(0, np.int64)
    return Table(none, none, none, none, none, whole, whole, none, none, none, {})


class _Documents:
    """The documents of a run, each or words why not."""

    def __init__(self, folder: Path, manifest: Mapping[str, Any]) -> None:
        self._kept = Kept(folder, manifest)
        self.missing = list(self._kept.unsound)

    def take(self, role: str, model: type[D], so: str) -> D | None:
        """The document of a role; ``so`` says what follows when there is none."""
        try:
            found = self._kept.find(role, model)
        except DocumentError as error:
            self.missing.append(f"the {role} document is faulty, {so}: {error.faults[0]}")
            return None
        if found is None and role != "specimen":
            self.missing.append(f"no {role} document: {so}")
        return None if found is None else found.document

    def definitions(self) -> dict[str, InstrumentDefinition]:
        """The instrument definitions by the instrument's name."""
        found = {}
        for role in self._kept.roles:
            if role.startswith(DEFINITION):
                one = self.take(role, InstrumentDefinition, "its accuracy is not known")
                if one is not None:
                    found[role.removeprefix(DEFINITION)] = one
        return found


def _step_ends(entries: Sequence[Entry], start_ns: int) -> dict[int, StepEnd]:
    begun = {
        one.entry["step"]: one.entry
        for one in entries
        if one.kind == "state" and isinstance(one.entry.get("step"), int)
    }
    return {
        number: _step_end(number, begun.get(number, {}), one.entry, start_ns)
        for one in entries
        if one.kind == "step ended" and isinstance(number := one.entry.get("step"), int)
    }


def _step_end(
    number: int, begun: Mapping[str, Any], entry: Mapping[str, Any], start_ns: int
) -> StepEnd:
    in_ah, out_ah, in_wh, out_wh = (_number(entry.get(name)) for name in _MOVED)
    drive = begun.get("drive")
    drive = drive if isinstance(drive, Mapping) else {}
    stops = begun.get("stops")
    found = [_stop(one) for one in stops] if isinstance(stops, Sequence) else []
    return StepEnd(
        number,
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
    )


def _stop(told: Any) -> JournaledStop | None:
    is_one = isinstance(told, Mapping)
    return JournaledStop(str(told.get("kind")), _number(told.get("value"))) if is_one else None


_MOVED = ("charge_in_ah", "charge_out_ah", "energy_in_wh", "energy_out_wh")


def _number(value: Any) -> float:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else float("nan")


def _events(entries: Sequence[Entry], start_ns: int) -> Iterable[Event]:
    """What happened, in order; one without a time of its own happened when the one before did."""
    at_s = 0.0
    for one in entries:
        at_ns = one.entry.get("at_ns")
        if isinstance(at_ns, int):
            at_s = (at_ns - start_ns) / 1e9
        if one.kind in _EVENTS and (words := _words(one)):
            yield Event(at_s, one.kind, words)


def _words(one: Entry) -> str:
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


def _zeros(entries: Sequence[Entry]) -> dict[str, float]:
    """The current that each meter showed with everything off (A), by the sample's field."""
    for one in entries:
        if one.kind == "zero":
            pairs = ((name, _number(value)) for name, value in one.entry.items())
            return {name: value for name, value in pairs if name.endswith("_a") and isfinite(value)}
    return {}
