"""A run folder decided again, from nothing but itself: no document beside it, no bench, no clock.

Owns how the documents in a manifest become run documents again, and what is compared before the
first sample: what they resolve to, and the limits that were announced.
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from pydantic import BaseModel

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.documents.specimen import SpecimenDocument
from sequencer.interlocks.panel import make_panel
from sequencer.plan.make import make_plan
from sequencer.recording.journal import plain
from sequencer.recording.run import RecordedRun, read_run
from sequencer.recording.versions import OURS, versions
from sequencer.replaying.decisions import Difference, Replayed, replay
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.embedded_documents import DEFINITION, Kept, documents_of
from sequencer.run_documents.reading import LIKELY, RunDocuments, start_entry
from sequencer.run_documents.remaining_plan import RESUMES, go_on
from sequencer.run_documents.sources import sources_of
from sequencer.source.loading import Loaded
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.faults import UsageError

D = TypeVar("D", bound=BaseModel)
UNKNOWN = "of an unknown version"


class Retold(NamedTuple):
    """A replay and what it stands on. ``missing`` is what is not there or not sound, in words;
    ``made_by`` and ``version`` are the nightbench of then and of now."""

    recorded: RecordedRun
    replayed: Replayed
    missing: tuple[str, ...]
    made_by: str
    version: str


def replay_run(folder: Path) -> Retold:
    """Decide the run in ``folder`` again.

    Raises:
        UsageError: no run there, its manifest lacks documents, or its format is another.
        DocumentError: this version finds fault with them.
    """
    recorded = read_run(folder)
    if recorded.other_format:
        raise UsageError(
            f"{folder}: {recorded.other_format}: replay it with the version that made it"
        )
    whole, unsound = run_documents_of(folder, recorded.manifest)
    run_documents = go_on(whole, recorded.manifest.get(RESUMES))
    channels, limits = measuring_channels_of(run_documents), run_documents.plan.limits
    panel = make_panel(
        limits, channels, run_documents.already_in_ah, attended=_attended(recorded.manifest)
    )
    replayed = replay(recorded.rows, recorded.entries, run_documents.plan, channels, panel)
    before = (
        *resolved_otherwise(recorded.manifest, run_documents),
        *_begun_otherwise(recorded, run_documents),
    )
    made_with = recorded.manifest.get("versions")
    made_by = made_with.get(OURS, UNKNOWN) if isinstance(made_with, dict) else UNKNOWN
    return Retold(
        recorded,
        replayed._replace(differences=(*before, *replayed.differences)),
        (*unsound, *recorded.missing, *replayed.unfollowed),
        made_by,
        versions(OURS).get(OURS, UNKNOWN),
    )


def _attended(manifest: Mapping[str, Any]) -> bool:
    """Whether a person had said that they stay."""
    told = manifest.get("attended")
    return isinstance(told, Mapping) and told.get("accepted") is True


def run_documents_of(
    folder: Path, manifest: Mapping[str, Any]
) -> tuple[RunDocuments, Sequence[str]]:
    """The documents of a run from its manifest alone, with the whole plan; and what is not sound.

    Raises:
        UsageError: the manifest does not hold the documents.
        DocumentError: this version finds fault with them.
    """
    kept = _RunDocuments(folder, manifest)
    return kept.made(), kept.unsound


class _RunDocuments(Kept):
    """The run documents of a run out of the documents that a manifest keeps."""

    def made(self) -> RunDocuments:
        """The documents of the run, and the plan made of them again. Faults of a simulated bench
        are left out: what they did is in the samples."""
        profile, cell = self._need("profile", ProfileDocument), self._need("cell", CellDocument)
        bench = self._need("bench", BenchDocument)
        definitions = {
            role.removeprefix(DEFINITION): self._need(role, InstrumentDefinition)
            for role in self.roles
            if role.startswith(DEFINITION)
        }
        lacking = sorted(set(bench.document.instruments) - set(definitions))
        if lacking:
            raise self._lacks(f"{DEFINITION}{lacking[0]}")
        simulated = self.find("simulated cell", SimulatedCellDocument)
        return RunDocuments(
            profile,
            cell,
            BenchSet(bench, definitions, simulated),
            self.find("specimen", SpecimenDocument),
            (),
            make_plan(profile.document, cell.document),
        )

    def _need(self, role: str, model: type[D]) -> Loaded[D]:
        found = self.find(role, model)
        if found is None:
            raise self._lacks(role)
        return found

    def _lacks(self, role: str) -> UsageError:
        return UsageError(
            f"{self.folder}: cannot be read again: its manifest does not hold the text of the "
            f"{role}"
        )


def resolved_otherwise(
    manifest: Mapping[str, Any], run_documents: RunDocuments
) -> Iterator[Difference]:
    """Where the documents resolve to something else than was recorded."""
    then = {role: one.get("resolved") for role, one in documents_of(manifest)}
    for source in sources_of(run_documents):
        there, here = dict(_leaves(then.get(source.role))), dict(_leaves(plain(source.resolved)))
        changed = sorted(key for key in {*there, *here} if there.get(key) != here.get(key))
        if changed:
            yield Difference(
                f"what the {source.role} says",
                0,
                manifest.get("start_bench_ns", 0),
                {key: there.get(key) for key in changed},
                {key: here.get(key) for key in changed},
            )


def _leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every scalar of plain data by its path of keys."""
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _leaves(item, f"{path}.{key}" if path else str(key))
    elif isinstance(value, Sequence) and not isinstance(value, str):
        for number, item in enumerate(value):
            yield from _leaves(item, f"{path}[{number}]")
    else:
        yield path, value


def _begun_otherwise(recorded: RecordedRun, run_documents: RunDocuments) -> Iterator[Difference]:
    """Where the entry of the start says something else: the plan and its limits."""
    then = next(iter(recorded.all("start")), None)
    if then is None:
        return
    at_ns = then.get("at_ns") or 0
    then = {key: value for key, value in then.items() if key != LIKELY}
    now = plain(start_entry(run_documents, at_ns))
    if then != now:
        yield Difference("start", 0, at_ns, then, now)
