"""Every document of a run as its manifest keeps it."""

from typing import Any

from sequencer.recording.manifest import Source
from sequencer.run_documents.reading import RunDocuments
from sequencer.source.loading import Loaded


def sources_of(run_documents: RunDocuments) -> list[Source]:
    """Every document as it was read and as it was resolved, for the manifest."""
    named: list[tuple[str, Loaded[Any] | None]] = [
        ("profile", run_documents.profile),
        ("cell", run_documents.cell),
        ("specimen", run_documents.specimen),
        *(("fault", one) for one in run_documents.faults),
    ]
    if run_documents.bench is not None:
        named.append(("bench", run_documents.bench.bench))
        named += [
            (f"definition of {name}", one) for name, one in run_documents.bench.definitions.items()
        ]
        named.append(("simulated cell", run_documents.bench.simulated_cell))
    return [
        Source(role, str(one.path), one.text.encode(), one.document.model_dump(mode="json"))
        for role, one in named
        if one is not None
    ]
