"""What a model refused, in plain words at its place: the wording of the library never shows.

Walks the model's types beside the document's nodes, because a refusal's path also names members of
unions, which no document knows.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from types import UnionType
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from sequencer.documents.fields import RuleError
from sequencer.source.nodes import Loc, Node, Tree, printable, shown

_LAST_NAME = re.compile(r"(\w+)\W*$")
_EXPECTED = re.compile(r"'([^']*)'")


class _Refusal(NamedTuple):
    """One refusal: where in the document, which union members led there, and what of it.

    ``members`` are (depth, label) of each member on the way, ``owner`` the types that judged the
    parent, ``others`` all types of the last union.
    """

    loc: Loc
    members: tuple[tuple[int, str], ...]
    owner: tuple[Any, ...]
    others: tuple[Any, ...]
    detail: Mapping[str, Any]


def tell(tree: Tree, model: type[BaseModel], error: ValidationError) -> None:
    """Add every refusal in ``error`` to the faults of ``tree``."""
    refusals = [_locate(tree, model, detail) for detail in error.errors(include_url=False)]
    told: dict[Loc, list[str]] = {}
    for refusal in _one_member_each(tree, refusals):
        for loc, message in _worded(tree, refusal):
            if not any(loc[: len(taint)] == taint for taint in tree.tainted):
                messages = told.setdefault(loc, [])
                if message not in messages:
                    messages.append(message)
    for loc, messages in told.items():
        for message in messages:
            place = tree.keys.get(loc) if message.startswith("unknown key") else None
            tree.tell(place or tree.place(loc), message)


def near(word: str, known: Iterable[str]) -> str:
    """``: did you mean 'x'?`` when one of ``known`` is close, else what is known."""
    names = [str(name) for name in known]
    meant = _closest(word, names)
    if meant:
        return f": did you mean '{meant}'?"
    return f": known here are {_listed(names, 'and')}" if names else ""


def _closest(word: str, names: Sequence[str]) -> str:
    lower = {name.lower(): name for name in names}
    close = get_close_matches(word.lower(), list(lower), n=1)
    return lower[close[0]] if close else ""


def subject(tree: Tree, loc: Loc) -> str:
    """How a message names a place and its value: ``charge voltage '4.2'``."""
    node = tree.at(loc)
    name = _name(loc)
    if isinstance(node, str):
        return f"{name} {shown(node)}".strip()
    return name or "the document"


def _name(loc: Loc) -> str:
    words = [part for part in loc if isinstance(part, str)]
    if not loc or isinstance(loc[-1], str):
        return printable(words[-1][:60]) if words else ""
    entries: list[str] = []
    for part in reversed(loc):
        if isinstance(part, str):
            break
        entries.insert(0, str(part + 1))
    return f"{words[-1] if words else ''} entry {'.'.join(entries)}".strip()


def _listed(names: Sequence[str], last: str) -> str:
    quoted = [f"'{name}'" for name in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} {last} {quoted[-1]}"


# --- from a refusal's path to the document's ---------------------------------------------------


def _members(kind: Any) -> list[Any]:
    """The types a value may have, unions and annotations taken apart, without None."""
    origin = get_origin(kind)
    if origin is Annotated:
        return _members(get_args(kind)[0])
    if origin in (Union, UnionType):
        return [one for part in get_args(kind) for one in _members(part)]
    return [] if kind is type(None) else [kind]


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _step_into(kinds: list[Any], part: str | int) -> list[Any]:
    inner: list[Any] = []
    for kind in kinds:
        origin, args = get_origin(kind), get_args(kind)
        if _is_model(kind):
            fields = kind.model_fields
            inner += [m for f in fields.values() if part == f.alias for m in _members(f.annotation)]
        elif origin is dict and len(args) == 2:
            inner += _members(args[1])
        elif origin in (list, tuple) and args and isinstance(part, int):
            fixed = origin is tuple and args[-1] is not Ellipsis and part < len(args)
            inner += _members(args[part] if fixed else args[0])
    return inner


def _literals(kind: Any) -> dict[str, tuple[Any, ...]]:
    """Field name to its words, for the fields of a model that take words only."""
    return {
        name: get_args(one.annotation)
        for name, one in kind.model_fields.items()
        if get_origin(one.annotation) is Literal
    }


def _tagged(models: list[Any], label: str) -> list[Any]:
    """The models that ``label`` picks by a field that each of them has."""
    words = [_literals(kind) for kind in models]
    common = set.intersection(*map(set, words)) if words else set()
    return [
        kind
        for kind, own in zip(models, words, strict=True)
        if any(label in own[name] for name in common)
    ]


def _named(kinds: list[Any], label: str) -> list[Any]:
    """The members of a union that ``label`` means."""
    last = _LAST_NAME.search(label)
    name = last.group(1) if last else label
    models = [kind for kind in kinds if _is_model(kind)]
    exact = [kind for kind in models if kind.__name__ == name]
    if exact:
        return exact
    tagged = _tagged(models, label)
    if tagged:
        return tagged
    shape = _shape_of_label(label)
    return [kind for kind in kinds if _shape_of_kind(kind) == shape] or kinds


def _locate(tree: Tree, model: type[BaseModel], detail: Mapping[str, Any]) -> _Refusal:
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
    return _Refusal(loc, tuple(members), owner, others, detail)


# --- which member of a union was meant --------------------------------------------------------


def _shape_of_label(label: str) -> str:
    if label.startswith(("dict", "model")):
        return "mapping"
    return "list" if label.startswith(("tuple", "list", "set")) else "text"


def _shape_of_kind(kind: Any) -> str:
    if _is_model(kind) or get_origin(kind) is dict:
        return "mapping"
    return "list" if get_origin(kind) in (list, tuple) else "text"


def _shape_of_node(node: Node) -> str:
    if isinstance(node, dict):
        return "mapping"
    return "list" if isinstance(node, list) else "text"


def _one_member_each(tree: Tree, refusals: list[_Refusal]) -> list[_Refusal]:
    """Of each untagged union keep what the best fitting member said."""
    unions: dict[tuple[Loc, tuple[tuple[int, str], ...]], dict[str, list[_Refusal]]] = {}
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


def _best(node: Node, depth: int, by_label: dict[str, list[_Refusal]]) -> set[str]:
    shape = _shape_of_node(node)

    def shapes(label: str) -> set[str]:
        known = [r for r in by_label[label] if len(r.loc) == depth and r.owner]
        return {_shape_of_kind(kind) for r in known for kind in r.owner} or {shape}

    fitting = [label for label in by_label if shape in shapes(label)]
    if shape == "text":
        return set(fitting or by_label)
    pool = fitting or list(by_label)
    return {min(pool, key=lambda label: len(by_label[label]))}


# --- words ------------------------------------------------------------------------------------


def _worded(tree: Tree, refusal: _Refusal) -> list[tuple[Loc, str]]:
    detail, loc = refusal.detail, refusal.loc
    kind = str(detail["type"])
    if kind == "missing":
        return [(loc[:-1], f"{subject(tree, loc[:-1])}: key '{loc[-1]}' is missing")]
    if kind == "extra_forbidden":
        return [
            (loc, f"unknown key {shown(str(loc[-1]))}{near(str(loc[-1]), _keys(refusal.owner))}")
        ]
    if detail["loc"][-1:] == ("[key]",):
        return [(loc, f"unknown key {shown(str(loc[-1]))}: {_rule(detail)}")]
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return [_tag_worded(tree, refusal)]
    error = (detail.get("ctx") or {}).get("error")
    if isinstance(error, RuleError):
        return [((*loc, *at), f"{subject(tree, (*loc, *at))}: {rule}") for rule, at in error.broken]
    instead = ", or keys and values" if kind == "literal_error" and _offers(refusal) else ""
    return [(loc, f"{subject(tree, loc)}: {_rule(detail)}{instead}")]


def _offers(refusal: _Refusal) -> bool:
    """Whether a mapping would do as well as the word that was refused."""
    here = [depth for depth, _ in refusal.members if depth == len(refusal.loc)]
    return bool(here) and any(_is_model(kind) for kind in refusal.others)


def _keys(owner: tuple[Any, ...]) -> list[str]:
    models = [kind for kind in owner if _is_model(kind)]
    return [str(f.alias) for kind in models for f in kind.model_fields.values()]


def _tag_worded(tree: Tree, refusal: _Refusal) -> tuple[Loc, str]:
    ctx = refusal.detail["ctx"]
    key = str(ctx["discriminator"]).strip("'").replace("_", " ")
    if refusal.detail["type"] == "union_tag_not_found":
        return refusal.loc, f"{subject(tree, refusal.loc)}: key '{key}' is missing"
    loc = (*refusal.loc, key)
    known = _EXPECTED.findall(str(ctx["expected_tags"]))
    return loc, f"{subject(tree, loc)}: unknown{near(str(ctx['tag']), known)}"


def _rule(detail: Mapping[str, Any]) -> str:
    """The rule alone, in plain words."""
    ctx = detail.get("ctx") or {}
    kind = str(detail["type"])
    if "error" in ctx:
        return str(ctx["error"])
    if kind in ("literal_error", "enum"):
        known = _EXPECTED.findall(str(ctx["expected"]))
        given = detail["input"] if isinstance(detail["input"], str) else ""
        meant = _closest(given, known)
        return f"write {_listed(known, 'or')}" + (f": did you mean '{meant}'?" if meant else "")
    if kind in _COUNTED:
        return _COUNTED[kind].format(**ctx)
    return _PLAIN.get(kind, f"does not belong here ({kind.replace('_', ' ')})")


_PLAIN = {
    "string_type": "write one text here, not a list or a mapping",
    "model_type": "write keys and values here",
    "model_attributes_type": "write keys and values here",
    "dict_type": "write keys and values here",
    "tuple_type": "write a list here",
    "list_type": "write a list here",
}
_COUNTED = {
    "string_too_short": "must not be empty",
    "string_too_long": "at most {max_length} characters",
    "string_pattern_mismatch": "is not of the form {pattern}",
    "too_short": "needs at least {min_length}, has {actual_length}",
    "too_long": "may have at most {max_length}, has {actual_length}",
    "greater_than": "must be above {gt}",
    "greater_than_equal": "must be at least {ge}",
    "less_than": "must be below {lt}",
    "less_than_equal": "must be at most {le}",
}
