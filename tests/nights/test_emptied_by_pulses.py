"""A train of pulses that empties a cell: what it stops at, what is said, what the report tells."""

import json
import shutil
from pathlib import Path

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.assembly import analysis_input
from sequencer.assembly.rehearsal import Rehearsed, rehearse
from sequencer.recording.run import read_run
from sequencer.replaying.recorded_run import replay_run
from sequencer.resuming.interrupted_run import broken_off
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.verdict import Exit

ROOT = Path(__file__).parents[2]
CUT_OFF_V = 2.5
CELL = """
cell: Iron phosphate 1.5 Ah
chemistry: LFP
rated capacity: 1.5 Ah
mass: 40 g
expected resistance: 25 mOhm
recommended:
  charge voltage: 3.60 V
  cut-off voltage: 2.50 V
  charge current: 1 C
  discharge current: 3 C
  charge temperature: {low: 0 degC, high: 45 degC}
  discharge temperature: {low: -20 degC, high: 60 degC}
absolute:
  charge voltage: 3.80 V
  cut-off voltage: 2.00 V
  charge current: 2 C
  discharge current: 5 C
  charge temperature: {low: 0 degC, high: 50 degC}
  discharge temperature: {low: -20 degC, high: 65 degC}
storage voltage: 3.29 V
"""
PROFILE = """
profile: Emptied by pulses
steps:
  - {step: rest, for: 1 min}
  - step: pulse train
    direction: discharge
    levels: [{current: 0.5 C, for: 60 s}, {current: 2 C, for: 30 s}]
    rest between: 30 s
    repeated: 40
  - {step: rest, for: 2 min}
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Rehearsed:
    """The rehearsal, its record kept."""
    folder = tmp_path_factory.mktemp("pulses")
    bench = (ROOT / "sim_configs/benches/demonstration.yaml").read_text(encoding="utf-8")
    truth = ROOT / "sim_configs/cells/lfp-cylinder-truth.yaml"
    bench = bench.replace("../cells/lamp-pouch-truth.yaml", str(truth))
    for name, text in (("cell", CELL), ("profile", PROFILE)):
        (folder / f"{name}.yaml").write_text(text)
    (folder / "bench.yaml").write_text(bench)
    return rehearse(_run_documents(folder), folder / "run")


def _run_documents(folder: Path):
    return read_run_documents(
        RunOptions(folder / "profile.yaml", folder / "cell.yaml", folder / "bench.yaml")
    )


def _journal(night: Rehearsed):
    assert night.folder is not None
    lines = (night.folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines]


def test_no_pulse_goes_on_below_the_cut_off(night):
    """What is commanded next after the cut-off was reached is the rest behind the train; a cell
    that was pulsed on reached 2.23 V under a cut-off of 2.5 V."""
    assert night.outcome.exit is Exit.DONE
    pulses = [one.entry for one in night.steps if "pulse" in one.step.words]
    driven = [one for one in pulses if one["low_v"] is not None]
    below = [one["low_v"] < CUT_OFF_V for one in driven]
    assert below.index(True) == len(driven) - 1
    assert night.steps[-1].step.words == "rest"


def test_what_was_left_of_the_train_is_said_once(night):
    """In the journal as a number, in words for the person."""
    ended = [one["entry"] for one in _journal(night) if one["kind"] == "step ended"]
    told = [one for one in ended if one["left_out"]]
    assert len(told) == 1
    left = told[0]["left_out"]
    assert told[0]["step"] + left + 1 == ended[-1]["step"]
    assert told[0]["reason"].endswith(f"{left} steps behind it left out")


def test_a_replay_decides_the_same(night):
    """Line for line."""
    went = replay_run(night.folder)
    assert went.replayed.differences == ()
    assert went.replayed.lines > 0


def test_a_run_that_breaks_off_behind_the_train_does_not_go_back_into_it(night, tmp_path):
    """The step to go on with stands behind what was left out."""
    folder = shutil.copytree(night.folder, tmp_path / "run")
    lines = (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    entries = [json.loads(line)["entry"] for line in lines]
    over = next(n for n, entry in enumerate(entries) if entry.get("left_out"))
    (folder / "journal.jsonl").write_text("".join(lines[: over + 2]))
    plan = _run_documents(night.folder.parent).plan
    stopped = broken_off(read_run(folder), plan, None)
    assert (stopped.number, stopped.is_begun) == (len(plan), True)


def test_no_resistance_is_told_at_a_time_that_the_pulse_did_not_reach(night):
    """The last pulse was cut short; that is said, and every resistance has been read."""
    found = analyse(analysis_input.tested_from(read_run(night.folder)))
    last = [one for one in night.steps if "pulse" in one.step.words][-1]
    lasted_s = last.ended_s - last.began_s
    told = [
        one.conditions["pulse_s"]
        for one in found.figures
        if one.step == last.step.number and one.conditions.get("method") == "pulse"
    ]
    assert told
    assert max(told) <= lasted_s
    assert any(
        f"step {last.step.number} " in one and "ended after" in one for one in found.excluded
    )
