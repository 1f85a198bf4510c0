"""The shelf's demonstrations: every shipped profile, rehearsed once for all that is asked of it.

The cell is the bold pouch, whose seller claims more than it keeps; the bench is the demonstration
bench, for the cold charge in a cold room. A cycle life of weeks is made short: two passes of one
cycle each.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Final, NamedTuple

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import Analysis, Tested
from sequencer.assembly.analysis_input import tested_from
from sequencer.assembly.rehearsal import Rehearsed, rehearse
from sequencer.recording.run import RecordedRun
from sequencer.report.sheet import RunSheet, make_sheet
from sequencer.run_documents.reading import RunDocuments, RunOptions, read_run_documents

ROOT: Final = Path(__file__).parents[2]
CELL: Final = ROOT / "profiles/cells/bold-pouch.yaml"
BENCH: Final = ROOT / "sim_configs/benches/demonstration.yaml"
ELSEWHERE: Final = {"cold-charge": ROOT / "sim_configs/benches/cold-room.yaml"}
"""Profiles that are not for the demonstration bench as it is."""
PROFILES: Final = sorted(path.stem for path in (ROOT / "profiles").glob("*.yaml"))
SHORTER: Final[Mapping[str, Mapping[str, str]]] = {
    "cycle-life": {"times: 4\n": "times: 2\n", "times: 20\n": "times: 1\n"}
}
START_UNIX_NS: Final = 1_760_000_000_000_000_000
REPLAYED: Final = (
    "cold-charge",
    "lamp-run-time",
    "overnight-rates",
    "pulse-resistance",
    "reference-capacity",
)
"""Those whose record is kept in a folder, for a replay; the others stay in memory."""


class Demonstration(NamedTuple):
    """A profile, rehearsed, and what an analysis makes of it."""

    profile: str
    documents: RunDocuments
    went: Rehearsed
    recorded: RecordedRun
    sheet: RunSheet
    tested: Tested
    analysis: Analysis


def demonstrated(profile: str, folder: Path, bench: Path | None = None) -> Demonstration:
    """Rehearse one profile, on another bench than its own where one is given; ``folder`` takes what
    is written of it."""
    path = ROOT / f"profiles/{profile}.yaml"
    if profile in SHORTER:
        text = path.read_text(encoding="utf-8")
        for long, short in SHORTER[profile].items():
            assert text.count(long) == 1
            text = text.replace(long, short)
        path = folder / path.name
        path.write_text(text, encoding="utf-8")
    bench = bench or ELSEWHERE.get(profile, BENCH)
    documents = read_run_documents(RunOptions(path, CELL, bench, None, ()))
    kept = folder / "run" if profile in REPLAYED else None
    went = rehearse(documents, kept, start_unix_ns=START_UNIX_NS)
    recorded = went.recorded()
    tested = tested_from(recorded)
    sheet = make_sheet(recorded, tested)
    return Demonstration(profile, documents, went, recorded, sheet, tested, analyse(tested))
