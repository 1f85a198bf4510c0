"""``nightbench replay`` on run folders: shipped documents, other machines, other versions."""

import hashlib
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from sequencer.assembly.rehearsal import rehearse
from sequencer.cli import main
from sequencer.documents.cell import CellDocument
from sequencer.publishing.bundle import write_bundle
from sequencer.recording.columns import LABELS
from sequencer.recording.folder import MANIFEST, SAMPLES
from sequencer.recording.manifest import FORMAT
from sequencer.replaying.recorded_run import replay_run
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.source.loading import load_text
from sequencer.vocabulary.verdict import Exit

ROOT = Path(__file__).parents[2]
FIRST_LOOK = ROOT / "profiles" / "first-look.yaml"
CELL = ROOT / "profiles" / "cells" / "lamp-pouch.yaml"
BENCHES = ROOT / "sim_configs" / "benches"
FAULTS = ("drift", "stuck-reading", "open-lead", "dead-reading", "ignored-off", "contactor-welded")
"""A reading that drifts changes nothing; the others trip an interlock, fail an order, or deny."""
BRIEF = """\
profile: A few minutes of everything
limits:
  charge temperature: {low: 12 degC, high: 40 degC}
steps:
  - {step: rest, for: 20 s}
  - step: charge
    current: 0.5 C
    voltage: recommended
    termination current: 0.05 C
    until charge: 1 %
  - step: pulse train
    direction: discharge
    current: 1 C
    for: 3 s
    repeated: 2
    rest between: 10 s
  - {step: rest, for: 20 s}
  - step: discharge
    current: 1 C
    cut-off voltage: recommended
    until charge: 1 %
  - {step: rest, for: 20 s}
"""


def options(folder: Path, *faults: Path, bench: str = "demonstration") -> RunOptions:
    """A few minutes of everything, on a shipped bench."""
    (folder / "brief.yaml").write_text(BRIEF)
    return RunOptions(folder / "brief.yaml", CELL, BENCHES / f"{bench}.yaml", None, faults)


@pytest.fixture(scope="module")
def first_look(tmp_path_factory) -> Path:
    """The shipped first look, rehearsed."""
    folder = tmp_path_factory.mktemp("first-look") / "run"
    rehearse(
        read_run_documents(RunOptions(FIRST_LOOK, CELL, BENCHES / "demonstration.yaml")), folder
    )
    return folder


@pytest.fixture
def copy(first_look: Path, tmp_path: Path) -> Path:
    """A copy whose manifest may be changed."""
    folder = Path(shutil.copytree(first_look, tmp_path / "copy"))
    (folder / MANIFEST).chmod(0o644)
    return folder


def test_the_first_look_is_decided_again(first_look, capsys):
    """Exit 0, and a person is told how much was compared."""
    assert main(["replay", str(first_look)]) == 0
    told = capsys.readouterr().out
    assert re.match(r"Replay of First look: 3,\d{3} samples judged again, \d\d decisions", told)
    assert "the same decisions, line for line" in told
    assert main(["replay", str(first_look), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert (data["exit"], data["state"], data["differences"], data["missing"]) == (
        0,
        "done",
        [],
        [],
    )


@pytest.mark.parametrize("bench", ["bare", "modest"])
def test_other_benches_are_decided_again(bench, tmp_path: Path):
    """With a supply alone and without a contactor: the measuring channels come from it."""
    if bench == "bare":
        (tmp_path / "rest.yaml").write_text(BRIEF.split("  - step: pulse")[0])
        named = RunOptions(tmp_path / "rest.yaml", CELL, BENCHES / "bare.yaml")
    else:
        named = options(tmp_path, bench=bench)
    rehearse(read_run_documents(named), tmp_path / "run")
    told = replay_run(tmp_path / "run")
    assert (told.replayed.differences, told.missing) == ((), ())
    assert told.replayed.rows > 50


def brought_forward(name: str, folder: Path) -> Path:
    """A shipped fault, half a minute in."""
    text = (ROOT / "sim_configs" / "faults" / name).read_text(encoding="utf-8")
    (folder / name).write_text(re.sub(r"^at: .*$", "at: 30 s", text, flags=re.MULTILINE))
    return folder / name


def test_faults_are_decided_again(tmp_path: Path):
    """Whatever a fault leads to: the same trips, from the samples and the journal alone."""
    exits = set()
    for fault in FAULTS:
        folder = tmp_path / fault
        named = options(tmp_path, brought_forward(f"{fault}.yaml", tmp_path))
        went = rehearse(read_run_documents(named), folder)
        told = replay_run(folder)
        assert (told.replayed.differences, told.missing) == ((), ()), fault
        assert told.replayed.state is went.outcome.state
        exits.add(went.outcome.exit)
    assert exits == {Exit.DONE, Exit.TRIPPED, Exit.FAULTED}


def test_a_served_run_that_a_fault_ends_is_decided_again(tmp_path: Path):
    """Real sockets and drivers: readings with times of their own, an instrument's own words."""
    named = options(tmp_path, brought_forward("error-queue.yaml", tmp_path))
    words = ["run", named.profile, "--cell", CELL, "--bench", named.bench, "--yes", "--no-screen"]
    words += ["--fault", named.faults[0], "--folder", tmp_path / "run"]
    done = subprocess.run(
        [sys.executable, "-m", "sequencer.cli", *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == Exit.FAULTED, done.stdout + done.stderr
    told = replay_run(tmp_path / "run")
    assert (told.replayed.differences, told.missing) == ((), ())
    assert told.replayed.rows > 20


def test_a_folder_cut_short_is_told_and_is_no_failure(copy, capsys):
    """What is there is the same; what is not is said; exit 0."""
    raw = (copy / SAMPLES).read_bytes()
    (copy / SAMPLES).write_bytes(raw[: len(raw) // 2])
    assert main(["replay", str(copy)]) == 0
    told = capsys.readouterr().out
    assert "compared; it stops while resting" in told
    assert "the same decisions, line for line" in told
    assert "missing: samples.csv: cut short: the journal counted" in told
    assert "missing: the samples end before what led to entry" in told


def test_a_folder_is_enough(tmp_path: Path):
    """Profile, cell, bench and definitions may be gone: another machine has only the folder."""
    here = tmp_path / "here"
    shutil.copytree(ROOT / "sim_configs", here / "sim_configs")
    shutil.copy(CELL, here / "cell.yaml")
    (here / "brief.yaml").write_text(BRIEF)
    bench = here / "sim_configs" / "benches" / "demonstration.yaml"
    rehearse(
        read_run_documents(RunOptions(here / "brief.yaml", here / "cell.yaml", bench)),
        tmp_path / "run",
    )
    shutil.rmtree(here)
    told = replay_run(tmp_path / "run")
    assert (told.replayed.differences, told.missing) == ((), ())


def rewrite(folder: Path, role: str, old: str, new: str, **also: Any) -> None:
    """Change the text of a document in the manifest."""
    manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    for one in manifest["documents"]:
        if one["role"] == role:
            assert old in one["text"]
            one["text"] = one["text"].replace(old, new)
            one.update(also)
    (folder / MANIFEST).write_text(json.dumps(manifest))


def text_of(folder: Path, role: str) -> str:
    """The text of a document in the manifest."""
    manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    return next(one["text"] for one in manifest["documents"] if one["role"] == role)


def test_a_changed_limit_is_one_difference(copy, capsys):
    """A looser ceiling, hash and resolved form made to fit: the start says otherwise."""
    old, new = "charge voltage: 4.25 V", "charge voltage: 4.26 V"
    text = text_of(copy, "cell").replace(old, new)
    resolved = load_text(text, "cell.yaml", CellDocument).document.model_dump(mode="json")
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    rewrite(copy, "cell", old, new, resolved=resolved, sha256=sha256)
    assert main(["replay", str(copy)]) == 6
    told = capsys.readouterr().out
    assert "DIFFERENT: 1 line; the first:" in told
    assert "start, before the first row" in told
    assert "they differ in: limits" in told
    assert "further" not in told


def test_a_limit_changed_by_hand_is_seen_three_times(copy):
    """The text does not fit its hash, nor what it was resolved to, nor the limits at the start."""
    rewrite(copy, "cell", "charge voltage: 4.25 V", "charge voltage: 4.26 V")
    told = replay_run(copy)
    assert told.missing == ("manifest.json: the text of the cell does not fit its hash",)
    document, start = told.replayed.differences
    assert document.recorded == {"absolute_given.charge_voltage": 4.25}
    assert document.replayed == {"absolute_given.charge_voltage": 4.26}
    assert start.kind == "start"


def test_a_tighter_profile_shows_where_it_would_have_tripped(copy, capsys):
    """The row, the time and both sides are told, and how many lines differ besides."""
    rewrite(copy, "profile", "total time: 2 h", "total time: 30 min")
    assert main(["replay", str(copy), "--json"]) == 6
    differences = json.loads(capsys.readouterr().out)["differences"]
    assert [one["kind"] for one in differences] == ["what the profile says", "start", "trip"]
    assert differences[2]["recorded"] is None
    assert differences[2]["replayed"]["interlock"] == "total time"
    assert differences[2]["at_ns"] == pytest.approx(1.811e12, abs=2e9)


def test_another_version_says_so(copy, capsys):
    """A run recorded by another nightbench is replayed, and that is told."""
    manifest = json.loads((copy / MANIFEST).read_text(encoding="utf-8"))
    manifest["versions"]["nightbench"] = "0.0.7"
    (copy / MANIFEST).write_text(json.dumps(manifest))
    assert main(["replay", str(copy)]) == 0
    assert "recorded by nightbench 0.0.7, replayed by " in capsys.readouterr().out


def test_a_folder_that_holds_no_documents_cannot_be_replayed(copy, capsys):
    """Wrong usage, with what is lacking; no traceback, no verdict."""
    for spoilt in ({}, {"documents": [{"role": "profile"}, 3]}, {"documents": None}):
        (copy / MANIFEST).write_text(json.dumps({"format": FORMAT, "start_bench_ns": 0, **spoilt}))
        assert main(["replay", str(copy)]) == 2
        assert "does not hold the text of the profile" in capsys.readouterr().err
    assert main(["replay", str(copy / "nowhere")]) == 2
    assert "not a run folder" in capsys.readouterr().err


@pytest.mark.parametrize("with_identity", [False, True])
def test_a_bundle_is_decided_again_from_its_own_samples(
    with_identity: bool, first_look: Path, tmp_path: Path
):
    """As many samples and decisions as in the run folder, and the same; a sample that was changed
    after publishing is said, and shows in what is decided."""
    there = replay_run(first_look)
    bundle = write_bundle(first_look, tmp_path, with_identity=with_identity)
    here = replay_run(bundle.folder)
    assert (here.replayed.differences, here.missing) == ((), ())
    assert here.replayed.rows == there.replayed.rows > 3000
    assert here.replayed.lines == there.replayed.lines
    lines = bundle.samples.read_text(encoding="utf-8").split("\n")
    fields = lines[2000].split(",")
    fields[LABELS.index("Voltage / V")] = "9.900000"
    bundle.samples.write_text("\n".join([*lines[:2000], ",".join(fields), *lines[2001:]]))
    changed = replay_run(bundle.folder)
    assert changed.replayed.differences
    assert any("changed since it was published" in one for one in changed.missing)


@pytest.mark.parametrize("is_bundle", [False, True], ids=["run folder", "bundle"])
def test_nothing_compared_is_no_success(
    is_bundle: bool, first_look: Path, copy: Path, tmp_path: Path, capsys: Any
):
    """Without samples no decision is made again, and the exit says so."""
    folder = write_bundle(first_look, tmp_path / "out").folder if is_bundle else copy
    for path in [folder / SAMPLES, *folder.glob("*.bdf.csv")]:
        path.unlink(missing_ok=True)
    assert main(["replay", str(folder)]) == int(Exit.FAULTED)
    assert "NOTHING COMPARED" in capsys.readouterr().out
