"""What import-linter cannot see: clocks that are read, and who prints."""

import ast

import pytest

from tests.house.tree import python_files, syntax, under

MAY_READ_A_CLOCK = (
    "drivers/instruments",
    "drivers/off/raw_links.py",
    "drivers/off/carrying_out.py",
    "drivers/simulated/served.py",
    "drivers/transports",
    "sequencer/clocks.py",
    "sequencer/watchdog",
    "tests",
)
WALL = {"now", "today", "utcnow"}
WAITS = {"sleep"}


def reads_of_a_clock(module: ast.Module) -> list[int]:
    """The lines at which a module reads a clock or takes in what reads one."""
    found = []
    for node in ast.walk(module):
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            found += [node.lineno for name in node.names if name.name not in WAITS]
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if node.value.id == "time" and node.attr not in WAITS:
                found.append(node.lineno)
            if node.value.id in ("datetime", "date") and node.attr in WALL:
                found.append(node.lineno)
    return found


@pytest.mark.parametrize(
    ("source", "lines"),
    [
        ("import time\ntime.monotonic()", [2]),
        ("from time import monotonic_ns", [1]),
        ("from datetime import datetime\ndatetime.now()", [2]),
        ("from time import sleep\nimport time\ntime.sleep(1)", []),
    ],
)
def test_the_search_for_clocks_finds_clocks(source, lines):
    """The check itself can fail."""
    assert reads_of_a_clock(ast.parse(source)) == lines


def test_nothing_reads_a_clock_but_the_clocks():
    """Three clocks behind one port; the watchdog and what waits for a wire have real time-outs."""
    found = [
        f"{path}:{line}"
        for path in python_files()
        if not under(path, *MAY_READ_A_CLOCK)
        and not path.as_posix().startswith("drivers/simulated/served_")
        for line in reads_of_a_clock(syntax(path))
    ]
    assert found == []


def prints(module: ast.Module) -> list[int]:
    """The lines that name ``print``."""
    names = (node for node in ast.walk(module) if isinstance(node, ast.Name))
    return [node.lineno for node in names if node.id == "print"]


def test_only_the_command_line_prints():
    """The executive, the drivers and the record say nothing; ``cli`` is the only printer."""
    found = [
        f"{path}:{line}"
        for path in python_files()
        if under(path, "sequencer", "drivers") and not under(path, "sequencer/cli.py")
        for line in prints(syntax(path))
    ]
    assert found == []
