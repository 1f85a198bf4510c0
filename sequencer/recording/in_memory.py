"""A record that nobody asked to keep: the rows and the journal of one run in memory.

Answers the same calls as a run folder and gives back what would be read from one, to the last
digit. Owns no file.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.ports import StepMark
from sequencer.recording.counting import Counted
from sequencer.recording.folder import LEAST_APART_NS, not_later
from sequencer.recording.held_rows import MEASURED, ROW, HeldRows, StepBegin
from sequencer.recording.input_changes import InputChanges
from sequencer.recording.journal import JournalEntry, plain
from sequencer.recording.manifest import Start
from sequencer.recording.reading import Row
from sequencer.recording.rows import CHANNELS, one_line
from sequencer.recording.run import NO_END, RecordedRun
from sequencer.vocabulary.sample import Sample

if TYPE_CHECKING:
    from sequencer.vocabulary.table import Table

PLACE = "the record in memory"
"""Where such a record is, in words."""
PLENTY_BYTES = 1 << 50
_MEASURED = len(MEASURED)
_pack = ROW.pack


class DroppingLog:
    """Keeps nothing; satisfies ``RunLog``. It is never full, and always synced."""

    write_failure = ""

    def append(self, sample: Sample, step: StepMark) -> None:
        """One row."""

    def append_each(self, samples: Sequence[Sample], steps: Sequence[StepMark]) -> None:
        """Many rows."""

    def note(self, kind: str, entry: Mapping[str, Any]) -> None:
        """One line of the journal."""

    def free_bytes(self) -> int:
        """Always plenty."""
        return PLENTY_BYTES

    def unsynced_ns(self) -> int:
        """Nothing waits for a disk."""
        return 0

    def close(self) -> None:
        """Nothing is open."""


class MemoryLog(DroppingLog):
    """The record of one run, all of it."""

    def __init__(self, manifest: Mapping[str, Any], start: Start) -> None:
        self._manifest = manifest
        self._held = HeldRows(start)
        self._numbers = self._held.numbers
        self._entries: list[JournalEntry] = []
        self._rows = 0
        self._last_ns = start.bench_ns - LEAST_APART_NS
        self._step: tuple[Any, ...] = ()
        self._inputs = InputChanges(self.note, lambda _slept_ns: None)

    def append(self, sample: Sample, step: StepMark) -> None:
        """One row.

        Raises:
            RecordError: a tick is not later than the one before.
        """
        inputs = self._inputs
        if sample.host is not inputs.host or sample.faults is not inputs.faults:
            inputs.look(sample)
        if sample.at_ns - self._last_ns < LEAST_APART_NS:
            raise not_later(PLACE, sample)
        self._last_ns = sample.at_ns
        if step[:4] != self._step:
            self._begin(step)
        self._rows += 1
        self._numbers += _pack(*sample[:_MEASURED], *step[4:])

    def append_each(self, samples: Sequence[Sample], steps: Sequence[StepMark]) -> None:
        """Many rows. Raises as ``append`` does."""
        for sample, step in zip(samples, steps, strict=True):
            self.append(sample, step)

    def _begin(self, step: StepMark) -> None:
        self._step = step[:4]
        before = self._held.begins[-1] if self._held.begins else StepBegin(0, 0, 0, "", "")
        count, cycle = max(before.count, step.count), max(before.cycle, step.cycle)
        name, kind = one_line(step.name), one_line(step.kind)
        self._held.begins.append(StepBegin(self._rows, count, cycle, name, kind))

    def note(self, kind: str, entry: Mapping[str, Any]) -> None:
        """One line of the journal."""
        number = len(self._entries) + 1
        self._entries.append(JournalEntry(number, self._rows, kind, plain(entry)))

    def recorded(self) -> RecordedRun:
        """What has been recorded so far."""
        is_ended = any(one.kind == "end" for one in self._entries)
        return HeldRun(
            Path(PLACE),
            plain(self._manifest),
            tuple(self._entries),
            unread=() if is_ended else (NO_END,),
            held=self._held,
        )


@dataclass(frozen=True)
class HeldRun(RecordedRun):
    """A run whose samples are in memory: no file, so nothing of it is damaged or missing."""

    held: HeldRows = field(default_factory=lambda: HeldRows(Start(0, 0)))

    @property
    def rows(self) -> Sequence[Row]:
        """Every row, made anew at each call."""
        return tuple(self.held.each(self.entries))

    @property
    def last_row(self) -> Row | None:
        """The last row alone, with what was read in that row and nothing older."""
        last = self.rows[-2:]
        if not last:
            return None
        sample, before = last[-1].sample, last[0].sample if last[1:] else Sample(0)
        blank = Sample(0)
        older = {
            name: getattr(blank, name)
            for one in CHANNELS
            if getattr(sample, one.time[1]) == getattr(before, one.time[1])
            for name in (one.time[1], *(name for _, name in one.values))
        }
        return last[-1]._replace(sample=sample._replace(**older))

    @property
    def table(self) -> "Table":
        """The rows as columns."""
        from sequencer.recording.held_columns import table_of

        return table_of(self.held)

    @property
    def counted(self) -> Counted:
        """The rows; there is nothing for which anybody would have to vouch."""
        return Counted(len(self.held))

    @property
    def altered(self) -> tuple[str, ...]:
        """Nothing: it was never out of sight."""
        return ()

    @property
    def missing(self) -> tuple[str, ...]:
        """What is not there, in words."""
        return self.missing_but_rows
