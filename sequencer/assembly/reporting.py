"""What a report tells of a run, read and analysed once: for the command and for a bundle alike."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import Analysis, Tested
from sequencer.assembly.analysis_input import tested_from
from sequencer.recording.run import RecordedRun
from sequencer.report.sheet import RunSheet, make_sheet


class Reported(NamedTuple):
    """What was tested, what follows from it, and the sheet of the run."""

    tested: Tested
    analysis: Analysis
    sheet: RunSheet


def reported(
    recorded: RecordedRun, cell: Path | None = None, bench: Path | None = None
) -> Reported:
    """Read, analysed, and told; ``cell`` and ``bench`` as ``tested_from`` has them.

    The rows are counted and the digest is made in a thread of its own meanwhile: a seventh of the
    time for ten million rows.

    Raises:
        UsageError: a lone file is no table of samples.
        DocumentError: ``cell`` or ``bench`` is at fault.
    """
    run = recorded.sound
    with ThreadPoolExecutor(1) as beside:
        beside.submit(lambda: run.counted)
        tested = tested_from(recorded, cell, bench)
        analysis = analyse(tested)
    return Reported(tested, analysis, make_sheet(recorded, tested))
