"""A run that broke off between two steps of a loop's pass: no step is interrupted, the pass is."""

from pathlib import Path

import pytest

from sequencer.assembly.benches import make_twin
from sequencer.resuming.resumption import resume_from
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.watchdog.orphans import note_proof
from tests.cli.places import BENCH, CELL
from tests.resuming.recorded import Crash, record
from tests.resuming.test_resuming import HOUR_LATER_NS, SEEN_OFF

PROFILE = """\
profile: passes
limits:
  charge temperature: {low: 15 degC, high: 40 degC}
  discharge temperature: {low: 15 degC, high: 45 degC}
steps:
  - step: repeat
    times: 3
    until: {capacity retention: 80 %}
    steps:
      - {step: charge, current: 0.7 C, voltage: recommended, termination current: 0.1 C}
      - {step: discharge, current: 1 C, cut-off voltage: recommended}
"""


def taken_up(folder: Path, changeovers: int) -> dict:
    """What a new run is told after a crash in that changeover, counted from 1."""
    (folder / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    documents = read_run_documents(RunOptions(folder / "profile.yaml", CELL, BENCH))
    begun = 0

    def options(state: str, ticks: int) -> str:
        nonlocal begun
        begun += (state, ticks) == ("changeover", 1)
        if begun == changeovers:
            raise Crash
        return ""

    old = folder / "old"
    assert record(old, options, twin=make_twin(documents), documents=documents) is None
    list(note_proof(old, SEEN_OFF, "test"))
    return dict(resume_from(old, HOUR_LATER_NS).told)


@pytest.mark.parametrize(
    ("changeovers", "first_step", "is_interrupted"), [(2, 2, True), (3, 3, False)]
)
def test_a_pass_that_a_gap_parts_has_no_capacity(tmp_path, changeovers, first_step, is_interrupted):
    """After the charge the cell waits for nobody knows how long, and then gives less; after the
    discharge the next pass begins with a charge of its own."""
    told = taken_up(tmp_path, changeovers)
    assert (told["first_step"], told["again"]) == (first_step, None)
    (account,) = told["loops"]["accounts"]
    assert account["is_interrupted"] is is_interrupted
