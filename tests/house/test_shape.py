"""Files and functions stay small, packages re-export nothing, the top level stays readable."""

import ast

from tests.house.tree import ROOT, python_files, syntax, tracked

LONGEST_FILE = 400
LONGEST_BODY = 40
TOP_LEVEL = {
    "CITATION.cff",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "drivers",
    "profiles",
    "pyproject.toml",
    "sequencer",
    "sim_configs",
    "tests",
}


def test_a_package_file_holds_a_docstring_only():
    """A re-export in ``__init__`` would drag a wire into a pure room unseen."""
    full = [
        str(path)
        for path in python_files()
        if path.name == "__init__.py"
        and (len(syntax(path).body) != 1 or ast.get_docstring(syntax(path)) is None)
    ]
    assert full == []


def test_no_file_is_longer_than_400_lines():
    """A file that is longer is two files."""
    lengths = {
        str(path): len((ROOT / path).read_text(encoding="utf-8").splitlines())
        for path in python_files()
    }
    assert {path: length for path, length in lengths.items() if length > LONGEST_FILE} == {}


def body_length(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines from the first statement after the docstring to the last."""
    body = function.body
    if ast.get_docstring(function) is not None:
        body = body[1:]
    return (function.end_lineno or 0) - body[0].lineno + 1 if body else 0


def test_no_function_body_is_longer_than_40_lines():
    """A body that is longer holds a step that needs a name."""
    long = [
        f"{path}:{node.lineno} {node.name} {body_length(node)}"
        for path in python_files()
        for node in ast.walk(syntax(path))
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
        and body_length(node) > LONGEST_BODY
    ]
    assert long == []


def test_every_module_says_what_it_owns():
    """Each Python file begins with a docstring."""
    assert [str(p) for p in python_files() if ast.get_docstring(syntax(p)) is None] == []


def test_the_top_level_holds_the_known_names_only():
    """What a reader meets first is a list that somebody thought about; dot-files are tools'."""
    names = {path.parts[0] for path in tracked()}
    assert {name for name in names if not name.startswith(".")} - TOP_LEVEL == set()


def test_a_class_name_means_one_thing():
    """Whoever searches for a class finds that class and no other."""
    found: dict[str, list[str]] = {}
    for path in python_files():
        if path.parts[0] != "tests":
            for node in ast.walk(syntax(path)):
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    found.setdefault(node.name, []).append(str(path))
    assert {name: places for name, places in found.items() if len(places) > 1} == {}
