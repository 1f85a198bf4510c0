"""Every key of a document is read by the product: one that is not promises what nobody does.

By name: a key counts as read where product code outside its own model loads an attribute of that
name, or has the name as a whole text (a document read as plain data). A rule of the model itself
is no reader. So a key that shares its name with something else that is read is not found here.
"""

import ast
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from tests.house.tree import python_files, syntax, under

DOCUMENTS = "sequencer/documents"
BASE = "Document"
RULES = "rules"


def models() -> dict[str, tuple[Path, ast.ClassDef]]:
    """The document models by name, each with its file."""
    classes = {
        node.name: (path, node)
        for path in python_files()
        if under(path, DOCUMENTS)
        for node in syntax(path).body
        if isinstance(node, ast.ClassDef)
    }
    return {name: found for name, found in classes.items() if _is_model(name, classes)}


def _is_model(name: str, classes: dict[str, tuple[Path, ast.ClassDef]]) -> bool:
    bases = classes[name][1].bases if name in classes else []
    names = [ast.unparse(base).partition("[")[0] for base in bases]
    return BASE in names or any(_is_model(base, classes) for base in names)


def keys(model: ast.ClassDef) -> Iterator[str]:
    """The names of the keys that the model itself has."""
    for line in model.body:
        if (
            isinstance(line, ast.AnnAssign)
            and isinstance(line.target, ast.Name)
            and "ClassVar" not in ast.unparse(line.annotation)
        ):
            yield line.target.id


def loaded(*nodes: ast.AST) -> set[str]:
    """The names of the attributes that are loaded, and every text without its spaces."""
    found = set()
    for node in (one for root in nodes for one in ast.walk(root)):
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
            found.add(node.attr)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.add(node.value.replace(" ", "_"))
    return found


@cache
def _loaded_by(path: Path) -> dict[str, set[str]]:
    """What each top-level part of a file loads; a class by its name, all else under no name."""
    parts: dict[str, set[str]] = {"": set()}
    for node in syntax(path).body:
        name = node.name if isinstance(node, ast.ClassDef) else ""
        parts.setdefault(name, set()).update(loaded(node))
    return parts


@cache
def _readers() -> Counter[str]:
    """How many parts of the product load a name."""
    files = [path for path in python_files() if path.parts[0] != "tests"]
    return Counter(name for path in files for part in _loaded_by(path).values() for name in part)


def read_outside(model: str, home: Path) -> set[str]:
    """Every name that product code outside the model loads."""
    own = _loaded_by(home)[model]
    return {name for name, parts in _readers().items() if parts > (name in own)}


def read_inside(model: ast.ClassDef, outside: set[str]) -> set[str]:
    """What the model's own methods load, of those that are used from outside."""
    methods = {one.name: one for one in model.body if isinstance(one, ast.FunctionDef)}
    used, found = [name for name in methods if name in outside and name != RULES], set[str]()
    while used:
        names = loaded(methods.pop(used.pop()))
        found |= names
        used += [name for name in methods if name in names and name not in used]
    return found


def test_every_key_of_a_document_is_read_by_the_product():
    """A person who writes a key relies on it."""
    unread = []
    for name, (home, model) in models().items():
        outside = read_outside(name, home)
        read = outside | read_inside(model, outside)
        unread += [f"{home}: {name}.{key}" for key in keys(model) if key not in read]
    assert unread == []
