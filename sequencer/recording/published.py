"""The samples of a run where they were published: a bundle has them under the standard's name.

Owns how the file is found. A bundle's checksums vouch for it, because the journal's checkpoints
count the bytes of the file that the run wrote.
"""

from pathlib import Path

from sequencer.recording.checksums import SUMS
from sequencer.recording.folder import SAMPLES
from sequencer.recording.reading import Row
from sequencer.recording.step_words import direction_of

EXPORTED = "*.bdf.csv"


def is_published(folder: Path) -> bool:
    """Whether a folder was made by ``nightbench export``."""
    return (folder / SUMS).is_file()


def samples_of(folder: Path) -> Path | None:
    """The file of samples in a run folder or a bundle; None when there is none."""
    if (folder / SAMPLES).is_file():
        return folder / SAMPLES
    exported = sorted(folder.glob(EXPORTED))
    return exported[0] if exported else None


def in_run_words(row: Row) -> Row:
    """A published row with its step's kind as the run wrote it."""
    mark = row.mark
    return row._replace(mark=mark._replace(kind=direction_of(mark.kind) or mark.kind))
