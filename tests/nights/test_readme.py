"""The README's examples, word for word, in a folder such as ``nightbench init`` makes."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.commands.arguments import add_commands
from sequencer.vocabulary.verdict import Exit

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def block(marker: str) -> str:
    """The fenced block that follows a marker."""
    found = re.search(rf"<!-- {marker} -->\n```\w+\n(.*?)```", README, re.DOTALL)
    assert found is not None, f"the README has no block {marker}"
    return found.group(1)


def nightbench(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """One command, as a user gives it in ``folder``."""
    return subprocess.run(
        [sys.executable, "-m", "sequencer.cli", *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copied-out folder with the README's own bench document in it."""
    folder = tmp_path_factory.mktemp("user") / "mine"
    assert nightbench(folder.parent, "init", str(folder)).returncode == Exit.DONE
    (folder / "my-desk.yaml").write_text(block("document: bench"))
    return folder


def test_the_bench_of_ten_lines_is_checked_and_rehearsed(desk: Path):
    """``check`` and ``rehearse`` of the README run as they stand; ``run`` is a command too."""
    lines = [line for line in README.splitlines() if line.startswith("nightbench ")]
    said = {line.split()[1]: shlex.split(line)[1:] for line in lines}
    assert list(said) == ["check", "rehearse", "run"]
    for name in ("check", "rehearse"):
        done = nightbench(desk, *said[name])
        assert done.returncode == Exit.DONE, done.stdout + done.stderr
    # This desk has no contactor: nothing ends a charge when the computer dies.
    assert said["run"][1:] == [*said["check"][1:], "--attended"]


def test_every_command_in_the_table_exists_and_none_is_missing():
    """The table of commands is the parser's own list."""
    import argparse

    parser = argparse.ArgumentParser()
    add_commands(parser)
    groups = [one for one in parser._actions if isinstance(one, argparse._SubParsersAction)]
    known = set(groups[0].choices)
    table = README[README.index("| command |") : README.index("Exit codes:")]
    told = {
        words.split()[0]
        for cell in re.findall(r"^\|(.+?)\|", table, re.MULTILINE)
        for words in re.findall(r"`(?:nightbench )?([a-z-]+ ?.*?)`", cell)
    }
    assert told == known


def test_the_exit_codes_told_are_those_there_are():
    """Every exit code stands in the README."""
    told = README[README.index("Exit codes:") : README.index("A run is a folder")]
    assert {int(digit) for digit in re.findall(r"\b([0-7])\b", told)} == {int(one) for one in Exit}
