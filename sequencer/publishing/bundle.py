"""A bundle: all that another person needs to come to the same numbers, and nothing of who made it.

Owns what a bundle holds and how it is made from a run folder. The page and the numbers in it are
made from the bundle itself, by the same functions that another person uses.
"""

import getpass
import platform
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sequencer.publishing.published_comparison import NUMBERS
from sequencer.publishing.published_documents import PublishedDocuments
from sequencer.recording import checksums
from sequencer.recording.columns import LABELS, TEXT_LABELS, is_count
from sequencer.recording.export import ENDING, export_as, next_stem
from sequencer.recording.folder import JOURNAL, MANIFEST, SAFING
from sequencer.recording.journal import encode
from sequencer.recording.medium import write_json, write_whole
from sequencer.recording.run import RecordedRun, read_run
from sequencer.recording.scrubbing import Scrubber, Secrets, secrets_of
from sequencer.recording.simulated import is_simulated
from sequencer.recording.versions import OURS, versions
from sequencer.vocabulary.faults import RecordError

PAGE = "report.html"
READ_ME = "README.txt"
DOCUMENTS = "documents"
WITHOUT = ("host name", "user name", "paths", "addresses", "serial numbers")
"""What is left out unless it is asked for."""
_WORDS = """One battery cell, tested; made by {ours}.

The same numbers again, from this folder alone:    nightbench report .
Is everything as it was published:                 sha256sum -c SHA256SUMS

{samples}   the samples, Battery Data Format (Battery Data Alliance)
{parquet}   the same as Parquet
manifest.json, journal.jsonl, documents/   what was asked, what happened, by which documents
report.html, report.json   what was found, by the version named in them

{without}
"""


class Bundle(NamedTuple):
    """What was made. ``samples`` is the file of the Battery Data Format; ``missing`` what the run
    lacked; ``told`` what whoever publishes should know."""

    folder: Path
    samples: Path
    missing: Sequence[str]
    told: Sequence[str]


def write_bundle(
    run: Path, to: Path | None = None, institution: str = "", *, with_identity: bool = False
) -> Bundle:
    """Make the bundle ``Institution__CellName__YYYYMMDD_XXX`` in ``to`` (default: the run folder).

    The folder appears when it is whole; nothing is written over.

    Raises:
        RecordError: it cannot be written.
        UsageError: there are no samples to publish.
    """
    recorded, place = read_run(run), to or run
    stem = next_stem(place, recorded.manifest, institution)
    beside = place / f".{stem}.new"
    making = _Making(recorded, beside, stem, with_identity)
    try:
        shutil.rmtree(beside, ignore_errors=True)
        beside.mkdir(parents=True)
        making.samples()
        making.record()
        making.report()
        checksums.write_sums(beside)
        beside.rename(place / stem)
    except OSError as error:
        raise RecordError(f"{error.filename or place}: {error.strerror}") from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    folder = place / stem
    return Bundle(folder, folder / f"{stem}{ENDING}", making.missing, making.told)


class _Making:
    """A bundle being made."""

    def __init__(self, run: RecordedRun, folder: Path, stem: str, with_identity: bool) -> None:
        self._run, self._folder, self._stem, self._open = run, folder, stem, with_identity
        self.missing: list[str] = []
        self.told: list[str] = []
        self._secrets = _secrets(run) if not with_identity else Secrets()
        self._scrubber = Scrubber(self._secrets)
        self._manifest = self._published(run.manifest)

    def _published(self, manifest: Mapping[str, Any]) -> dict[str, Any]:
        """The manifest as it goes out, its documents among it."""
        documents = PublishedDocuments(manifest, None if self._open else self._scrubber)
        self.told += documents.told
        rest = {key: value for key, value in manifest.items() if key != "documents"}
        kept = rest if self._open else self._scrubber.value(rest)
        bundle = {
            "made_by": f"{OURS} {versions(OURS).get(OURS, '')}".strip(),
            "without": [] if self._open else list(WITHOUT),
            "samples": f"{self._stem}{ENDING}",
        }
        identities = self._run.all("identity")
        simulated = {"simulated": True} if is_simulated(manifest, identities) else {}
        return {**kept, **simulated, "documents": documents.listed, "bundle": bundle}

    def samples(self) -> None:
        """The samples in the Battery Data Format, and as Parquet."""
        target = self._folder / f"{self._stem}{ENDING}"
        self.missing = export_as(target, self._run, self._manifest)
        self._manifest["bundle"]["missing"] = self.missing
        write_parquet(target, self._folder / f"{self._stem}.parquet")

    def record(self) -> None:
        """Manifest, journal, documents, and how to use them."""
        write_json(self._folder / MANIFEST, self._manifest)
        if self._run.entries:
            write_whole(self._folder / JOURNAL, b"".join(self._lines()))
        (self._folder / DOCUMENTS).mkdir()
        for one in self._manifest["documents"]:
            if isinstance(one.get("text"), str):
                name = str(one.get("role", "document")).replace(" ", "-").replace("/", "-")
                path = _free(self._folder / DOCUMENTS, name)
                write_whole(path, one["text"].encode())
        if self._open and (self._run.folder / SAFING).is_file():
            shutil.copyfile(self._run.folder / SAFING, self._folder / SAFING)
        write_whole(self._folder / READ_ME, self._read_me().encode())

    def _lines(self) -> Iterator[bytes]:
        for one in self._run.entries:
            entry = one.entry if self._open else self._scrubber.value(one.entry)
            yield encode(one._replace(entry=entry))

    def _read_me(self) -> str:
        told = self._manifest["bundle"]
        left_out = ", ".join(told["without"])
        return _WORDS.format(
            ours=told["made_by"],
            samples=told["samples"],
            parquet=f"{self._stem}.parquet",
            without=f"Left out: {left_out}." if left_out else "Nothing was left out.",
        )

    def report(self) -> None:
        """Page and numbers, from what was written so far."""
        from sequencer.assembly.reporting import reported
        from sequencer.report.data import as_data
        from sequencer.report.page import render

        tested, analysis, sheet = reported(read_run(self._folder))
        ours = f"{OURS} {versions(OURS).get(OURS, '')}".strip()
        write_json(self._folder / NUMBERS, as_data(sheet, analysis, ours))
        page = render(sheet, tested.table, analysis, ours)
        write_whole(self._folder / PAGE, page.encode())
        self._look_again()

    def _look_again(self) -> None:
        """Whether anything that should be gone is in a file all the same.

        The page is made of files that are looked at too, and has words of its own.
        """
        for path in sorted(self._folder.rglob("*")):
            if path.is_file() and path.suffix not in (".parquet", ".csv", ".html"):
                raw = path.read_bytes()
                found = [one for one in self._secrets.all() if _is_word(one.encode(), raw)]
                if found:
                    name = path.relative_to(self._folder)
                    self.told.append(f"STILL IN {name}: {', '.join(found)}")
        if self._secrets.kept:
            words = ", ".join(self._secrets.kept)
            self.told.append(
                f"left where it stands in words, because the record itself uses it: {words}"
            )


def _free(folder: Path, name: str) -> Path:
    """A name for a document that no other has taken."""
    path, number = folder / f"{name}.yaml", 2
    while path.exists():
        path, number = folder / f"{name}-{number}.yaml", number + 1
    return path


def _is_word(wanted: bytes, raw: bytes) -> bool:
    at = raw.find(wanted)
    while at >= 0:
        edges = raw[at - 1 : at] + raw[at + len(wanted) : at + len(wanted) + 1]
        if not any(edge.isalnum() or edge == "_" for edge in edges.decode("latin-1")):
            return True
        at = raw.find(wanted, at + 1)
    return False


def _secrets(run: RecordedRun) -> Secrets:
    """Those of the run, and those of whoever publishes it."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):
        user = ""
    places = [str(Path.home()), str(Path.cwd()), str(run.folder.resolve())]
    return secrets_of(run.manifest, run.entries, (platform.node(), user), places)


def write_parquet(samples: Path, target: Path) -> None:
    """An exported file as Parquet: counts whole, other numbers as they are, texts as texts.

    Raises:
        RecordError: it cannot be written.
    """
    import polars as pl

    kinds = {label: pl.String() if label in TEXT_LABELS else pl.Float64() for label in LABELS}
    counts = {label: pl.Int64() for label in LABELS if is_count(label)}
    try:
        pl.scan_csv(samples, schema={**kinds, **counts}, glob=False).sink_parquet(
            target, compression="zstd"
        )
    except (OSError, pl.exceptions.PolarsError) as error:
        raise RecordError(f"{target}: cannot be written: {error}") from error
