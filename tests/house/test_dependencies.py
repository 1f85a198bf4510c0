"""What the program needs to run is what it imports, and nothing else."""

import ast
import re
import sys
import tomllib

from tests.house.tree import ROOT, python_files, syntax

IMPORTED_AS = {"pyserial": "serial", "pyyaml": "yaml"}
BY_NAME = {"pyvisa-py": "pyvisa opens it as the backend @py"}
"""Needed without an import, and why."""
BROUGHT_BY = {"markupsafe": "jinja2", "pydantic_core": "pydantic"}
"""Imported, and always there because of another one."""


def needed() -> set[str]:
    """The names of the run-time dependencies."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return {re.split(r"[<>=~ ]", one)[0] for one in project["dependencies"]}


def imported() -> set[str]:
    """The packages that product code imports, but for the standard library and our own."""
    found: set[str] = set()
    for path in python_files():
        if path.parts[0] == "tests":
            continue
        for node in ast.walk(syntax(path)):
            if isinstance(node, ast.Import):
                found |= {one.name.partition(".")[0] for one in node.names}
            if isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.partition(".")[0])
    return found - sys.stdlib_module_names - {"sequencer", "drivers"}


def test_every_dependency_is_imported_or_says_why_it_is_needed():
    """What only a test uses belongs to the tests."""
    used = imported()
    unused = {one for one in needed() if IMPORTED_AS.get(one, one) not in used}
    assert unused == set(BY_NAME)


def test_everything_imported_is_a_dependency():
    """Or comes with one."""
    known = {IMPORTED_AS.get(one, one) for one in needed()}
    assert imported() - known == set(BROUGHT_BY)
    assert set(BROUGHT_BY.values()) <= needed()
