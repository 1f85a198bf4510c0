"""The strength of the tests, sampled: small wrongs where people can be hurt are noticed."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.safety.mutation import ON_WIRES, ROOT, TARGETS, all_wrongs, sample
from tests.safety.mutation_sites import with_wrong, wrongs_in

ROOMS = ["sequencer/interlocks", "sequencer/machine", "drivers/off"]
SEED, RUN, GOAL = 3, 16, 0.8
"""Of 16, three may be among the few that stand in DEVELOPERS.md as survivors."""


def test_a_sample_of_mutations_is_noticed():
    """Of all of them; the whole campaign is ``python -m tests.safety.mutation``."""
    command = [sys.executable, "-m", "tests.safety.mutation"]
    command += ["--sample", f"{RUN}", "--seed", f"{SEED}", "--jobs", "2", "--goal", f"{GOAL}"]
    went = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert went.returncode == 0, went.stdout + went.stderr


def test_every_branch_of_interlocks_machine_and_safing_is_taken(tmp_path):
    """By the tests that answer for them alone; of safing by those in virtual time."""
    data, told = tmp_path / "data", tmp_path / "told.json"
    coverage = [sys.executable, "-m", "coverage"]
    tests = sorted({one for of in TARGETS.values() for one in of} - set(ON_WIRES))
    run = [
        "run",
        "--branch",
        f"--data-file={data}",
        f"--include={','.join(TARGETS)}",
    ]
    run += ["-m", "pytest", "-q", "-p", "no:cacheprovider", *tests]
    went = subprocess.run([*coverage, *run], cwd=ROOT, capture_output=True, text=True, check=False)
    assert went.returncode == 0, went.stdout
    report = ["json", f"--data-file={data}", "-o", str(told)]
    subprocess.run([*coverage, *report], cwd=ROOT, capture_output=True, check=True)
    files = json.loads(told.read_text(encoding="utf-8"))["files"]
    assert set(files) == set(TARGETS)
    missing = {
        name: (one["missing_lines"], one["missing_branches"])
        for name, one in files.items()
        if one["missing_lines"] or one["missing_branches"]
    }
    assert missing == {}, json.dumps(missing)


def test_every_file_of_the_rooms_is_a_target_with_tests():
    """A new file needs its line among them."""
    files = {str(one.relative_to(ROOT)) for room in ROOMS for one in Path(ROOT / room).glob("*.py")}
    assert {one for one in files if Path(one).name != "__init__.py"} <= set(TARGETS)


def test_the_same_seed_makes_the_same_mutations():
    """And every one of them is Python, and another text than the source."""
    wrongs = all_wrongs(["sequencer/machine/proving.py"])
    assert sample(wrongs, 5, 1) == sample(wrongs, 5, 1) != sample(wrongs, 5, 2)
    for one in wrongs:
        compile(with_wrong(one.source, one.number), one.file, "exec")


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("a < 1", ["a < 1  [LtE]", "a < 1  [GtE]", "1  [2]"]),
        ("a and b", ["a and b  [Or]"]),
        ("def f():\n    x = y\n", ["x = y  [left out]"]),
        ("max(a, b)", ["max(a, b)  [min]"]),
        ("f'{a:.{3}f}'", []),
    ],
)
def test_which_mutations_there_are(source, said):
    """One at a time; words stay as they are."""
    assert [one.what for one in wrongs_in("x.py", source)] == said
