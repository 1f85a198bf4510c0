"""The run folder being written: one write a row, synced within a second, room kept for the end.

Owns the files of one run and the words for what the disk did. Knows neither the clock (real time
is handed in) nor what the entries mean.
"""

import contextlib
import errno
import hashlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any, NoReturn

from sequencer.ports import StepMark
from sequencer.recording import journal, medium
from sequencer.recording.columns import HEADER
from sequencer.recording.input_changes import InputChanges
from sequencer.recording.manifest import Start
from sequencer.recording.medium import DISK, Disk, write_all
from sequencer.recording.rows import RowFormat
from sequencer.recording.synchronising import Synchroniser
from sequencer.vocabulary.faults import RecordError, RefusedError, UsageError
from sequencer.vocabulary.sample import TIME_STEP_NS, Sample

MANIFEST = "manifest.json"
SAMPLES = "samples.csv"
JOURNAL = "journal.jsonl"
SAFING = "safing.json"
SUMMARY = "summary.json"
RESERVE = "reserve"
RESERVE_BYTES = 65536
"""Room kept aside, so that a full disk still takes the trip and the end (FAULTS: disk full)."""
ROWS_FROM_RESERVE = RESERVE_BYTES // 2
"""How much of it rows may use; the rest is the journal's."""
SYNC_EVERY_S = 0.5
CHECKPOINT_NS = 60_000_000_000
CHECKPOINT_ROWS = 1000
"""A checkpoint each minute of bench time or thousand rows, whichever is first."""
ROWS_AT_ONCE = 32
"""So many rows of a run that was read ahead are handed over together."""
LEAST_APART_NS = TIME_STEP_NS
"""Two rows are at least so far apart, or one would be recorded at the time of the other."""


def not_later(place: object, sample: Sample) -> RecordError:
    """What is wrong with a sample that is not later than the one before."""
    return RecordError(f"{place}: a sample at {sample.at_ns} ns is not later than the one before")


class RunFolder:
    """The record of one run; satisfies ``RunLog``. Made by ``create``.

    ``write_failure`` says in words what went wrong with the disk first, and stays. ``append`` and
    ``note`` raise RecordError when that happens, after having done what could be done: the reserve
    is released and the row or entry is written from it. A sync that failed in its thread is told
    by the next ``append``, once; the row is written.
    """

    @classmethod
    def create(
        cls,
        path: Path,
        manifest: Mapping[str, Any],
        start: Start,
        *,
        real_ns: Callable[[], int],
        disk: Disk = DISK,
        sync_every_s: float | None = SYNC_EVERY_S,
        beside: Mapping[str, Any] = MappingProxyType({}),
    ) -> "RunFolder":
        """Make the folder and all its files, durably, before anything is energised. ``beside``:
        JSON files by name that stand before the manifest does, the safing plan above all: what can
        be seen as a run can be made safe.

        Raises:
            UsageError: something stands there already.
            RefusedError: the place cannot be written, or is full.
        """
        try:
            path.mkdir(parents=True)
        except FileExistsError as error:
            raise UsageError(
                f"{path}: exists already; a run is never written over another"
            ) from error
        except OSError as error:
            raise _refusal(path, error) from error
        try:
            for name, value in beside.items():
                medium.write_json(path / name, value, disk)
            return cls._create(path, manifest, start, real_ns, disk, sync_every_s)
        except (OSError, RecordError) as error:
            _remove(path)
            raise _refusal(path, error) from error

    @classmethod
    def _create(
        cls,
        path: Path,
        manifest: Mapping[str, Any],
        start: Start,
        real_ns: Callable[[], int],
        disk: Disk,
        sync_every_s: float | None,
    ) -> "RunFolder":
        medium.write_json(path / MANIFEST, manifest, disk)
        (path / MANIFEST).chmod(0o444)
        reserve = disk.create(path / RESERVE)
        try:
            disk.reserve(reserve, 0, RESERVE_BYTES)
        finally:
            disk.close(reserve)
        files = disk.create(path / SAMPLES), disk.create(path / JOURNAL)
        write_all(disk, files[0], HEADER)
        disk.fsync(files[0])
        disk.sync_folder(path)
        disk.sync_folder(path.parent)
        return cls(path, files, start, real_ns, disk, sync_every_s)

    def __init__(
        self,
        path: Path,
        files: tuple[int, int],
        start: Start,
        real_ns: Callable[[], int],
        disk: Disk,
        sync_every_s: float | None,
    ) -> None:
        self.path = path
        self.write_failure = ""
        self.rows = 0
        self._samples, self._journal = files
        self._disk = disk
        self._write = disk.write
        self._sizes = {self._samples: len(HEADER), self._journal: 0}
        self._format = RowFormat(start.bench_ns, start.unix_ns)
        self._line = self._format.line
        self._last_ns = start.bench_ns - LEAST_APART_NS
        self._inputs = InputChanges(self.note, self._format.slept)
        self._sequence = 0
        self._hash = hashlib.sha256(HEADER)
        self._held: list[bytes] = []
        self._at_once = 1
        self._unhashed: list[bytes] = []
        self._vouched_rows = 0
        self._checkpoint_due_ns = start.bench_ns + CHECKPOINT_NS
        self._reserve_left = -1
        self._degraded = False
        self._untold = ""
        self._torn: set[int] = set()
        self._closed = False
        self._syncing = Synchroniser(files, disk, real_ns, self._sync_failed, sync_every_s)
        self._mark = self._syncing.mark
        self.sync = self._syncing.sync
        self.unsynced_ns = self._syncing.unsynced_ns

    def append(self, sample: Sample, step: StepMark, line: bytes = b"") -> None:
        """One row, handed to the kernel in one write; ``line`` where it has been made already.

        Raises:
            RecordError: the disk failed, or a tick is not later than the one before.
        """
        if self._closed:
            raise RecordError(f"{self.path}: the record is closed")
        try:
            inputs = self._inputs
            if sample.host is not inputs.host or sample.faults is not inputs.faults:
                inputs.look(sample)
        finally:
            self._append_row(sample, step, line)
        if (
            sample.at_ns >= self._checkpoint_due_ns
            or self.rows - self._vouched_rows >= CHECKPOINT_ROWS
        ):
            self._checkpoint_due_ns = sample.at_ns + CHECKPOINT_NS
            self._checkpoint()

    def _append_row(self, sample: Sample, step: StepMark, line: bytes) -> None:
        if sample.at_ns - self._last_ns < LEAST_APART_NS:
            raise not_later(self.path, sample)
        self._last_ns = sample.at_ns
        self.rows += 1
        row = line or self._line(self.rows, sample, step)
        if self._degraded:
            row = self._spend(row)
        self._held.append(row)
        if len(self._held) >= self._at_once:
            self._hand_over()
        if self._degraded:
            self._tell_sync_failure()

    def append_each(self, samples: Sequence[Sample], steps: Sequence[StepMark]) -> None:
        """Many rows, as ``append`` writes them one by one, in fewer writes: for what was read ahead
        and can be read again; what is measured is never held back. Raises as ``append`` does."""
        self._at_once = ROWS_AT_ONCE
        lines = self._format.lines(self.rows + 1, samples, steps)
        try:
            for sample, step, line in zip(samples, steps, lines, strict=True):
                self.append(sample, step, line)
        except RecordError:
            self._format.forget()
            raise
        finally:
            self._at_once = 1
            self._hand_over()

    def _hand_over(self) -> None:
        """The rows that are held back, in one write."""
        if not self._held:
            return
        data = b"".join(self._held)
        self._held.clear()
        try:
            written = self._write(self._samples, data)
        except OSError as error:
            self._failed(self._samples, data, error)
        if written != len(data):
            self._failed(self._samples, data, _short(written, data))
        self._sizes[self._samples] += written
        self._mark()
        self._unhashed.append(data)

    def note(self, kind: str, entry: Mapping[str, Any]) -> None:
        """One line of the journal, handed to the kernel in one write.

        Raises:
            RecordError: the disk failed.
        """
        if self._closed:
            raise RecordError(f"{self.path}: the record is closed")
        self._hand_over()
        self._sequence += 1
        line = journal.encode(journal.JournalEntry(self._sequence, self.rows, kind, entry))
        line = self._mended(self._journal, line)
        try:
            write_all(self._disk, self._journal, line)
        except OSError as error:
            self._failed(self._journal, line, error)
        self._written(self._journal, line)

    def write_json(self, name: str, value: Any) -> None:
        """A whole JSON file in the folder (``safing.json``, ``summary.json``), or the old one.

        Raises:
            RecordError: it could not be written.
        """
        medium.write_json(self.path / name, value, self._disk)

    def free_bytes(self) -> int:
        """Room left on the disk that holds the record; 0 when even that cannot be told: then
        ``write_failure`` says why."""
        try:
            return self._disk.free_bytes(self.path)
        except FileNotFoundError:
            self._lose(
                f"{self.path}: the run folder is gone: somebody deleted, moved or renamed it"
            )
        except OSError as error:
            self._lose(f"{self.path}: the room on its disk cannot be read: {error.strerror}")
        return 0

    def _lose(self, why: str) -> None:
        """The first cause stays."""
        self.write_failure = self.write_failure or why

    def close(self) -> None:
        """Checkpoint, sync, close, and give the reserve back. Again does nothing.

        Raises:
            RecordError: something could not be brought to the medium.
        """
        if self._closed:
            return
        failed_before = self.write_failure
        with contextlib.suppress(RecordError):
            self._checkpoint()
        self._closed = True
        self._syncing.stop()
        for file in (self._samples, self._journal):
            with contextlib.suppress(OSError):
                self._disk.close(file)
        with contextlib.suppress(OSError):
            self._disk.remove(self.path / RESERVE)
        if self.write_failure and not failed_before:
            raise RecordError(self.write_failure)

    def _written(self, file: int, data: bytes) -> None:
        self._sizes[file] += len(data)
        self._mark()

    def _checkpoint(self) -> None:
        self._hand_over()
        self._vouched_rows = self.rows
        self._hash.update(b"".join(self._unhashed))
        self._unhashed.clear()
        self.note(
            "checkpoint",
            {
                "rows": self.rows,
                "bytes": self._sizes[self._samples],
                "sha256": self._hash.hexdigest(),
            },
        )

    def _spend(self, row: bytes) -> bytes:
        """A row after a failure: within the share of the reserve, and on a line of its own."""
        row = self._mended(self._samples, row)
        if len(row) > self._reserve_left >= 0:
            self._format.forget()
            raise RecordError(f"{self.path}: the disk is full; the last room is the journal's")
        self._reserve_left -= len(row) if self._reserve_left >= 0 else 0
        return row

    def _mended(self, file: int, line: bytes) -> bytes:
        if file not in self._torn:
            return line
        self._torn.discard(file)
        return b"\n" + line

    def _failed(self, file: int, data: bytes, error: OSError) -> NoReturn:
        """Keep whole lines whole; on a full disk write from the reserve; then say so, loudly."""
        self.write_failure = self.write_failure or f"{self.path}: write failed: {error.strerror}"
        self._degraded = True
        self._cut_back(file)
        if error.errno in _FULL and self._reserve_left < 0:
            self._reserve_left = ROWS_FROM_RESERVE
            self._write_from_reserve(file, data)
        else:
            self._format.forget()
        raise RecordError(f"{self.path}: write failed: {error.strerror}") from error

    def _write_from_reserve(self, file: int, data: bytes) -> None:
        try:
            self._disk.remove(self.path / RESERVE)
            line = self._mended(file, data)
            write_all(self._disk, file, line)
        except OSError:
            self._cut_back(file)
            self._format.forget()
            return
        self._written(file, line)
        if file == self._samples:
            self._unhashed.append(line)

    def _cut_back(self, file: int) -> None:
        try:
            self._disk.truncate(file, self._sizes[file])
        except OSError:
            self._torn.add(file)

    def _sync_failed(self, error: OSError) -> None:
        """In the syncing thread: the next row tells it."""
        self._untold = f"{self.path}: sync failed: {error.strerror}"
        self.write_failure = self.write_failure or self._untold
        self._degraded = True

    def _tell_sync_failure(self) -> None:
        words, self._untold = self._untold, ""
        if words:
            raise RecordError(words)


_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


def _short(written: int, data: bytes) -> OSError:
    return OSError(errno.ENOSPC, f"only {written} of {len(data)} bytes were taken")


def _refusal(path: Path, error: Exception) -> RefusedError:
    reason = getattr(error, "strerror", None) or str(error)
    return RefusedError([f"{path}: the record cannot be made there: {reason}"])


def _remove(path: Path) -> None:
    """Take away a folder that was begun; nothing in it was a run yet."""
    with contextlib.suppress(OSError):
        for file in path.iterdir():
            file.chmod(0o644)  # some systems keep what is read-only
            file.unlink()
        path.rmdir()
