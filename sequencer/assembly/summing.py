"""Summing a record up after the run, whatever became of the run; its failure changes no ending."""

import sys
from pathlib import Path

from sequencer.recording.summary import write_summary


def sum_up(folder: Path) -> list[str]:
    """Write the summary; a line for a person when that did not work."""
    if not folder.is_dir():
        return [f"{folder}: the run folder is gone, and with it the record of this run"]
    try:
        write_summary(folder)
    except Exception as error:  # noqa: BLE001 - the run is over; a summary can be made again
        return [f"the summary could not be made ({error}); the record itself is as it was written"]
    return []


if __name__ == "__main__":
    sum_up(Path(sys.argv[1]))
