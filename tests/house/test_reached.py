"""Every function, class and constant of the product is used by a command, not by tests alone.

By name, from the entry of the command line on: what is used is whatever has a name that something
used says, in code, in a whole text (a class looked up by name) or on a page. So what shares its
name with something else that is used is not found here, and what is used is never found.
"""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from tests.house.tree import ROOT, python_files, syntax, tracked

ENTRY = "entry"
WAITING: dict[str, str] = {}
"""Files that no command needs yet, and what they wait for."""
_NAME = re.compile(r"[\w.:]+")
"""A text that may be a name: of an attribute, a class or a file."""


class Part(NamedTuple):
    """A named part of a file; ``owner`` is the class around it."""

    place: str
    name: str
    owner: str
    node: ast.AST
    is_rule: bool = False


def parts(path: Path) -> Iterator[Part]:
    """Every function, class and constant of a file. A class without its methods; each of these is
    a part of its own. What stands outside of them has no name: it is used by the import."""
    for node in syntax(path).body:
        place = f"{path}:{node.lineno}"
        match node:
            case ast.FunctionDef() | ast.AsyncFunctionDef():
                yield Part(place, node.name, "", node)
            case ast.ClassDef():
                yield from _parts_of_class(path, node)
            case ast.Assign() | ast.AnnAssign():
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                for target in (one for root in targets for one in ast.walk(root)):
                    if isinstance(target, ast.Name):
                        yield Part(place, target.id, "", node)
            case ast.Import() | ast.ImportFrom():
                pass
            case ast.Expr(value=ast.Constant()):
                pass
            case _:
                yield Part(place, ENTRY, "", node)


def _parts_of_class(path: Path, node: ast.ClassDef) -> Iterator[Part]:
    methods = [one for one in node.body if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef)]
    rest = [one for one in node.body if one not in methods]
    head = ast.Module([*map(ast.Expr, [*node.bases, *node.decorator_list]), *rest], [])
    yield Part(f"{path}:{node.lineno}", node.name, "", head)
    for one in methods:
        is_rule = any("validator" in ast.unparse(each) for each in one.decorator_list)
        is_rule = is_rule or one.name.startswith("__")
        yield Part(f"{path}:{one.lineno}", one.name, node.name, one, is_rule)


def names(node: ast.AST) -> set[str]:
    """Every name that a part says."""
    found = set()
    for one in ast.walk(node):
        match one:
            case ast.Name(id=name) | ast.Attribute(attr=name) | ast.keyword(arg=str(name)):
                found.add(name)
            case ast.Constant(value=str(text)) if _NAME.fullmatch(text):
                found.update(re.findall(r"\w+", text))
            case _:
                pass
    return found


def unused() -> list[Part]:
    """The parts of the product that nothing used names."""
    left = [part for path in python_files() if path.parts[0] != "tests" for part in parts(path)]
    pages = [path for path in tracked() if path.suffix == ".j2"]
    said, new = set[str](), {ENTRY}
    for page in pages:
        new |= set(re.findall(r"\w+", (ROOT / page).read_text(encoding="utf-8")))
    waiting: defaultdict[str, list[Part]] = defaultdict(list)
    for part in left:
        waiting[part.owner if part.is_rule else part.name].append(part)
    used: set[Part] = set()
    while new:
        said |= new
        ready = [part for name in new for part in waiting.pop(name, [])]
        for part in ready:
            if part.owner and part.owner not in said:
                waiting[part.owner].append(part)
        ready = [part for part in ready if not part.owner or part.owner in said]
        used.update(ready)
        new = {name for part in ready for name in names(part.node)} - said
    return [part for part in left if part not in used]


def test_what_no_command_reaches_is_in_no_product_file():
    """What only tests use belongs to the tests; the rest is deleted."""
    found = [part for part in unused() if part.place.partition(":")[0] not in WAITING]
    assert [f"{part.place} {part.owner}.{part.name}".replace(" .", " ") for part in found] == []


def test_what_waits_is_not_used_yet():
    """An entry of the list goes with the first command that uses its file."""
    assert {part.place.partition(":")[0] for part in unused()} >= WAITING.keys()
