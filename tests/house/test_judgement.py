"""``python -m tests`` judges everything, goes on after a failure, and says so by its exit code."""

import re
import sys

import pytest

from tests import __main__ as judgement
from tests import chromium
from tests.conftest import LONGEST

WELL = [sys.executable, "-c", "pass"]
ILL = [sys.executable, "-c", "raise SystemExit(3)"]


def test_the_parts_come_in_order():
    """Cheap ones first, the tests last, so that their closing line stands near the end."""
    names = list(judgement.PARTS)
    assert names == ["format", "lint", "types", "imports", "tests"]


@pytest.mark.parametrize(
    ("parts", "code", "words"),
    [
        ([WELL, WELL], 0, ["ok", "ok"]),
        ([ILL, WELL], 1, ["FAILED (3)", "ok"]),
        ([WELL, ILL], 1, ["ok", "FAILED (3)"]),
    ],
)
def test_one_failure_is_enough_and_stops_nothing(parts, code, words, monkeypatch, capsys):
    """Every part is run and told; one that fails makes the whole fail."""
    named = {f"part {number}": part for number, part in enumerate(parts)}
    monkeypatch.setattr(judgement, "PARTS", named)
    monkeypatch.setattr(chromium, "ensure", str)
    assert judgement.main([]) == code
    told = capsys.readouterr().out.split("=== the house\n")[1].splitlines()
    assert [word in line for word, line in zip(words, told, strict=True)] == [True, True]


def test_arguments_go_to_the_tests(monkeypatch, tmp_path):
    """``python -m tests tests/source`` runs those tests only."""
    mark = tmp_path / "mark"
    write = f"import sys, pathlib; pathlib.Path({str(mark)!r}).write_text(' '.join(sys.argv[1:]))"
    monkeypatch.setattr(judgement, "PARTS", {"tests": [sys.executable, "-c", write]})
    assert judgement.main(["tests/source", "-x"]) == 0
    assert mark.read_text(encoding="utf-8") == "tests/source -x"


def test_quick_runs_the_named_rooms_and_no_other(monkeypatch, tmp_path):
    """By a list of folders, each of which has tests; other arguments go to the tests as well."""
    mark = tmp_path / "mark"
    write = f"import sys, pathlib; pathlib.Path({str(mark)!r}).write_text(' '.join(sys.argv[1:]))"
    monkeypatch.setattr(judgement, "PARTS", {"tests": [sys.executable, "-c", write]})
    monkeypatch.setenv("PATH", "/nonexistent")
    assert judgement.main(["--quick", "-x"]) == 0
    told = mark.read_text(encoding="utf-8").split()
    assert told == ["-x", *(f"tests/{room}" for room in judgement.QUICK)]
    assert all(any((judgement.ROOT / room).glob("test_*.py")) for room in told[1:])


def test_the_guide_names_what_quick_leaves_out():
    """DEVELOPERS.md lists every folder of tests that ``--quick`` does not run, and no other."""
    guide = (judgement.ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = re.search(r"It leaves out ([^.]*)\.", guide)
    assert told is not None
    folders = {path.parent for path in (judgement.ROOT / "tests").rglob("test_*.py")}
    rooms = {path.relative_to(judgement.ROOT / "tests").parts[0] for path in folders}
    assert set(re.findall(r"`(\w+)`", told[1])) == rooms - set(judgement.QUICK)


def test_the_longest_files_are_files():
    """One that was renamed would come last again and keep a worker alone."""
    assert [name for name in LONGEST if not (judgement.ROOT / "tests" / name).is_file()] == []
