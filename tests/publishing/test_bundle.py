"""A bundle holds what a stranger needs, and neither who nor where."""

import json
import shutil
import subprocess

import pytest

from sequencer.assembly import analysis_input
from sequencer.publishing.bundle import write_bundle
from sequencer.publishing.published_comparison import compared
from sequencer.recording.journal import JournalEntry, encode
from sequencer.recording.run import read_run
from tests.outside.test_battery_data_format import OWN_COLUMNS, faults_of
from tests.recording.invented import write_run
from tests.recording.test_tabulating import columns

HOST, USER, SERIAL = "hill-bench-7", "hedda", "SN-40817-A"
PLACE = "/home/hedda/cells/secret/my-cell.yaml"
ADDRESS = "TCPIP0::psu-4.hill.example::5025::SOCKET"


@pytest.fixture
def run(tmp_path):
    """A small run by a named person on a named computer, with an instrument that has a number."""
    folder = write_run(tmp_path / "run", 300)
    path = folder / "manifest.json"
    told = json.loads(path.read_text(encoding="utf-8"))
    told |= {"host": HOST, "who": USER, "addresses": {"supply": ADDRESS}}
    told["documents"] = [{"role": "note", "path": PLACE, "text": f"# by {USER}, {PLACE}\n"}]
    path.chmod(0o644)
    path.write_text(json.dumps(told))
    words = {"reason": f"{SERIAL} at {ADDRESS} on {HOST}: see {PLACE}", "at_ns": 6_000_000_000}
    with (folder / "journal.jsonl").open("ab") as file:
        file.write(
            encode(JournalEntry(9001, 300, "identity", {"instrument": "psu", "serial": SERIAL}))
        )
        file.write(encode(JournalEntry(9002, 300, "alarm", words)))
    return folder


def _all_bytes(folder):
    return b"".join(one.read_bytes() for one in sorted(folder.rglob("*")) if one.is_file())


def test_nothing_tells_who_or_where(run, tmp_path, monkeypatch):
    """No byte of any file names host, user, home, places, address or serial number."""
    monkeypatch.setenv("HOME", str(tmp_path / "home-of-hedda"))
    monkeypatch.chdir(tmp_path)
    made = write_bundle(run, tmp_path / "out", "Hill Bench")
    found = _all_bytes(made.folder)
    for secret in (HOST, USER, SERIAL, PLACE, ADDRESS, "psu-4", str(tmp_path)):
        assert secret.encode() not in found, secret
    assert made.told == []


def test_identity_goes_along_when_it_is_asked_for(run, tmp_path):
    """The same, kept."""
    made = write_bundle(run, tmp_path / "out", with_identity=True)
    found = _all_bytes(made.folder)
    assert all(one.encode() in found for one in (HOST, USER, SERIAL, PLACE, ADDRESS))


def test_a_stranger_reads_the_same_samples(run, tmp_path):
    """Every value of the table is that of the run, to the last digit, damaged rows left out."""
    path = run / "samples.csv"
    lines = path.read_bytes().split(b"\n")
    lines[40], lines[60] = b"garbage", lines[60].replace(b"-1.234567", b"-12.34567e-1")
    path.write_bytes(b"\n".join(lines))
    made = write_bundle(run, tmp_path / "out")
    ours, theirs = (
        analysis_input.tested_from(read_run(run)),
        analysis_input.tested_from(read_run(made.folder)),
    )
    assert len(theirs.table) == 299
    assert columns(theirs.table) == columns(ours.table)
    assert {n: s.kind for n, s in theirs.table.steps.items()} == {
        n: s.kind for n, s in ours.table.steps.items()
    }
    assert theirs.step_ends == ours.step_ends


def test_the_samples_keep_the_standard(run, tmp_path):
    """No fault by the validator that is written from the standard."""
    made = write_bundle(run, tmp_path / "out", "Hill Bench")
    assert faults_of(made.samples.name, made.samples.read_bytes(), OWN_COLUMNS) == []


def test_checksums_are_those_of_sha256sum(run, tmp_path):
    """GNU coreutils agrees; a changed file is told by both."""
    made = write_bundle(run, tmp_path / "out")
    command = [shutil.which("sha256sum") or "sha256sum", "--quiet", "-c", "SHA256SUMS"]
    assert subprocess.run(command, cwd=made.folder, capture_output=True).returncode == 0
    with made.samples.open("ab") as file:
        file.write(b"\n")
    assert subprocess.run(command, cwd=made.folder, capture_output=True).returncode == 1
    words = f"{made.samples.name}: changed since it was published"
    assert words in analysis_input.tested_from(read_run(made.folder)).missing


def test_numbers_of_another_version_are_compared(run, tmp_path):
    """The same numbers say so; a digit that differs, and who differs, is told."""
    made = write_bundle(run, tmp_path / "out")
    path = made.folder / "report.json"
    now = json.loads(path.read_text(encoding="utf-8"))
    assert compared(made.folder, now)[0].endswith("the same now, to the last digit")
    figures = [{"key": "mass", "value": 1.0}]
    path.write_text(json.dumps({"analysed_by": "nightbench 0.0.1", "figures": figures}))
    later = {"analysed_by": "nightbench 9", "figures": [{"key": "mass", "value": 1.0000000001}]}
    assert compared(made.folder, later) == [
        "published numbers (by nightbench 0.0.1, now nightbench 9): 1 differ now",
        "  mass value: 1.0 then, 1.0000000001 now",
    ]


def test_a_second_bundle_stands_beside_the_first(run, tmp_path):
    """Nothing published is written over."""
    names = [write_bundle(run, tmp_path / "out").folder.name[-4:] for _ in range(2)]
    assert names == ["_001", "_002"]
