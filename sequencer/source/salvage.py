"""What still stands of a document with faults, so that the rules elsewhere in it are judged too.

Every part that was refused is ``UNKNOWN``; the rest is what it would be in a sound document. Says
nothing: broken rules are handed back with their places.
"""

from collections.abc import Iterable
from functools import cache
from typing import Annotated, Any, get_args

from pydantic import BaseModel, TypeAdapter, ValidationError

from sequencer.documents.fields import Document
from sequencer.documents.rules import UNKNOWN, RuleError, judged
from sequencer.source.fault_messages import place_meant
from sequencer.source.locating import Refusal, fitting, is_model, members
from sequencer.source.nodes import Loc, Node, Tree

_ADAPTERS: dict[int, tuple[Any, TypeAdapter[Any]]] = {}


def salvage(
    tree: Tree, model: type[BaseModel], refusals: Iterable[Refusal]
) -> tuple[Any, list[tuple[Loc, str]]]:
    """The document with ``UNKNOWN`` where it was refused, and the further rules that it breaks."""
    salvor = _Salvor(tree, refusals)
    return salvor.model(model, tree.root, ()), salvor.told


class _Salvor:
    """Puts a document together from the inside out. ``wrong``: places that nothing is known of;
    ``judged``: models whose rules have been judged."""

    def __init__(self, tree: Tree, refusals: Iterable[Refusal]) -> None:
        self.told: list[tuple[Loc, str]] = []
        self.wrong: set[Loc] = set(tree.tainted)
        self.judged: set[Loc] = set()
        for refusal in refusals:
            error = (refusal.detail.get("ctx") or {}).get("error")
            if isinstance(error, RuleError):
                self.judged.add(refusal.loc)
                self.wrong |= {(*refusal.loc, *at) for _, at in error.broken}
            else:
                self.wrong.add(refusal.loc)
                meant = place_meant(refusal)
                if tree.at(meant) is None:
                    self.wrong.add(meant)
        every = self.wrong | self.judged
        self.troubled = {loc[:depth] for loc in every for depth in range(len(loc) + 1)}

    def model(self, kind: type[BaseModel], node: Node, loc: Loc) -> Any:
        """A model with what is known of it, once its own rules have been judged."""
        part = self._put_together(kind, node, loc)
        if loc not in self.judged and isinstance(part, Document):
            self.judged.add(loc)
            told = judged(part.rules())
            broken = [(rule, at) for rule, at in told if (*loc, *at) not in self.wrong]
            self.told += [((*loc, *at), rule) for rule, at in broken]
            self.wrong |= {(*loc, *at) for _, at in broken}
            self.troubled |= {(*loc, *at[:n]) for _, at in broken for n in range(len(at) + 1)}
            if broken:
                part = self._put_together(kind, node, loc)
        return UNKNOWN if loc and loc in self.wrong else part

    def _put_together(self, kind: type[BaseModel], node: Node, loc: Loc) -> BaseModel:
        values = {}
        for name, field in kind.model_fields.items():
            key = str(field.alias)
            at = (*loc, key)
            if key in node:
                values[name] = self._value(_kind_of(kind, name), node[key], at)
            elif at in self.wrong or field.is_required():
                values[name] = UNKNOWN
        return kind.model_construct(**values)

    def _value(self, kind: Any, node: Node, loc: Loc) -> Any:
        if loc in self.wrong:
            return UNKNOWN
        if loc not in self.troubled:
            return _read(kind, node)
        for meant in fitting(members(kind), node):
            if is_model(meant):
                return self.model(meant, node, loc)
            return self._collection(get_args(meant), node, loc)
        return UNKNOWN

    def _collection(self, kinds: tuple[Any, ...], node: Node, loc: Loc) -> Any:
        if isinstance(node, dict):
            return {key: self._value(kinds[1], one, (*loc, key)) for key, one in node.items()}
        inner = [kinds[0]] * len(node) if kinds[-1] is Ellipsis else kinds
        pairs = enumerate(zip(inner, node, strict=False))
        return tuple(self._value(kind, one, (*loc, n)) for n, (kind, one) in pairs)


@cache
def _kind_of(model: type[BaseModel], name: str) -> Any:
    """A field's type with everything that reads and judges it."""
    field = model.model_fields[name]
    return Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation


def _read(kind: Any, node: Node) -> Any:
    """A sound part, as the whole document would have it."""
    if id(kind) not in _ADAPTERS:  # kept, so that no other type gets its number
        _ADAPTERS[id(kind)] = kind, TypeAdapter(kind)
    try:
        return _ADAPTERS[id(kind)][1].validate_python(node)
    except ValidationError:  # sound where it stands, and not by itself: nothing is made of it
        return UNKNOWN
