"""A bench document that grows answer by answer; each is judged by the rules that ``check`` knows.

Lives in a folder of its own, which goes away with it: what is given up leaves nothing behind.
"""

import shutil
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType

from drivers.registry import definition_names, definition_path
from sequencer.documents.definition import InstrumentDefinition
from sequencer.run_documents.cross_document_rules import faults_of_bench
from sequencer.source.loading import Intake, load
from sequencer.source.sets import (
    DEFINITIONS,
    is_file_reference,
    look_at_bench,
    part_without,
)
from sequencer.vocabulary.faults import DocumentFault, UsageError

FIRST_LINE = "# yaml-language-server: $schema=bench.schema.json"


class BenchDraft:
    """The lines so far, and the definitions that are not of those that ship."""

    def __init__(self, name: str) -> None:
        self._folder = TemporaryDirectory(prefix="nightbench-init-")
        self._root = Path(self._folder.name)
        self._path = self._root / name
        (self._root / DEFINITIONS).mkdir()
        self.lines: list[str] = [FIRST_LINE]

    def __enter__(self) -> "BenchDraft":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        self._folder.cleanup()

    def shipped(self, kind: str, needs: str = "") -> list[str]:
        """The definitions of that kind that ship, by name; ``needs``: an operation of theirs."""
        return [
            name
            for name, its, operations in _kinds()
            if its == kind and (not needs or needs in operations)
        ]

    def definition(self, reference: str, kind: str, needs: str = "") -> InstrumentDefinition:
        """The definition of a name that ships, or in a file, which is then kept beside the draft.

        Raises:
            UsageError: there is none, it is of another kind, or it lacks the operation ``needs``.
            DocumentError: every fault of it.
        """
        loaded = load(definition_path(reference), InstrumentDefinition)
        found = loaded.document
        if found.kind != kind:
            raise UsageError(f"{reference} is a {found.kind} ({loaded.said('kind')}), not a {kind}")
        if needs and (lacking := part_without(loaded, needs)):
            raise UsageError(f"{reference} does not {needs} ({lacking})")
        if is_file_reference(reference):
            target = self._root / DEFINITIONS / f"{found.definition}.yaml"
            shutil.copyfile(loaded.path, target)
        return found

    def add(
        self,
        lines: Sequence[str],
        further: Sequence[str] = (),
        also: Sequence[tuple[str, ...]] = (),
    ) -> list[str]:
        """Add lines when no rule is broken in them; else the rules, and nothing is added.
        ``further``: what stands behind them for now, and is not judged; ``also``: keys of earlier
        lines that these may bring into conflict."""
        self._path.write_text("\n".join([*self.lines, *lines, *further, ""]), encoding="utf-8")
        intake = Intake()
        bench = look_at_bench(self._path, definition_path, intake)
        own = list(range(len(self.lines) + 1, len(self.lines) + len(lines) + 1))
        if bench is not None:
            intake.tell(*faults_of_bench(bench))
            own += [bench.bench.place(*at)[1] for at in also]
        told = [one.message for one in sorted(intake.faults) if self._is_within(one, own)]
        if not told:
            self.lines += lines
        return list(dict.fromkeys(told))

    def _is_within(self, fault: DocumentFault, lines: Sequence[int]) -> bool:
        return fault.file == str(self._path) and fault.line in lines

    def finish(self) -> None:
        """The whole document, read as ``check`` reads it.

        Raises:
            DocumentError: it has faults.
        """
        self.add([])
        intake = Intake()
        bench = look_at_bench(self._path, definition_path, intake)
        if bench is not None:
            intake.tell(*faults_of_bench(bench))
        intake.settle()

    def copy_to(self, target: Path) -> None:
        """The document and its own definitions, into a folder as ``init`` makes it."""
        shutil.copyfile(self._path, target / self._path.name)
        shutil.copytree(self._root / DEFINITIONS, target / DEFINITIONS, dirs_exist_ok=True)


@cache
def _kinds() -> tuple[tuple[str, str, frozenset[str]], ...]:
    """The definitions that ship, each with its kind and the names of its operations."""
    found = ((one, load(definition_path(one), InstrumentDefinition)) for one in definition_names())
    return tuple(
        (name, one.document.kind, frozenset(map(str, one.document.operations)))
        for name, one in found
    )
