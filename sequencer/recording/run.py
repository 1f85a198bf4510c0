"""A run read once, whatever happened to its folder: manifest, journal, samples, what is missing.

Owns what is read of a run and in which words a loss is said. Report, replay, resume, export and
lists share the one value. Manifest and journal are read at once; samples only when they are asked
for, and then once. Damage never raises; only a folder that holds no run at all does. A record of
another format is told here and nowhere else.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

from sequencer.recording.checksums import changed
from sequencer.recording.counting import Counted, count_samples, last_line
from sequencer.recording.folder import JOURNAL, MANIFEST, SAMPLES
from sequencer.recording.journal import JournalEntry
from sequencer.recording.manifest import FORMAT
from sequencer.recording.published import in_run_words, is_published, samples_of
from sequencer.recording.reading import Inputs, JournalReader, Row, SampleReader
from sequencer.recording.wellformed import sound_entries, sound_manifest
from sequencer.vocabulary.faults import UsageError

if TYPE_CHECKING:
    from sequencer.vocabulary.table import Table

NO_END: Final = f"{JOURNAL}: no end: the run was interrupted, or is still going on"
"""In ``missing`` while the journal has no end; it is no damage."""


class _Decoded(NamedTuple):
    rows: Sequence[Row] = ()
    troubles: Sequence[str] = ()


@dataclass(frozen=True)
class RecordedRun:
    """What could be read of a run folder, a bundle, or a lone file of samples.

    ``samples`` is the file of samples, or None when there is none; ``unread`` says in words what
    of manifest and journal is not there or not sound.
    """

    folder: Path
    manifest: Mapping[str, Any]
    entries: Sequence[JournalEntry]
    samples: Path | None = None
    unread: Sequence[str] = ()

    @property
    def end(self) -> Mapping[str, Any] | None:
        """The ``end`` entry, or None: the run was interrupted, or is still going on."""
        return self.last("end")

    @property
    def start_ns(self) -> int:
        """The bench time from which the run's own times count."""
        start_ns: int = self.manifest.get("start_bench_ns", 0)
        return start_ns

    @property
    def is_lone_file(self) -> bool:
        """Whether it is of a file of samples without manifest and journal."""
        return self.samples == self.folder

    @property
    def other_format(self) -> str:
        """That the record was made in another layout, in words; empty when it was not."""
        return _other_format(self.manifest)

    def last(self, kind: str) -> Mapping[str, Any] | None:
        """The last entry of a kind."""
        return next((e.entry for e in reversed(self.entries) if e.kind == kind), None)

    def all(self, kind: str) -> list[Mapping[str, Any]]:
        """Every entry of a kind, in order."""
        return [entry.entry for entry in self.entries if entry.kind == kind]

    @property
    def rows(self) -> Sequence[Row]:
        """Every sound row, decoded at the first call: for a run of 10 million rows use a table."""
        return self._decoded.rows

    @property
    def table(self) -> "Table | None":
        """The samples as columns, read at each call; None when there are none.

        Raises:
            UsageError: they are no table of samples.
        """
        from sequencer.recording.tabulating import read_table

        return None if self.samples is None else read_table(self.samples)

    @cached_property
    def last_row(self) -> Row | None:
        """The last whole row alone, with what was read in that row and nothing older."""
        if self.samples is None:
            return None
        rows = self._reader(self.samples).feed(last_line(self.samples))
        return self._in_run_words(rows)[-1] if rows else None

    @cached_property
    def counted(self) -> Counted:
        """Rows and digest of the file of samples, and for how many rows somebody vouches: the
        journal's checkpoints, or a bundle's checksums."""
        if self.samples is None:
            return Counted(troubles=(f"{SAMPLES}: missing",))
        if self.samples.name == SAMPLES:
            return count_samples(self.samples, self.all("checkpoint"))
        counted = count_samples(self.samples, ())
        is_vouched = is_published(self.folder) and not self.altered
        return counted._replace(verified_rows=counted.rows if is_vouched else 0)

    @cached_property
    def altered(self) -> tuple[str, ...]:
        """What of a bundle is not as it was published, in words."""
        return tuple(changed(self.folder))

    @property
    def missing(self) -> tuple[str, ...]:
        """What is not there or not sound, in words, row by row."""
        return tuple(dict.fromkeys((*self.missing_but_rows, *self._decoded.troubles)))

    @property
    def missing_but_rows(self) -> tuple[str, ...]:
        """The same as far as it is seen without decoding the rows: fast, for lists."""
        return (*self.unread, *self.altered, *self.counted.troubles)

    @cached_property
    def sound(self) -> Self:
        """The run without values of the wrong sort, and said in ``unread`` which those were."""
        manifest, odd = sound_manifest(self.manifest)
        entries, odder = sound_entries(self.entries)
        unread = (*self.unread, *odd, *odder)
        return replace(self, manifest=manifest, entries=entries, unread=unread)

    @cached_property
    def _decoded(self) -> _Decoded:
        if self.samples is None:
            return _Decoded()
        reader = self._reader(self.samples)
        try:
            rows = reader.feed(self.samples.read_bytes())
        except OSError as error:
            return _Decoded(troubles=(f"{self.samples.name}: cannot be read: {error.strerror}",))
        return _Decoded(self._in_run_words(rows), reader.troubles)

    def _reader(self, samples: Path) -> SampleReader:
        inputs = Inputs()
        inputs.learn(self.entries)
        return SampleReader(self.start_ns, inputs, samples.name)

    def _in_run_words(self, rows: list[Row]) -> list[Row]:
        is_own = self.samples is None or self.samples.name == SAMPLES
        return rows if is_own else list(map(in_run_words, rows))


def read_run(place: Path) -> RecordedRun:
    """What can be read of the run folder, the bundle or the lone file of samples in ``place``.

    Raises:
        UsageError: there is no run.
    """
    if place.is_file():
        return RecordedRun(place, {}, (), place)
    if not place.is_dir():
        raise UsageError(f"{place}: not a run folder; cannot be read: no such file or folder")
    samples = samples_of(place)
    found = [_bytes(place / MANIFEST), _bytes(place / JOURNAL)]
    if samples is None and not any(found):
        raise UsageError(f"{place}: not a run folder: neither manifest, journal nor samples there")
    manifest = read_manifest(place)
    reader, inputs = JournalReader(), Inputs()
    entries = reader.feed(found[1] or b"")
    inputs.learn(entries)
    other = _other_format(manifest)
    is_ended = any(one.kind == "end" for one in entries)
    unread = (
        *([] if manifest else [f"{MANIFEST}: missing or damaged"]),
        *([f"{MANIFEST}: {other}: what steps were told is not known"] if other else []),
        *([] if found[1] else [f"{JOURNAL}: missing or empty: nothing is known of steps"]),
        *reader.troubles,
        *inputs.troubles,
        *([] if is_ended else [NO_END]),
    )
    return RecordedRun(place, manifest, entries, samples, unread)


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest, or an empty one when it is missing or damaged."""
    try:
        found = json.loads((_bytes(folder / MANIFEST) or b"").decode())
    except (ValueError, RecursionError):
        return {}
    sound = isinstance(found, dict) and isinstance(found.get("start_bench_ns", 0), int)
    return found if sound else {}


def _other_format(manifest: Mapping[str, Any]) -> str:
    made = manifest.get("format")
    if not manifest or made == FORMAT:
        return ""
    return f"its record is of format {made}, this nightbench writes {FORMAT}"


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None
