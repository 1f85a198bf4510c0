"""What must be written if anything can be: making safe, its proof and the watch after it.

A full disk or a gone folder must not stop them; why it failed stands in the record's own failure.
"""

from sequencer.machine.entries import Note
from sequencer.ports import RunLog, StepMark
from sequencer.vocabulary.faults import RecordError
from sequencer.vocabulary.sample import Sample


class LastWords:
    """A record that is written as far as it goes."""

    def __init__(self, log: RunLog) -> None:
        self._log = log

    def note(self, note: Note) -> None:
        """One line of the journal, or none."""
        try:
            self._log.note(*note)
        except (RecordError, OSError):
            return

    def append(self, sample: Sample, mark: StepMark) -> None:
        """One row, or none."""
        try:
            self._log.append(sample, mark)
        except (RecordError, OSError):
            return
