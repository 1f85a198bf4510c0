"""Whether the cell on the bench can be the named specimen: its voltage against its history.

The history is the record: earlier runs of the same specimen beside this run's folder, else what the
specimen document says of its arrival. A simulated cell begins anew in every run and has none.
"""

from collections.abc import Callable, Iterator, Mapping
from math import isfinite
from pathlib import Path
from typing import Any

from sequencer.interlocks.before import stranger
from sequencer.recording.below_recommended import EARLIER
from sequencer.recording.folder import MANIFEST
from sequencer.recording.run import RecordedRun, read_manifest, read_run
from sequencer.recording.summary import below_recommended
from sequencer.run_documents.reading import RunDocuments
from sequencer.vocabulary.faults import NightbenchError
from sequencer.vocabulary.intent import RESIDUAL


def is_blocked(run_documents: RunDocuments) -> bool:
    """Whether the supply lets no current back, so that its terminals do not show the cell."""
    assert run_documents.bench is not None
    charge = run_documents.bench.bench.document.wiring.charge
    return charge is not None and run_documents.definitions[charge].traits.blocks_reverse_current


def specimen_judge(run_documents: RunDocuments, folder: Path) -> Callable[[float], list[str]]:
    """Says from a voltage (V) why this is not the specimen; silent where nothing is known."""
    known = None if run_documents.is_served else known_voltage(run_documents, folder)
    if known is None:
        return lambda _volts: []
    known_v, since = known
    return lambda volts: stranger(volts, known_v, since)


def known_voltage(run_documents: RunDocuments, folder: Path) -> tuple[float, str] | None:
    """Where the specimen was left (V), and when, in words."""
    if run_documents.specimen is None:
        return None
    document = run_documents.specimen.document
    earlier = last_voltage(folder.parent, document.specimen, folder)
    if earlier is None and document.arrival is not None:
        earlier = document.arrival.voltage, f"when it arrived on {document.arrival.on}"
    return earlier


def last_voltage(place: Path, specimen: str, own: Path) -> tuple[float, str] | None:
    """The last voltage (V) that was read in the newest earlier run of the specimen in ``place``
    that read one, and where that stands, in words."""
    for manifest in sorted(place.glob(f"*/{MANIFEST}"), key=_begun, reverse=True):
        if manifest.parent.resolve() == own.resolve() or not _is_of(manifest.parent, specimen):
            continue
        try:
            known = _last_read(read_run(manifest.parent))
        except (OSError, ValueError, NightbenchError):
            continue
        if known is not None:
            return known[0], f"{known[1]} {manifest.parent.name}"
    return None


def _last_read(run: RecordedRun) -> tuple[float, str] | None:
    last = run.last_row
    if last is not None and isfinite(last.sample.voltage_v):
        return last.sample.voltage_v, "at the end of"
    table = run.table if last is not None else None
    volts = next(filter(isfinite, reversed(table.voltage_v)), None) if table else None
    return None if volts is None else (float(volts), "where it was last read in")


def earlier_residual_discharges(run_documents: RunDocuments, own: Path) -> list[dict[str, Any]]:
    """The mark that the specimen carries: its residual discharges in the runs beside ``own``, and
    those that their manifests name. A simulated specimen and a real one are two."""
    if run_documents.specimen is None:
        return []
    name, found = run_documents.specimen.document.specimen, dict[str, dict[str, Any]]()
    for manifest in sorted(own.parent.glob(f"*/{MANIFEST}"), key=_begun):
        told = read_manifest(manifest.parent)
        is_own = manifest.parent.resolve() == own.resolve() or told.get("rehearsal")
        if is_own or not _is_of(manifest.parent, name):
            continue
        if bool(told.get("simulated")) is not run_documents.is_simulated:
            continue
        found |= {one["run"]: one for one in _named(told)}
        if any(RESIDUAL in str(one.get("text")) for one in told.get("documents", ())):
            found |= {one["run"]: one for one in _marks(manifest.parent, told)}
    return list(found.values())


def _named(told: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    earlier = told.get(EARLIER)
    for one in earlier if isinstance(earlier, list) else ():
        if isinstance(one, Mapping) and one.get("run"):
            yield dict(one)


def _marks(folder: Path, told: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    try:
        low = below_recommended(read_run(folder))
    except (OSError, ValueError, NightbenchError):
        return
    if low is not None:
        of = {"run": told.get("run", ""), "folder": folder.name, "start": told.get("start", "")}
        yield {**of, "lowest_v": low["lowest_v"]}


def _begun(path: Path) -> tuple[int, float]:
    """When the run of a manifest began (ns since 1970), by its own word: a copy of it is as new as
    the copying, whatever it copied."""
    told = read_manifest(path.parent).get("start_unix_ns")
    return told if isinstance(told, int) else 0, path.stat().st_mtime


def _is_of(folder: Path, specimen: str) -> bool:
    told = read_manifest(folder).get("specimen")
    return isinstance(told, Mapping) and told.get("specimen") == specimen
