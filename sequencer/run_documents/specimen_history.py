"""Whether the cell on the bench can be the named specimen: its voltage against its history.

The history is the record: earlier runs of the same specimen beside this run's folder, else what the
specimen document says of its arrival. A simulated cell begins anew in every run and has none.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

from sequencer.interlocks.before import stranger
from sequencer.recording.folder import MANIFEST
from sequencer.recording.run import read_manifest, read_run
from sequencer.run_documents.reading import RunDocuments
from sequencer.vocabulary.faults import NightbenchError


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
    """The last voltage (V) in the newest earlier run of the specimen in ``place``, and its name."""
    for manifest in sorted(place.glob(f"*/{MANIFEST}"), key=_age, reverse=True):
        if manifest.parent.resolve() == own.resolve() or not _is_of(manifest.parent, specimen):
            continue
        try:
            last = read_run(manifest.parent).last_row
        except (OSError, ValueError, NightbenchError):
            continue
        if last is not None:
            return last.sample.voltage_v, f"at the end of {manifest.parent.name}"
    return None


def _age(path: Path) -> float:
    return path.stat().st_mtime


def _is_of(folder: Path, specimen: str) -> bool:
    told = read_manifest(folder).get("specimen")
    return isinstance(told, Mapping) and told.get("specimen") == specimen
