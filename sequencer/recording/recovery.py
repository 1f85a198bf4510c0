"""A whole run read back, whatever happened to its folder, and what is missing in words.

Damage never raises; only a folder that holds no run at all does.
"""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sequencer.recording.folder import JOURNAL, MANIFEST, SAMPLES
from sequencer.recording.journal import Entry
from sequencer.recording.published import in_run_words, samples_of, vouched_rows
from sequencer.recording.reading import Inputs, JournalReader, Row, SampleReader
from sequencer.vocabulary.faults import RecordError

Look = Callable[[bytes, SampleReader], tuple[list[Row], int, list[str]]]


class Recorded(NamedTuple):
    """What could be read of a run. ``missing`` says in words what is not there or not sound.

    ``verified_rows`` is how many rows the journal's last fitting checkpoint vouches for. After
    ``glance`` only the last row is in ``rows``; ``row_count`` counts them all.
    """

    folder: Path
    manifest: Mapping[str, Any]
    rows: Sequence[Row]
    entries: Sequence[Entry]
    missing: Sequence[str]
    verified_rows: int
    row_count: int

    @property
    def end(self) -> Mapping[str, Any] | None:
        """The ``end`` entry, or None: the run was interrupted, or is still going on."""
        return self.last("end")

    def last(self, kind: str) -> Mapping[str, Any] | None:
        """The last entry of a kind."""
        return next((e.entry for e in reversed(self.entries) if e.kind == kind), None)

    def all(self, kind: str) -> list[Mapping[str, Any]]:
        """Every entry of a kind, in order."""
        return [entry.entry for entry in self.entries if entry.kind == kind]


def read_run(folder: Path) -> Recorded:
    """Everything that can be read of the run in ``folder``.

    Raises:
        RecordError: there is no run.
    """
    return _read(folder, _decode)


def glance(folder: Path) -> Recorded:
    """The same without decoding the rows, but for the last: fast, for lists and summaries.

    Raises:
        RecordError: there is no run.
    """
    return _read(folder, _count)


def _read(folder: Path, look: Look) -> Recorded:
    file = samples_of(folder) or folder / SAMPLES
    found = {name: _bytes(folder / name) for name in (MANIFEST, file.name, JOURNAL)}
    if not any(found.values()):
        raise RecordError(f"{folder}: no run is recorded there")
    missing = [f"{name}: {why}" for name, raw in found.items() if (why := _absence(raw))]
    manifest = read_manifest(folder)
    if found[MANIFEST] and not manifest:
        missing.append(f"{MANIFEST}: damaged; times count from the start of the run")
    reader, inputs = JournalReader(), Inputs()
    entries = reader.feed(found[JOURNAL] or b"")
    inputs.learn(entries)
    samples = found[file.name] or b""
    rows, row_count, troubles = look(samples, SampleReader(_start_ns(manifest), inputs, file.name))
    if file.name == SAMPLES:
        verified, words = _verified(samples, entries)
    else:
        rows = list(map(in_run_words, rows))
        verified, words = vouched_rows(folder, row_count)
    missing += [*troubles, *reader.troubles, *inputs.troubles, *words]
    if not any(entry.kind == "end" for entry in entries):
        missing.append(f"{JOURNAL}: no end: the run was interrupted, or is still going on")
    return Recorded(folder, manifest, rows, entries, tuple(missing), verified, row_count)


def _decode(raw: bytes, reader: SampleReader) -> tuple[list[Row], int, list[str]]:
    rows = reader.feed(raw)
    return rows, len(rows), reader.troubles


def _count(raw: bytes, reader: SampleReader) -> tuple[list[Row], int, list[str]]:
    header, _, rest = raw.partition(b"\n")
    whole = rest[: rest.rfind(b"\n") + 1]
    last = whole[whole.rfind(b"\n", 0, -1) + 1 :]
    rows = reader.feed(header + b"\n" + last) if header else []
    cut = len(rest) - len(whole)
    troubles = [f"{SAMPLES}: the last line is cut short ({cut} bytes)"] if cut else []
    return rows, whole.count(b"\n"), troubles


def _start_ns(manifest: Mapping[str, Any]) -> int:
    start_ns: int = manifest.get("start_bench_ns", 0)
    return start_ns


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest, or an empty one when it is missing or damaged."""
    try:
        found = json.loads((_bytes(folder / MANIFEST) or b"").decode())
    except (ValueError, RecursionError):
        return {}
    sound = isinstance(found, dict) and isinstance(found.get("start_bench_ns", 0), int)
    return found if sound else {}


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _absence(raw: bytes | None) -> str:
    if raw is None:
        return "missing"
    return "" if raw else "empty"


def _verified(raw: bytes, entries: Sequence[Entry]) -> tuple[int, list[str]]:
    """How many rows the checkpoints vouch for, and what they contradict."""
    running, done, verified = hashlib.sha256(), 0, 0
    for entry in entries:
        if entry.kind != "checkpoint":
            continue
        rows, size = entry.entry.get("rows"), entry.entry.get("bytes")
        if not isinstance(rows, int) or not isinstance(size, int):
            continue
        if size > len(raw):
            return verified, [
                f"{SAMPLES}: cut short: the journal counted {rows} rows, {size} bytes"
            ]
        running.update(raw[done:size])
        done = max(done, size)
        if running.hexdigest() != entry.entry.get("sha256"):
            return verified, [
                f"{SAMPLES}: changed or damaged after row {verified}, before row {rows + 1}"
            ]
        verified = rows
    return verified, []
