"""The list of runs says how each ended and whether off was proven."""

from sequencer.recording.folder import JOURNAL, SAMPLES
from sequencer.screens.listing import run_line, runs
from tests.recording.invented import write_run
from tests.screens.invented_night import REFUTED, TRIP, begin, charge, finish


def test_each_run_is_one_line(tmp_path):
    """Done, tripped, not proven, running, interrupted, damaged; what is no run is not listed."""
    for name, ending, code, proof, trip in (
        ("a-done", "done", 0, None, None),
        ("b-tripped", "tripped", 5, None, TRIP),
        ("c-unproven", "not proven off", 7, REFUTED, TRIP),
    ):
        run = begin(tmp_path / name)
        charge(run)
        extra = {"proof": proof} if proof else {}
        finish(run, ending, code, trip=trip, reason=trip["reason"] if trip else "", **extra)
    for name in ("d-running", "e-interrupted"):
        charge(begin(tmp_path / name))
    write_run(tmp_path / "f-rehearsed")
    raw = (tmp_path / "f-rehearsed" / SAMPLES).read_bytes()
    (tmp_path / "f-rehearsed" / SAMPLES).write_bytes(raw[: len(raw) // 2])
    (tmp_path / "not-a-run").mkdir()
    (tmp_path / "file").write_text("")
    listed = runs(tmp_path, lambda folder: folder.name == "d-running")
    began = "began 2025-10-09 08:53 UTC"
    why = "surface 40.3 degC is not between 12 degC and 40 degC"
    told = f"overnight rates, {began}, 11 min 50 s"
    lines = [run_line(one) for one in listed]
    assert lines[:5] == [
        f"a-done: overnight rates, {began}, 11 min 50 s, DONE, off proven (level A)",
        f"b-tripped: {told}, TRIPPED: a limit was met, {why}, off proven (level A)",
        f"c-unproven: {told}, NOT PROVEN OFF, {why}, off CONTRADICTED",
        f"d-running: overnight rates, {began}, 10 min 59 s, RUNNING",
        f"e-interrupted: overnight rates, {began}, 10 min 59 s, INTERRUPTED, off NOT proven",
    ]
    assert lines[5].startswith("f-rehearsed: overnight rates, rehearsal, 10 s, DONE, off NOT")
    assert "record not whole: samples.csv" in lines[5]
    assert len(lines) == 6


def test_a_run_of_which_only_the_journal_is_left_is_listed(tmp_path):
    """Damage hides no run."""
    run = begin(tmp_path / "run")
    run.close()
    for file in (tmp_path / "run").iterdir():
        if file.name != JOURNAL:
            file.unlink()
    assert "a run without a manifest" in run_line(runs(tmp_path)[0])


def test_no_folder_is_no_runs(tmp_path):
    """A place that is not there holds none."""
    assert runs(tmp_path / "absent") == []
