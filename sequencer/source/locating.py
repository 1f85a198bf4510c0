"""From a refusal of the model to the place in the document, and to the union member that was meant.

Walks the model's types beside the document's nodes, because a refusal's path also names members of
unions, which no document knows. Says nothing: words are the ``words`` module's.
"""

import re
from collections.abc import Mapping, Sequence
from types import UnionType
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from sequencer.source.nodes import Loc, Node, Tree

_LAST_NAME = re.compile(r"(\w+)\W*$")


class Refusal(NamedTuple):
    """One refusal: where in the document, which union members led there, and what of it.

    ``members`` are (depth, label) of each member on the way, ``owner`` the types that judged the
    parent, ``others`` all types of the last union, ``kinds`` the types that were wanted here.
    """

    loc: Loc
    members: tuple[tuple[int, str], ...]
    owner: tuple[Any, ...]
    others: tuple[Any, ...]
    detail: Mapping[str, Any]
    kinds: tuple[Any, ...] = ()


def refusals(tree: Tree, model: type[BaseModel], error: ValidationError) -> list[Refusal]:
    """Every refusal with its place; of each union only what the best fitting member said."""
    located = [_locate(tree, model, detail) for detail in error.errors(include_url=False)]
    return _one_member_each(tree, [one for one in located if not _is_echo(tree, one)])


def _is_echo(tree: Tree, refusal: Refusal) -> bool:
    """Whether a list is called too short only because entries of it were refused."""
    least = (refusal.detail.get("ctx") or {}).get("min_length", 0)
    node = tree.at(refusal.loc)
    return refusal.detail["type"] == "too_short" and isinstance(node, list) and len(node) >= least


def members(kind: Any) -> list[Any]:
    """The types a value may have, unions and annotations taken apart, without None."""
    origin = get_origin(kind)
    if origin is Annotated:
        return members(get_args(kind)[0])
    if origin in (Union, UnionType):
        return [one for part in get_args(kind) for one in members(part)]
    return [] if kind is type(None) else [kind]


def is_model(kind: Any) -> bool:
    """Whether a type is a model: keys and values in a document."""
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _step_into(kinds: list[Any], part: str | int) -> list[Any]:
    inner: list[Any] = []
    for kind in kinds:
        origin, args = get_origin(kind), get_args(kind)
        if is_model(kind):
            fields = kind.model_fields
            inner += [m for f in fields.values() if part == f.alias for m in members(f.annotation)]
        elif origin is dict and len(args) == 2:
            inner += members(args[1])
        elif origin in (list, tuple) and args and isinstance(part, int):
            fixed = origin is tuple and args[-1] is not Ellipsis and part < len(args)
            inner += members(args[part] if fixed else args[0])
    return inner


def _literals(kind: Any) -> dict[str, tuple[Any, ...]]:
    """Field name to its words, for the fields of a model that take words only."""
    return {
        name: get_args(one.annotation)
        for name, one in kind.model_fields.items()
        if get_origin(one.annotation) is Literal
    }


def needed_keys(kinds: Sequence[Any]) -> list[str]:
    """The keys that each of the models among some types needs."""
    fields = [list(kind.model_fields.values()) for kind in kinds if is_model(kind)]
    needed = [[str(one.alias) for one in some if one.is_required()] for some in fields]
    return [key for key in needed[0] if all(key in some for some in needed)] if needed else []


def tags_with(kinds: Sequence[Any], key: str) -> list[str]:
    """The words by which a union tells those of its models apart that have a key."""
    models = [kind for kind in kinds if is_model(kind)]
    words = [_literals(kind) for kind in models]
    common = set.intersection(*map(set, words)) if words else set()
    return [
        word
        for kind, own in zip(models, words, strict=True)
        if any(one.alias == key for one in kind.model_fields.values())
        for name in common
        for word in own[name]
    ]


def _tagged(models: list[Any], label: str) -> list[Any]:
    """The models that ``label`` picks by a field that each of them has."""
    words = [_literals(kind) for kind in models]
    common = set.intersection(*map(set, words)) if words else set()
    return [
        kind
        for kind, own in zip(models, words, strict=True)
        if any(label in own[name] for name in common)
    ]


def fitting(kinds: list[Any], node: Node) -> list[Any]:
    """The members of a union that a mapping or a list can be meant as; the first is the best."""
    if isinstance(node, list):
        return [kind for kind in kinds if get_origin(kind) in (list, tuple)]
    if not isinstance(node, dict):
        return []
    models = [kind for kind in kinds if is_model(kind)]
    words = [_literals(kind) for kind in models]
    common = set.intersection(*map(set, words)) if words else set()
    if len(models) > 1:
        models = [
            kind
            for kind, own in zip(models, words, strict=True)
            if all(node.get(str(kind.model_fields[key].alias)) in own[key] for key in common)
        ]
    return [*models, *(kind for kind in kinds if get_origin(kind) is dict)]


def _named(kinds: list[Any], label: str) -> list[Any]:
    """The members of a union that ``label`` means."""
    last = _LAST_NAME.search(label)
    name = last.group(1) if last else label
    models = [kind for kind in kinds if is_model(kind)]
    exact = [kind for kind in models if kind.__name__ == name]
    if exact:
        return exact
    tagged = _tagged(models, label)
    if tagged:
        return tagged
    shape = _shape_of_label(label)
    return [kind for kind in kinds if _shape_of_kind(kind) == shape] or kinds


def _locate(tree: Tree, model: type[BaseModel], detail: Mapping[str, Any]) -> Refusal:
    loc: Loc = ()
    node: Node = tree.root
    kinds: list[Any] = [model]
    owner: tuple[Any, ...] = (model,)
    members: list[tuple[int, str]] = []
    others: tuple[Any, ...] = ()
    chosen = False
    for part in detail["loc"]:
        if len(kinds) > 1 and not chosen:
            others = tuple(kinds)
            kinds, chosen = _named(kinds, str(part)), True
            members.append((len(loc), str(part)))
            owner = tuple(kinds)
            continue
        if part == "[key]":
            continue
        owner, kinds, chosen = tuple(kinds), _step_into(kinds, part), False
        loc = (*loc, part)
        node = tree.at(loc)
        if node is None:
            break
    return Refusal(loc, tuple(members), owner, others, detail, tuple(kinds))


# --- which member of a union was meant --------------------------------------------------------


def _shape_of_label(label: str) -> str:
    if label.startswith(("dict", "model")):
        return "mapping"
    return "list" if label.startswith(("tuple", "list", "set")) else "text"


def _shape_of_kind(kind: Any) -> str:
    if is_model(kind) or get_origin(kind) is dict:
        return "mapping"
    return "list" if get_origin(kind) in (list, tuple) else "text"


def _shape_of_node(node: Node) -> str:
    if isinstance(node, dict):
        return "mapping"
    return "list" if isinstance(node, list) else "text"


def _one_member_each(tree: Tree, refusals: list[Refusal]) -> list[Refusal]:
    """Of each untagged union keep what the best fitting member said."""
    unions: dict[tuple[Loc, tuple[tuple[int, str], ...]], dict[str, list[Refusal]]] = {}
    for refusal in refusals:
        for count, (depth, label) in enumerate(refusal.members):
            key = (refusal.loc[:depth], refusal.members[:count])
            unions.setdefault(key, {}).setdefault(label, []).append(refusal)
    dropped: set[int] = set()
    for (loc, _), by_label in unions.items():
        if len(by_label) > 1:
            kept = _best(tree.at(loc), len(loc), by_label)
            dropped |= {
                id(r) for label, some in by_label.items() if label not in kept for r in some
            }
    return [refusal for refusal in refusals if id(refusal) not in dropped]


def _best(node: Node, depth: int, by_label: dict[str, list[Refusal]]) -> set[str]:
    shape = _shape_of_node(node)

    def shapes(label: str) -> set[str]:
        known = [r for r in by_label[label] if len(r.loc) == depth and r.owner]
        return {_shape_of_kind(kind) for r in known for kind in r.owner} or {shape}

    fitting = [label for label in by_label if shape in shapes(label)]
    if shape == "text":
        return set(fitting or by_label)
    pool = fitting or list(by_label)
    return {min(pool, key=lambda label: len(by_label[label]))}
