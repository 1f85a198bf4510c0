"""The documents that a run's manifest keeps, read again from their own texts: no file beside it.

Owns which text belongs to which role, and whether it is still what its hash says. Who needs which
document, and what follows when one is not there, is the caller's affair.
"""

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from sequencer.source.loading import Loaded, load_text

D = TypeVar("D", bound=BaseModel)
DEFINITION = "definition of "
"""How the role of an instrument definition begins; the instrument's name follows."""


class Kept:
    """The documents of one manifest by role. ``unsound`` says which texts do not fit their hash."""

    def __init__(self, folder: Path, manifest: Mapping[str, Any]) -> None:
        self.folder = folder
        self.unsound: list[str] = []
        self._kept: dict[str, Mapping[str, Any]] = {}
        for role, one in documents_of(manifest):
            if not isinstance(one.get("text"), str):
                continue
            self._kept[role] = one
            if hashlib.sha256(one["text"].encode()).hexdigest() != one.get("sha256"):
                self.unsound.append(f"manifest.json: the text of the {role} does not fit its hash")

    @property
    def roles(self) -> list[str]:
        """The roles whose text is kept."""
        return list(self._kept)

    def find(self, role: str, model: type[D]) -> Loaded[D] | None:
        """The document of a role, or None when its text is not kept.

        Raises:
            DocumentError: this version finds fault with it.
        """
        one = self._kept.get(role)
        return load_text(one["text"], str(one.get("path")), model) if one is not None else None


def documents_of(manifest: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """The documents of a manifest by role; what is none is passed by."""
    found = manifest.get("documents")
    for one in found if isinstance(found, list) else ():
        if isinstance(one, dict):
            yield str(one.get("role")), one
