"""What only POSIX has, of the modules and names of Python's library.

Source: the type stubs of the standard library that come with the type checker (typeshed). They hold
what the library reference says as "Availability: Unix" or "not Windows" as conditions on
``sys.platform``, which are evaluated here, once for each system.
"""

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import mypy

STUBS: Final = Path(mypy.__file__).parent / "typeshed" / "stdlib"
LOOKED_AT: Final = ("os", "signal", "socket", "select", "time", "sys", "shutil", "subprocess")
"""Modules that every system has, with names that only some have."""


@cache
def posix_modules() -> frozenset[str]:
    """Modules with nothing in them for Windows and something for Linux."""
    stubs = {path.stem: path for path in STUBS.glob("*.pyi")}
    return frozenset(
        name
        for name, path in stubs.items()
        if not name.startswith("_") and _names(path, "linux") and not _names(path, "win32")
    )


def posix_names(module: str) -> frozenset[str]:
    """Names of a module that Linux has and Windows lacks."""
    path = STUBS / f"{module}.pyi"
    path = path if path.is_file() else STUBS / module / "__init__.pyi"
    return _names(path, "linux") - _names(path, "win32")


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _names(path: Path, system: str) -> frozenset[str]:
    told = frozenset(_defined(_tree(path).body, system)) - {"sys"}
    return frozenset(name for name in told if not name.startswith("_"))


def _defined(body: list[ast.stmt], system: str) -> Iterator[str]:
    for one in body:
        match one:
            case ast.If():
                yield from _defined(one.body if _holds(one.test, system) else one.orelse, system)
            case ast.FunctionDef(name=name) | ast.ClassDef(name=name):
                yield name
            case ast.Assign(targets=targets):
                yield from (target.id for target in targets if isinstance(target, ast.Name))
            case ast.AnnAssign(target=ast.Name(id=name)):
                yield name
            case ast.ImportFrom(names=names, module=module) if module not in _TYPES:
                yield from (name.asname or name.name for name in names)


_TYPES: Final = ("typing", "typing_extensions", "_typeshed", "types", "collections.abc", "abc")


def _holds(test: ast.expr, system: str) -> bool:
    """A condition of a stub, for one system and the oldest Python that is supported (3.11)."""
    match test:
        case ast.BoolOp(op=ast.And(), values=values):
            return all(_holds(value, system) for value in values)
        case ast.BoolOp(values=values):
            return any(_holds(value, system) for value in values)
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            return not _holds(operand, system)
        case ast.Compare(left=ast.Attribute(attr="platform"), comparators=[ast.Constant(value=of)]):
            return (of == system) == isinstance(test.ops[0], ast.Eq)
        case ast.Compare(left=ast.Attribute(attr="version_info"), comparators=[ast.Tuple() as of]):
            least = tuple(ast.literal_eval(of))
            return (least <= (3, 11)) == isinstance(test.ops[0], ast.GtE)
    raise ValueError(ast.unparse(test))
