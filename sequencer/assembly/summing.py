"""Summing a record up after the run, whatever became of the run; its failure changes no ending."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from sequencer.recording.below_recommended import KEY, what_to_do
from sequencer.recording.summary import write_summary


class Summed(NamedTuple):
    """Lines for a person: what to do ``first`` for a cell that was left low, and what was not
    possible."""

    first: Sequence[str] = ()
    troubles: Sequence[str] = ()


def sum_up(folder: Path) -> Summed:
    """Write the summary."""
    if not folder.is_dir():
        gone = f"{folder}: the run folder is gone, and with it the record of this run"
        return Summed(troubles=[gone])
    try:
        return Summed(first=what_to_do(write_summary(folder)[KEY]))
    except Exception as error:  # noqa: BLE001 - the run is over; a summary can be made again
        why = f"the summary could not be made ({error}); the record itself is as it was written"
        return Summed(troubles=[why])


if __name__ == "__main__":
    sum_up(Path(sys.argv[1]))
