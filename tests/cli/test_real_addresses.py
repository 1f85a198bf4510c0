"""A bench of real addresses in real time: served in one terminal, run from another.

Nothing in the executive knows that the instruments are simulated; only this test does.
"""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from sequencer.publishing.bundle import write_bundle
from sequencer.recording.run import read_run
from sequencer.recording.summary import summarise
from sequencer.watchdog.requests import wait_until
from tests.cli.places import BENCH, CELL, ROOT, SHORT


def nightbench(*words: object) -> "subprocess.Popen[str]":
    """The command line in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "sequencer.cli", *map(str, words)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


@contextmanager
def served(place: Path) -> Iterator[Path]:
    """A bench document with the addresses of a bench that is served elsewhere."""
    path = place / "bench.yaml"
    with nightbench("bench", "serve", BENCH, "--write", path) as serving:
        assert serving.stdout is not None
        assert any(line.startswith("serving") for line in serving.stdout)
        yield path
        serving.terminate()
        assert serving.communicate(timeout=30)[0].strip() == "no longer served"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Path]:
    """One such bench."""
    with served(tmp_path) as path:
        yield path


def test_one_bench_takes_one_run_and_can_be_made_safe_beside_it(bench, tmp_path):
    """The second run is refused and told who has the bench; making safe by hand is never refused,
    and the run that finds its contactor opened by somebody else ends as a fault, safe."""
    profile = tmp_path / "rest.yaml"
    profile.write_text(SHORT.replace("for: 10 s", "for: 10 min"), encoding="utf-8")
    named = (
        profile,
        "--cell",
        CELL,
        "--bench",
        bench,
        "--yes",
        "--attended",
        "--no-screen",
        "--folder",
    )
    with nightbench("run", *named, tmp_path / "first") as first:
        journal = tmp_path / "first" / "journal.jsonl"
        assert wait_until(lambda: journal.exists() and b'"resting"' in journal.read_bytes(), 60.0)
        second = nightbench("run", *named, tmp_path / "second")
        said = second.communicate(timeout=60)[0]
        assert second.returncode == 3, said
        assert "another run holds this bench" in said
        assert str(tmp_path / "first") in said
        assert not (tmp_path / "second").exists()
        by_hand = nightbench("make-safe", bench)
        proof = by_hand.communicate(timeout=150)[0]
        assert by_hand.returncode == 0, proof
        # Level B only: nobody has seen here that the contact parts the cell.
        assert "off, proof level B" in proof
        told = first.communicate(timeout=150)[0]
    # While two processes fight for the wires the run may not prove off; then it does not say so. An
    # answer of the contactor that went to the other one leaves level B, as said by hand above.
    assert first.returncode in (6, 7), told
    off = summarise(read_run(tmp_path / "first"))["off"]
    assert (off["level"] in ("A", "B") and not off["contradicted"]) is (first.returncode == 6), told
    assert ("off is not proven" in told) is (off["level"] == "none"), told
    assert f"off, proof level {off['level']}" in told or off["level"] == "none", told


def test_a_run_on_a_bench_that_is_served_elsewhere_is_simulated(tmp_path: Path):
    """The written document says so before anything is opened, and then manifest, page, numbers
    and export do; without its mark the instruments' identities do, in all but the manifest. Both
    at one time: these runs are in real time."""
    places = {True: tmp_path / "as written", False: tmp_path / "its mark cut out"}
    with ExitStack() as benches, ExitStack() as runs:
        running = {}
        for is_marked, place in places.items():
            place.mkdir()
            bench = benches.enter_context(served(place))
            text = bench.read_text(encoding="utf-8")
            assert "\nsimulated: yes\n" in text
            if not is_marked:
                bench.write_text(text.replace("\nsimulated: yes\n", "\n"), encoding="utf-8")
            running[is_marked] = runs.enter_context(run_on(bench, place))
        for is_marked, one in running.items():
            said = one.communicate(timeout=120)[0]
            assert one.returncode == 0, said
            tells_that_it_is_simulated(places[is_marked], is_marked=is_marked)


def run_on(bench: Path, place: Path) -> "subprocess.Popen[str]":
    """A rest of a second on that bench."""
    profile = place / "rest.yaml"
    rest = SHORT[: SHORT.index("  - step: charge")].replace("for: 10 s", "for: 1 s")
    profile.write_text(rest, encoding="utf-8")
    words = (profile, "--cell", CELL, "--bench", bench, "--yes", "--attended", "--no-screen")
    return nightbench("run", *words, "--folder", place / "run")


def tells_that_it_is_simulated(place: Path, *, is_marked: bool) -> None:
    """Manifest, page, numbers and export of the run there."""
    run = place / "run"
    manifest = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["simulated"] is is_marked
    assert (manifest["rehearsal"], manifest["control"]) == (False, None)
    assert "no real bench" in (run / "report.html").read_text(encoding="utf-8")
    bundle = write_bundle(run, place / "out")
    side = next(bundle.folder.glob("*.metadata.json"))
    for path in (bundle.folder / "manifest.json", bundle.folder / "report.json", side):
        assert json.loads(path.read_text(encoding="utf-8"))["simulated"] is True, path.name
