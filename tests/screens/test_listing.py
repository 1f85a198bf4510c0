"""The list of runs says how each ended and whether off was proven."""

import pytest

from sequencer.recording.folder import JOURNAL, SAMPLES
from sequencer.screens.listing import run_line, runs
from sequencer.vocabulary.verdict import Level, Proof
from sequencer.watchdog.orphans import is_unproven, note_proof
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
    broken, ended = (f"{how} in step 2 (CC-CV charge)" for how in ("broken off", "ended"))
    lines = [run_line(one) for one in listed]
    assert lines[:5] == [
        f"a-done: overnight rates, {began}, 11 min 50 s, DONE, off proven (level A)",
        f"b-tripped: {told}, TRIPPED: a limit was met, {ended}, {why}, off proven (level A)",
        f"c-unproven: {told}, NOT PROVEN OFF, {ended}, {why}, off CONTRADICTED",
        f"d-running: overnight rates, {began}, 10 min 59 s, RUNNING",
        (
            f"e-interrupted: overnight rates, {began}, 10 min 59 s, INTERRUPTED, {broken}, "
            "off NOT proven"
        ),
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


def test_a_folder_that_makes_no_sense_hides_no_other(tmp_path):
    """A manifest that is a list, one without rights, a link to nowhere: each is listed or passed
    by, and the good one is there."""
    charge(begin(tmp_path / "good"))
    for name, text in (
        ("list", "[1, 2]"),
        ("odd", '{"start_bench_ns": 1, "resumes": 7, "documents": 3}'),
        ("text", "not json"),
    ):
        (tmp_path / name).mkdir()
        (tmp_path / name / "manifest.json").write_text(text)
    raw = (tmp_path / "good" / JOURNAL).read_bytes()
    (tmp_path / "odd" / JOURNAL).write_bytes(raw.replace(b'"at_ns"', b'"at_xx"'))
    (tmp_path / "nowhere").symlink_to(tmp_path / "absent")
    lines = [run_line(one) for one in runs(tmp_path)]
    assert [line.split(":")[0] for line in lines] == ["good", "list", "odd", "text"]


def test_a_rescue_counts_as_proof_of_off(tmp_path):
    """What the watchdog, or a person, proved after the record broke off is shown."""
    charge(begin(tmp_path / "run"))
    before = runs(tmp_path)[0]
    assert is_unproven(before)
    list(note_proof(tmp_path / "run", Proof(Level.B, ("seen",), 0.01), "nightbench make-safe"))
    after = runs(tmp_path)[0]
    assert not is_unproven(after)
    assert run_line(after).endswith("off proven (level B)")


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"state": "charging"}, "RUNNING"),
        ({"state": "paused"}, "PAUSED"),
        (
            {"first_cause": {"reason": "hot"}, "off": {"level": "none"}},
            "MAKING SAFE, off NOT proven",
        ),
        (
            {"first_cause": {"reason": "hot"}, "off": {"level": "A", "proven": True}},
            "MAKING SAFE, off proven (level A)",
        ),
        (
            {"first_cause": {"reason": "hot"}, "ending": "faulted"},
            "FAULT of an instrument or the computer",
        ),
    ],
)
def test_a_living_run_says_what_it_is_at(changes, told):
    """A run that cannot prove off is no running one, and a paused one does not look alike."""
    summary = {"folder": "n", "title": "night", "living": True, **changes}
    assert run_line(summary) == f"n: night, 0 s, {told}"
