"""The simulators of invented instruments share no code with what speaks to them."""

import ast

import pytest

from tests.house.test_allowed import imports_of
from tests.house.tree import python_files, syntax, under

ROOM = "tests/instruments/simulators"
HELD_OUT = "tests/instruments/held_out/simulators.py"
STANDARD = {
    "collections.abc", "functools", "math", "os", "pathlib", "re", "select", "socket", "struct",
    "threading", "time", "tty", "typing",
}  # fmt: skip


def foreign(module: ast.Module) -> list[str]:
    """What a module takes in beside the standard library's named parts and its own room."""
    own = ROOM.replace("/", ".")
    return [
        f"{line} {source}"
        for line, source, _, _ in imports_of(module)
        if source not in STANDARD and source.rpartition(".")[0] != own
    ]


@pytest.mark.parametrize(
    "source",
    [
        "from drivers.transports.modbus import ModbusFrames",
        "import sequencer.documents.definition",
        "from tests.drivers.definitions import definition",
        "import importlib",
        "import pyvisa",
    ],
)
def test_a_foreign_import_is_seen(source):
    """The search itself can fail."""
    assert foreign(ast.parse(source)) != []


def test_the_simulators_take_in_nothing_of_the_product():
    """Else both sides could share one mistake about a manual, and agree."""
    files = [path for path in python_files() if under(path, ROOM, HELD_OUT)]
    assert len(files) >= 16
    assert {str(path): foreign(syntax(path)) for path in files if foreign(syntax(path))} == {}
