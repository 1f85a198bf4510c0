"""DEVELOPERS.md says where everything is: each room has its row, and what it names is there."""

import re

from tests.house.tree import ROOT, python_files, tracked

GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TOUR = GUIDE.split("## The tour\n\n")[1].split("\n\n")[0].splitlines()
BEFORE_CHANGES = GUIDE.split("## Changelog")[0]


def test_every_room_has_its_row_in_the_tour():
    """A row begins with the names of what it is about; no row stands for what is not there."""
    assert TOUR[:2] == ["| room | owns | refuses to know |", "|---|---|---|"]
    cells = [re.fullmatch(r"\| (.+?) \| (.+?) \|(?: (.+?))? \|", row) for row in TOUR[2:]]
    assert all(cells)
    named = {
        name.rstrip("/").split("/")[-1]
        for row in cells
        if row is not None
        for name in re.findall("`([^`]+)`", f"{row[1]} {row[2]}")
    }
    rooms = {
        path.parts[1] for path in python_files() if path.parts[0] in ("sequencer", "drivers")
    } - {"__init__.py"}
    assert rooms - named == set()
    there = {part for path in tracked() for part in path.parts}
    assert {name for name in named if name != "advance"} - there == set()


def test_the_files_and_commands_that_it_names_are_there():
    """A file by the end of its path, a command by its module."""
    paths = [f"/{path.as_posix()}" for path in tracked()]
    named = set(re.findall(r"`([\w/]+\.(?:py|md|toml|css|j2))(?:::\w+)?`", BEFORE_CHANGES))
    named |= {
        f"{module.replace('.', '/')}" for module in re.findall(r"-m (tests[\w.]+)", BEFORE_CHANGES)
    }
    ends = [*paths, *(path.removesuffix(".py") for path in paths)]
    ends += [path.removesuffix("/__main__.py") for path in paths]
    missing = {name for name in named if not any(end.endswith(f"/{name}") for end in ends)}
    assert len(named) > 60
    assert missing == set()
