"""No two modules need each other: imports inside of functions and for types alone count too."""

import ast
from collections.abc import Collection
from pathlib import Path

from tests.house.tree import python_files, syntax


def module_of(path: Path) -> str:
    """The name under which a file is imported."""
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports() -> dict[str, set[str]]:
    """For each module of the tree the modules of the tree that it imports anywhere."""
    trees = {module_of(path): syntax(path) for path in python_files()}
    return {
        module: {one for one in _named(tree, trees.keys()) if one in trees} - {module}
        for module, tree in trees.items()
    }


def _named(tree: ast.Module, known: Collection[str]) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {one.name for one in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names = (f"{node.module}.{one.name}" for one in node.names)
            found |= {name if name in known else node.module for name in names}
    return found


def in_circles(graph: dict[str, set[str]]) -> dict[str, set[str]]:
    """What is left when each module is taken away that needs none of those left, or that none of
    them needs: the circles, and what lies between two of them."""
    left = graph
    while True:
        wanted = {name for needs in left.values() for name in needs}
        kept = {name: needs & left.keys() for name, needs in left.items() if name in wanted}
        kept = {name: needs for name, needs in kept.items() if needs}
        if kept == left:
            return left
        left = kept


def test_no_modules_import_each_other_in_a_circle():
    """A circle hides which of two needs the other, and breaks on the order of imports."""
    assert in_circles(imports()) == {}


def test_a_circle_is_found():
    """Of two modules and of three; not what only needs one or is needed by one."""
    circle = {"a": {"b"}, "b": {"c"}, "c": {"a", "leaf"}}
    assert in_circles({**circle, "leaf": set(), "root": {"a"}}).keys() == circle.keys()
    assert in_circles({"a": {"b"}, "b": {"a"}}).keys() == {"a", "b"}
    assert in_circles({"a": {"b"}, "b": {"c"}, "c": set()}) == {}
