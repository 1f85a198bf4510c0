"""Small wrongs to do to a source file, one at a time: what a good test would notice.

Comparisons move by their edge and turn round, arithmetic swaps, numbers change, conditions flip,
``min`` and ``max`` swap, and statements are left out. Words are left alone: a reason may be said
differently. Every wrong has a number, and the same source gives the same numbers.
"""

import ast
from collections.abc import Callable, Iterator
from itertools import islice
from typing import NamedTuple

_EDGE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
_ROUND: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd,
}
LEFT_OUT = "left out"
_CALLS = {"min": "max", "max": "min", "any": "all", "all": "any", "abs": "float"}


class Wrong(NamedTuple):
    """One change: the ``number``-th of its file, where it is, what becomes of what."""

    file: str
    number: int
    line: int
    what: str
    source: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line} #{self.number}: {self.what}"


def wrongs_in(file: str, source: str) -> list[Wrong]:
    """Every wrong that can be done to this source and leaves it Python."""
    found = []
    for number, (node, label, _) in enumerate(_changes(ast.parse(source))):
        if label != LEFT_OUT or _is_python(source, number):
            what = f"{ast.unparse(node).splitlines()[0]}  [{label}]"
            found.append(Wrong(file, number, getattr(node, "lineno", 0), what, source))
    return found


def _is_python(source: str, number: int) -> bool:
    try:
        compile(with_wrong(source, number), "wrong", "exec")
    except SyntaxError:  # a name that an inner function assigns to is gone
        return False
    return True


def with_wrong(source: str, number: int) -> ast.Module:
    """The tree of the source with that wrong done to it."""
    tree = ast.parse(source)
    _, _, change = next(islice(_changes(tree), number, None))
    change()
    return ast.fix_missing_locations(tree)


Change = tuple[ast.AST, str, Callable[[], None]]
"""What is changed, what it becomes in words, and the doing of it."""


def _changes(tree: ast.Module) -> Iterator[Change]:
    for node in _code(tree):
        match node:
            case ast.Compare():
                yield from _of_compare(node)
            case ast.BoolOp():
                other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
                yield node, type(other).__name__, _setting(node, "op", other)
            case ast.UnaryOp(op=ast.Not()):
                yield (
                    node,
                    "without not",
                    _setting(node, "operand", ast.UnaryOp(ast.Not(), node.operand)),
                )
            case ast.UnaryOp(op=ast.USub()):
                yield node, "without minus", _setting(node, "op", ast.UAdd())
            case ast.BinOp() if type(node.op) in _OPERATORS:
                kind = _OPERATORS[type(node.op)]
                yield node, kind.__name__, _setting(node, "op", kind())
            case ast.Constant(value=bool() | int() | float()):
                value = _other(node.value)
                yield node, f"{value}", _setting(node, "value", value)
            case ast.Call(func=ast.Name(id=name)) if name in _CALLS:
                yield node, _CALLS[name], _setting(node.func, "id", _CALLS[name])
            case ast.FunctionDef():
                yield from _left_out(node.body)
            case ast.If() | ast.For() | ast.While():
                yield from _left_out(node.body)
                yield from _left_out(node.orelse)


def _code(node: ast.AST) -> Iterator[ast.AST]:
    """Every node that is neither annotation, words nor a default of a type."""
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list") or isinstance(node, ast.JoinedStr):
            continue
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, ast.AST):
                yield one
                yield from _code(one)


def _of_compare(node: ast.Compare) -> Iterator[Change]:
    for place, op in enumerate(node.ops):
        for table in (_EDGE, _ROUND):
            if type(op) in table:
                kind = table[type(op)]
                ops = [*node.ops[:place], kind(), *node.ops[place + 1 :]]
                yield node, kind.__name__, _setting(node, "ops", ops)


def _other(value: bool | int | float) -> bool | int | float:
    if isinstance(value, bool):
        return not value
    return value + 1 if value in (0, 1) else value * 2


def _left_out(body: list[ast.stmt]) -> Iterator[Change]:
    for place, one in enumerate(body):
        calls = isinstance(one, ast.Expr) and isinstance(one.value, ast.Call)
        if calls or isinstance(one, ast.AugAssign | ast.Assign):
            yield one, LEFT_OUT, _without(body, place)


def _without(body: list[ast.stmt], place: int) -> Callable[[], None]:
    def change() -> None:
        body[place] = ast.copy_location(ast.Pass(), body[place])

    return change


def _setting(node: ast.AST, name: str, value: object) -> Callable[[], None]:
    return lambda: setattr(node, name, value)
