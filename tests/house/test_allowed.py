"""What the pure rooms may take in and call: a short list, and nothing beside it.

A pure room is a function from what was seen to what to do. It takes in the named parts of the
standard library and of three packages that compute; it opens nothing, asks no clock, throws no
dice, speaks to nobody and keeps nothing between two calls.
"""

import ast
from collections.abc import Iterator

import pytest

from tests.house.tree import python_files, syntax, under

PURE = (
    "drivers/dialects",
    "drivers/simulated/cell.py",
    "sequencer/analysis",
    "sequencer/documents",
    "sequencer/feasibility",
    "sequencer/interlocks",
    "sequencer/machine",
    "sequencer/plan",
    "sequencer/ports.py",
    "sequencer/vocabulary",
)
MAY_TAKE_IN = {
    "abc", "bisect", "collections", "collections.abc", "dataclasses", "datetime", "decimal",
    "difflib", "enum", "functools", "itertools", "json", "math", "operator", "re", "statistics",
    "struct", "typing", "warnings",
    "numpy", "numpy.typing", "pydantic", "pydantic_core", "uncertainties", "uncertainties.core",
}  # fmt: skip
HOUSE = {"drivers", "sequencer"}
BUILT_IN = {"open", "print", "input", "exec", "eval", "compile", "__import__", "globals"}
METHODS = {
    "open", "read_text", "write_text", "read_bytes", "write_bytes", "import_module", "load", "save",
    "savetxt", "loadtxt", "genfromtxt", "fromfile", "tofile", "memmap",
}  # fmt: skip
CLOCKS = {"now", "today", "utcnow"}
DICE = "numpy.random"


def dotted(node: ast.expr) -> str:
    """A name with its attributes; empty for anything else."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return ""


def imports_of(module: ast.Module) -> Iterator[tuple[int, str, str, str]]:
    """Line, module, the name that was taken from it (empty: the module), and what it is called."""
    for node in ast.walk(module):
        if isinstance(node, ast.Import):
            for one in node.names:
                yield node.lineno, one.name, "", one.asname or one.name.partition(".")[0]
        elif isinstance(node, ast.ImportFrom) and node.module:
            for one in node.names:
                yield node.lineno, node.module, one.name, one.asname or one.name


def not_allowed(module: ast.Module) -> list[tuple[int, str]]:
    """Every line that takes in, names or calls what a pure room may not, and what that is."""
    found, called = [], {}
    for line, source, name, alias in imports_of(module):
        whole = f"{source}.{name}" if name else source
        called[alias] = whole if name or alias != source.partition(".")[0] else alias
        is_foreign = source.partition(".")[0] not in HOUSE and source not in MAY_TAKE_IN
        if is_foreign or whole.startswith(DICE):
            found.append((line, whole))
    for node in ast.walk(module):
        if isinstance(node, ast.Global):
            found.append((node.lineno, "global"))
        elif isinstance(node, ast.Name) and node.id in BUILT_IN:
            found.append((node.lineno, node.id))
        elif isinstance(node, ast.Attribute):
            head, _, rest = dotted(node).partition(".")
            whole = f"{called.get(head, head)}.{rest}"
            if whole.startswith(DICE) or node.attr in CLOCKS:
                found.append((node.lineno, whole))
        if isinstance(node, ast.Call):
            method = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            found += [(node.lineno, method)] if method in METHODS else []
    return sorted(set(found))


@pytest.mark.parametrize(
    "source",
    [
        "from datetime import datetime\ndatetime.now()",
        "from datetime import date\ntoday = date.today",
        "import datetime as d\nd.datetime.now()",
        "import numpy as np\nnp.random.normal()",
        "from numpy.random import default_rng",
        "from numpy import random",
        "import numpy as np\nnp.load('x')",
        "from pathlib import Path\nPath('x').open()",
        "def read(place):\n    return place.open()",
        "import sys\nsys.stdout.write('x')",
        "open('x')",
        "reader = open",
        "print(1)",
        "import time",
        "import io",
        "import polars",
        "count = 0\ndef more():\n    global count\n    count += 1",
    ],
)
def test_ways_around_are_seen(source):
    """The search itself can fail."""
    assert not_allowed(ast.parse(source))


@pytest.mark.parametrize(
    "source",
    [
        "import numpy as np\nnp.mean([1.0])",
        "from datetime import date\ndate.fromisoformat('2026-03-14')",
        "from sequencer.vocabulary import units\nunits.volts(3.0)",
        "import json\njson.dumps({})",
    ],
)
def test_what_computes_is_allowed(source):
    """Arithmetic, text and our own rooms."""
    assert not_allowed(ast.parse(source)) == []


def test_the_pure_rooms_take_in_and_call_nothing_else():
    """Whoever needs more moves it to a room that may."""
    found = [
        f"{path}:{line} {what}"
        for path in python_files()
        if under(path, *PURE)
        for line, what in not_allowed(syntax(path))
    ]
    assert found == []
