"""The computer goes away in a charge and comes back: over real links, on a bench that lives on."""

import json
import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.recording.journal import decode
from sequencer.replaying.recorded_run import replay_run
from sequencer.watchdog.requests import wait_until
from tests.cli.places import BENCH, CELL
from tests.watchdog.nights import start

PATIENCE_S = 60.0
WORDS = ("--yes", "--attended", "--no-screen", "--no-report")
PROFILE = """\
profile: Interrupted
limits:
  charge temperature: {low: 12 degC, high: 40 degC}
steps:
  - {step: rest, for: 1 s}
  - {step: charge, current: 0.5 C, voltage: recommended, for: 8 s}
  - {step: rest, for: 2 s}
"""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Path]:
    """A bench document with the addresses of a bench that is served elsewhere."""
    path = tmp_path / "bench.yaml"
    with start("bench", "serve", BENCH, "--write", path) as serving:
        assert serving.stdout is not None
        assert any(line.startswith("serving") for line in serving.stdout)
        yield path
        serving.terminate()
        serving.communicate(timeout=30)


def entries(folder: Path) -> list:
    """Whole entries of the journal."""
    path = folder / "journal.jsonl"
    return [decode(line) for line in path.read_bytes().splitlines()] if path.exists() else []


def manifest(folder: Path) -> dict:
    """What was asked."""
    return dict(json.loads((folder / "manifest.json").read_text(encoding="utf-8")))


def wait_for_charge(run: "subprocess.Popen[str]", folder: Path) -> None:
    """Until it has charged for some samples."""

    def charges() -> bool:
        path = folder / "journal.jsonl"
        if not path.exists() or b'"state":"charging"' not in path.read_bytes():
            return False
        rows = (folder / "samples.csv").read_text(encoding="utf-8")
        return rows.count("CC-CV charge") + rows.count("CC charge") >= 3

    assert wait_until(charges, PATIENCE_S), run.communicate(timeout=PATIENCE_S)[0]


def told(*words: object) -> tuple[int, str]:
    """Exit code and everything said."""
    with start(*words) as asking:
        said = asking.communicate(timeout=PATIENCE_S)[0]
    return asking.returncode, said


def break_off(bench: Path, old: Path, profile: Path) -> None:
    """Watchdog and executive are gone at once in a charge; nobody has switched off."""
    profile.write_text(PROFILE, encoding="utf-8")
    named = ("--cell", CELL, "--bench", bench, "--folder", old)
    with start("run", profile, *named, *WORDS) as run:
        wait_for_charge(run, old)
        executive = json.loads((old / "live.json").read_text(encoding="utf-8"))["pid"]
        os.kill(run.pid, signal.SIGSTOP)  # or it would make safe between the two
        os.kill(executive, signal.SIGKILL)
        os.kill(run.pid, signal.SIGKILL)
        run.wait(PATIENCE_S)


def make_orphans_safe(runs: Path, old: Path) -> None:
    """It is shown, not resumed, made safe by one command, and shown as safe."""
    code, said = told("runs", runs)
    assert code == 0
    assert "INTERRUPTED, broken off in step 2" in said
    assert "off NOT proven" in said
    assert f"nightbench make-safe --orphans {runs}" in said
    code, said = told("resume", old, *WORDS)
    assert code == 3, said
    assert "off is not proven after this run" in said
    code, said = told("make-safe", "--orphans", runs)
    assert code == 0, said
    assert "off, proof level A" in said
    assert "1 orphan, 1 made safe and proven, 0 NOT proven" in said
    assert entries(old)[-1].kind == "rescue"
    listed = json.loads(told("runs", runs, "--json")[1])
    assert (listed["orphans"], listed["runs"][0]["off"]["proven"]) == ([], True)
    assert told("make-safe", "--orphans", runs)[0] == 0


def test_a_run_broken_off_with_the_computer_is_made_safe_and_taken_up(bench, tmp_path):
    """The new run is linked to the old one, states the gap, begins the charge again, marked, and is
    decided so again by a replay of its folder; the old run is not taken up twice."""
    runs = tmp_path / "runs"
    runs.mkdir()
    old, new = runs / "old", runs / "new"
    break_off(bench, old, tmp_path / "profile.yaml")
    make_orphans_safe(runs, old)
    code, said = told("resume", old, "--folder", new, *WORDS)
    assert code == 0, said
    assert "resumes old, which ended interrupted" in said
    resumes = manifest(new)["resumes"]
    assert resumes["run"] == manifest(old)["run"]
    assert resumes["gap_s"] > 0.0
    journal = entries(new)
    assert next(one.entry for one in journal if one.kind == "resumes") == resumes
    steps = [one.entry for one in journal if one.kind == "step ended"]
    assert [(one["step"], one["interrupted"]) for one in steps] == [(2, True), (3, False)]
    replayed = replay_run(new)
    assert (replayed.replayed.differences, replayed.missing) == ((), ())
    assert entries(old)[-1].entry["by"] == manifest(new)["run"]
    code, said = told("resume", old, *WORDS)
    assert code == 3
    assert "was resumed already" in said


def test_an_orphan_whose_bench_is_gone_is_exit_7(tmp_path):
    """Nothing answers: said loudly, with what to do; a folder without a plan is not passed by."""
    from sequencer.documents.safing import Safed, SafingLink, SafingPlan, dump
    from tests.screens.invented_night import begin, charge

    for name in ("gone", "without"):
        charge(begin(tmp_path / name))
    link = SafingLink("tcp", "127.0.0.1", 9)
    plan = SafingPlan("desk", (Safed("supply", ("charge",), link, offs=("OUTP OFF",)),))
    (tmp_path / "gone" / "safing.json").write_text(dump(plan), encoding="utf-8")
    code, said = told("make-safe", "--orphans", tmp_path)
    assert code == 7
    assert "NOT PROVEN OFF" in said
    assert "no safing plan can be read there" in said
    assert "2 orphans, 0 made safe and proven, 2 NOT proven" in said


def test_an_orphan_on_a_bench_that_a_living_run_holds_is_left_alone(tmp_path, monkeypatch):
    """Off would be an order that the living run did not give."""
    from sequencer.watchdog import locks, rescue
    from sequencer.watchdog.orphans import make_orphan_safe
    from tests.screens.invented_night import begin, charge

    charge(begin(tmp_path / "run"))
    (tmp_path / "run" / "safing.json").write_text('{"bench": "desk", "instruments": []}')
    monkeypatch.setattr(
        rescue, "make_safe_once", lambda _plan: pytest.fail("it was not left alone")
    )
    wire = f"tcp:{tmp_path}"
    held = locks.hold_wire(wire)
    try:
        done = make_orphan_safe(tmp_path / "run", [wire])
    finally:
        os.close(held)
    (told,) = done.words
    assert told.startswith(f"left alone: process {os.getpid()}")
    assert told.endswith("holds this bench and is alive")
    assert not done.proof.is_off
    assert not (tmp_path / "run" / "live.json").exists()
