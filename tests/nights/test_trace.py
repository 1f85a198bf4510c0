"""A device's trace run until the cell is empty: the file is kept, and its run time is predicted."""

from sequencer.analysis.analyse import analyse
from sequencer.assembly import analysis_input as gathered
from sequencer.assembly.product import in_product
from sequencer.assembly.rehearsal import rehearse
from sequencer.documents.profile import ProfileDocument
from sequencer.plan.make import make_plan
from sequencer.recording.run import read_run
from sequencer.replaying.recorded_run import replay_run
from sequencer.report.loops import loops_of
from sequencer.run_documents.embedded_documents import Kept
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.verdict import Exit
from tests.nights.shelf import BENCH, CELL

PROFILE = """\
profile: Radio
limits:
  charge temperature: {low: 12 degC, high: 40 degC}
  discharge temperature: {low: 5 degC, high: 50 degC}
steps:
  - {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}
  - {step: rest, for: 20 min}
  - {step: trace, file: radio.csv, times: 30, until: {cut-off voltage: 3.2 V}}
"""
USE = """\
use: Radio
trace: radio.csv
lowest input: 3.2 V
"""
TRACE = "time / s,power / W\n0,9\n120,3\n480,0\n600,0\n"


def test_a_trace_with_rests_is_run_kept_and_predicted(tmp_path):
    """By power, with a peak and a pause. The run's own loop is the truth of the calculation, which
    knows the curve and two resistances only; without the file the record says the same."""
    for name, text in (("p.yaml", PROFILE), ("use.yaml", USE), ("radio.csv", TRACE)):
        (tmp_path / name).write_text(text)
    documents = read_run_documents(RunOptions(tmp_path / "p.yaml", CELL, BENCH))
    went = rehearse(documents, tmp_path / "run")
    assert went.outcome.exit is Exit.DONE
    recorded = read_run(tmp_path / "run")
    (loop,) = loops_of(recorded)
    assert loop.ended_by == "the voltage has fallen to 3.200 V"
    tested = gathered.tested_from(recorded)
    found = in_product(tested, analyse(tested), tmp_path / "use.yaml").found
    assert found is not None
    hours = loop.moved[0] / 3600.0
    assert abs(found.hours - hours) < 0.03 * hours
    assert abs(found.hours - hours) < found.half_hours
    assert 0.1 < found.sag_v < 0.3
    (tmp_path / "radio.csv").unlink()
    (tmp_path / "p.yaml").unlink()
    kept = Kept(tmp_path / "run", recorded.manifest)
    profile = kept.find("profile", ProfileDocument)
    assert profile is not None
    assert kept.unsound == []
    plan = make_plan(profile.document, documents.cell.document)
    before = documents.plan
    assert list(plan) == [before[number] for number in range(len(before))]
    again = replay_run(tmp_path / "run")
    assert (again.replayed.differences, again.missing) == ((), ())
