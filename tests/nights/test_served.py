"""The main job as the README gives it: a whole night on the served bench, over real sockets."""

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.assembly.rehearsal import rehearse
from sequencer.replaying.recorded_run import replay_run
from sequencer.run_documents.reading import RunOptions, read_run_documents

ROOT = Path(__file__).parents[2]
NIGHTS = int(os.environ.get("NIGHTBENCH_NIGHTS", "1"))


def run_command() -> list[str]:
    """The nightbench part of the README's run command, with this interpreter."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"<!-- run command -->\n```sh\n(.+?)\n```", text)
    assert block is not None, "the README has no run command"
    last = block.group(1).split(" && ")[-1]
    words = shlex.split(last)
    assert words[0] == ".venv/bin/nightbench"
    return [sys.executable, "-m", "sequencer.cli", *words[1:]]


def report_lines() -> list[str]:
    """The README's excerpt of the report, blanks as single ones."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"<!-- report -->\n```text\n(.+?)\n```", text, re.DOTALL)
    assert block is not None, "the README has no report"
    return [" ".join(line.split()) for line in block.group(1).splitlines() if line.strip()]


def steps_of(folder: Path) -> list[dict]:
    """The finished steps in a run's journal."""
    lines = (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    entries = [json.loads(line) for line in lines]
    return [one["entry"] for one in entries if one["kind"] == "step ended"]


@pytest.mark.parametrize("night", range(NIGHTS))
def test_the_readme_runs_a_night_that_ends_done_and_proven(night: int, tmp_path: Path):
    """The command, word for word: exit 0, off proven, its report made and as the README has it,
    decided so again by a replay of its folder, and the twin had foretold every step."""
    folder = tmp_path / "run"
    done = subprocess.run(
        [*run_command(), "--folder", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        env={name: value for name, value in os.environ.items() if name != "COLUMNS"},
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "off is proven (level A" in done.stdout
    assert f"page: {folder / 'report.html'}" in done.stdout
    assert "Simulated: no real bench" in (folder / "report.html").read_text(encoding="utf-8")
    said = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert [line for line in report_lines() if line not in said] == []
    told = replay_run(folder)
    assert (told.replayed.differences, told.missing) == ((), ())
    run_documents = read_run_documents(
        RunOptions(
            ROOT / "profiles/overnight-rates.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            ROOT / "sim_configs/benches/demonstration.yaml",
            None,
            (),
        )
    )
    rehearse(run_documents, tmp_path / "twin")
    served, twin = steps_of(folder), steps_of(tmp_path / "twin")
    assert [one["reason"] for one in served] == [one["reason"] for one in twin]
    for one, two in zip(served, twin, strict=True):
        for key in ("charge_in_ah", "charge_out_ah"):
            assert one[key] == pytest.approx(two[key], rel=2e-3, abs=1e-3), (one, two)
