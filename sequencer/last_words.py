"""What must be written if anything can be: making safe, its proof and the watch after it.

A full disk or a gone folder must not stop them; that something is missing is kept.
"""

from sequencer.machine.entries import Note
from sequencer.ports import RunLog, StepMark
from sequencer.vocabulary.faults import RecordError
from sequencer.vocabulary.sample import Sample


class LastWords:
    """A record that is written as far as it goes. ``lost``: why the first word that is missing
    from it could not be written; None while none is."""

    def __init__(self, log: RunLog) -> None:
        self._log = log
        self.lost: RecordError | OSError | None = None

    def note(self, note: Note) -> None:
        """One line of the journal, or none."""
        try:
            self._log.note(*note)
        except (RecordError, OSError) as error:
            self.lost = self.lost or error

    def append(self, sample: Sample, mark: StepMark) -> None:
        """One row, or none."""
        try:
            self._log.append(sample, mark)
        except (RecordError, OSError) as error:
            self.lost = self.lost or error
