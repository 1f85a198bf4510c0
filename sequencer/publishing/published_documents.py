"""The documents of a run as they are published: the same to whoever reads them, without addresses.

Owns the proof that taking something out of a text changed no number, no name and no choice.
"""

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.documents.specimen import SpecimenDocument
from sequencer.recording.journal import plain
from sequencer.recording.scrubbing import Scrubber
from sequencer.run_documents.embedded_documents import DEFINITION, documents_of
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError

_MODELS: Mapping[str, type[BaseModel]] = {
    "profile": ProfileDocument,
    "cell": CellDocument,
    "bench": BenchDocument,
    "specimen": SpecimenDocument,
    "simulated cell": SimulatedCellDocument,
    "fault": FaultDocument,
}


class PublishedDocuments:
    """``listed`` are the documents for the manifest; without a scrubber as they are. ``told`` says
    which of them could not be freed of something and still be read."""

    def __init__(self, manifest: Mapping[str, Any], scrubber: Scrubber | None) -> None:
        self.told: list[str] = []
        self._scrubber = scrubber
        self.listed = [
            dict(one) if scrubber is None else self._published(role, one, scrubber)
            for role, one in documents_of(manifest)
        ]

    def _published(self, role: str, one: Mapping[str, Any], scrubber: Scrubber) -> dict[str, Any]:
        text = one.get("text")
        told = scrubber.value({key: value for key, value in one.items() if key != "text"})
        if not isinstance(text, str):
            return dict(told)
        freed = scrubber.text(text)
        if not self._says_the_same(role, text, freed):
            self.told.append(f"the {role} document says something else without what identifies")
        sha256 = hashlib.sha256(freed.encode()).hexdigest()
        return {**told, "text": freed, "sha256": sha256, "original_sha256": one.get("sha256")}

    def _says_the_same(self, role: str, text: str, freed: str) -> bool:
        """Whether a document without its secrets still has every number, name and choice."""
        model = InstrumentDefinition if role.startswith(DEFINITION) else _MODELS.get(role)
        if model is None or text == freed:
            return True
        try:
            before, after = (load_text(one, role, model).document for one in (text, freed))
        except DocumentError:
            return False
        pairs = (dict(_leaves(plain(one.model_dump(mode="json")))) for one in (before, after))
        one, other = pairs
        return one.keys() == other.keys() and not any(
            one[key] != other[key] and not isinstance(one[key], str) for key in one
        )


def _leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _leaves(item, f"{path}.{key}")
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from _leaves(item, f"{path}[{number}]")
    else:
        yield path, value
