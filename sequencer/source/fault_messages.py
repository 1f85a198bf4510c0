"""What a model refused, in plain words at its place: the wording of the library never shows.

Owns the words for every kind of refusal; where it stands is found by ``locating``.
"""

import re
from collections.abc import Iterable, Sequence
from itertools import chain
from typing import Any, get_args

from pydantic import BaseModel

from sequencer.documents.fields import Of
from sequencer.documents.rules import RuleError
from sequencer.source.locating import Refusal, is_model, needed_keys, tags_with
from sequencer.source.nodes import Loc, Tree, printable, shown
from sequencer.source.schemas.generation import KINDS
from sequencer.vocabulary.near import closest, did_you_mean
from sequencer.vocabulary.quantities import UNITS

_EXPECTED = re.compile(r"'([^']*)'")
_MOST_KINDS = 3
"""Of how many kinds of steps a key is told that belongs to them."""
_LIKE = 0.82
"""How much a kind of step must be like a known one: ``pause`` is not meant as ``pulse``."""


def tell(tree: Tree, found: Sequence[Refusal]) -> None:
    """Add every refusal to the faults of ``tree``."""
    told: dict[Loc, list[str]] = {}
    misspelt = {place_meant(one) for one in found if one.detail["type"] == "extra_forbidden"}
    for refusal in found:
        if refusal.detail["type"] == "missing" and refusal.loc in misspelt:
            continue
        for loc, message in _worded(tree, refusal):
            if not any(loc[: len(taint)] == taint for taint in tree.tainted):
                messages = told.setdefault(loc, [])
                if message not in messages:
                    messages.append(message)
    for loc, messages in told.items():
        for message in messages:
            place = tree.keys.get(loc) if message.startswith("unknown key") else None
            tree.tell(place or tree.place(loc), message)


def tell_other_kind(tree: Tree, model: type[BaseModel]) -> bool:
    """Whether the document is one of another kind, which is then all that is told of it."""
    titles = [title_of(kind) for kind in KINDS.values()]
    own, keys = title_of(model), keys_of((model,))
    others = [key for key in tree.root if key in titles and key not in keys]
    if not others and own not in tree.root:
        others = [key for key in tree.root if key in titles]
    if not others or own not in titles:
        return False
    message = f"'{others[0]}:' begins another kind of document: here one with '{own}:' is needed"
    tree.tell(tree.keys[others[0],], message)
    return True


def title_of(model: type[BaseModel]) -> str:
    """The key that names a document and says which kind it is: its first."""
    return keys_of((model,))[0]


def tell_rules(tree: Tree, broken: Iterable[tuple[Loc, str]]) -> None:
    """Add rules that are broken between keys."""
    for loc, rule in dict.fromkeys(broken):
        tree.tell(tree.place(loc), f"{subject(tree, loc)}: {rule}")


def place_meant(refusal: Refusal) -> Loc:
    """Where the refused thing belongs: a misspelt key is not also a key left out."""
    if refusal.detail["type"] != "extra_forbidden":
        return refusal.loc
    key = closest(str(refusal.loc[-1]), keys_of(refusal.owner))
    return (*refusal.loc[:-1], key) if key else refusal.loc


def near(word: str, known: Iterable[str], like: float = 0.6) -> str:
    """``: did you mean 'x'?`` when one of ``known`` is so much like it, else what is known."""
    names = [str(name) for name in known]
    known_here = f": known here are {_listed(names, 'and')}" if names else ""
    return did_you_mean(word, names, like) or known_here


def subject(tree: Tree, loc: Loc) -> str:
    """How a message names a place and its value: ``charge voltage '4.2'``."""
    node = tree.at(loc)
    name = _name(tree.origins.get(loc, loc))
    if loc in tree.written:
        return f"{name} {shown(tree.written[loc])} ({printable(node)})"
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
    if len(quoted) < 2:
        return "".join(quoted)
    return f"{', '.join(quoted[:-1])} {last} {quoted[-1]}"


def _worded(tree: Tree, refusal: Refusal) -> list[tuple[Loc, str]]:
    detail, loc = refusal.detail, refusal.loc
    kind = str(detail["type"])
    if kind == "missing":
        return [(loc[:-1], f"{subject(tree, loc[:-1])}: key '{loc[-1]}' is missing")]
    if kind == "extra_forbidden":
        return [(loc, f"unknown key {shown(str(loc[-1]))}{_elsewhere(refusal)}")]
    if detail["loc"][-1:] == ("[key]",):
        return [(loc, f"unknown key {shown(str(loc[-1]))}: {_rule(refusal)}")]
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return [_tag_worded(tree, refusal)]
    error = (detail.get("ctx") or {}).get("error")
    if isinstance(error, RuleError):
        return [((*loc, *at), f"{subject(tree, (*loc, *at))}: {rule}") for rule, at in error.broken]
    instead = ", or keys and values" if kind == "literal_error" and _offers(refusal) else ""
    return [(loc, f"{subject(tree, loc)}: {_rule(refusal)}{instead}")]


def _elsewhere(refusal: Refusal) -> str:
    """Where a key that is not known here belongs: to another kind of step, or to a near word; else
    what is known here."""
    key, depth = str(refusal.loc[-1]), len(refusal.loc) - 1
    others = refusal.others if refusal.members and refusal.members[-1][0] == depth else ()
    kinds = tags_with(others, key)
    if 0 < len(kinds) <= _MOST_KINDS:
        return f": it belongs to {_listed(kinds, 'or')}{did_you_mean(key, keys_of(refusal.owner))}"
    return near(key, keys_of(refusal.owner))


def _offers(refusal: Refusal) -> bool:
    """Whether a mapping would do as well as the word that was refused."""
    here = [depth for depth, _ in refusal.members if depth == len(refusal.loc)]
    return bool(here) and any(is_model(kind) for kind in refusal.others)


def keys_of(owner: tuple[Any, ...]) -> list[str]:
    """The keys that the models among some types have."""
    models = [kind for kind in owner if is_model(kind)]
    return [str(f.alias) for kind in models for f in kind.model_fields.values()]


def _tag_worded(tree: Tree, refusal: Refusal) -> tuple[Loc, str]:
    ctx = refusal.detail["ctx"]
    key = str(ctx["discriminator"]).strip("'").replace("_", " ")
    if refusal.detail["type"] == "union_tag_not_found":
        return refusal.loc, f"{subject(tree, refusal.loc)}: key '{key}' is missing"
    loc = (*refusal.loc, key)
    known = _EXPECTED.findall(str(ctx["expected_tags"]))
    return loc, f"{subject(tree, loc)}: unknown{near(str(ctx['tag']), known, _LIKE)}"


def _bound(bound: float, refusal: Refusal) -> str:
    """A bound in the unit that the field has inside: ``30 s``."""
    models = [kind for kind in refusal.owner if is_model(kind)]
    fields = [one for kind in models for one in kind.model_fields.values()]
    kinds = [one.annotation for one in fields if one.alias == refusal.loc[-1]]
    extras = [one.metadata for one in fields if one.alias == refusal.loc[-1]]
    units = [one.dimensions for one in chain(*extras, *map(_extras, kinds)) if isinstance(one, Of)]
    unit = next(iter(UNITS[units[0][0]])) if units else ""
    return f"{bound:g} {unit}".strip()


def _extras(kind: Any) -> list[Any]:
    """Everything that annotates a type or a part of it."""
    own = list(getattr(kind, "__metadata__", ()))
    return own + [one for part in get_args(kind) for one in _extras(part)]


def _rule(refusal: Refusal) -> str:
    """The rule alone, in plain words."""
    detail = refusal.detail
    ctx = detail.get("ctx") or {}
    kind = str(detail["type"])
    if "error" in ctx:
        return str(ctx["error"])
    if kind in ("literal_error", "enum"):
        known = _EXPECTED.findall(str(ctx["expected"]))
        given = detail["input"] if isinstance(detail["input"], str) else ""
        return f"write {_listed(known, 'or')}{did_you_mean(given, known)}"
    if kind in _COUNTED:
        return _COUNTED[kind].format(**ctx)
    if kind in _BOUNDED:
        ((_, bound),) = ctx.items()
        return f"must be {_BOUNDED[kind]} {_bound(bound, refusal)}"
    if kind in _KEYED:
        keys = needed_keys(refusal.kinds)
        return f"write keys and values here{', with ' if keys else ''}{_listed(keys, 'and')}"
    return _PLAIN.get(kind, f"does not belong here ({kind.replace('_', ' ')})")


_KEYED = ("model_type", "model_attributes_type", "dict_type")
_PLAIN = {
    "string_type": "write one text here, not a list or a mapping",
    "tuple_type": "write a list here",
    "list_type": "write a list here",
}
_COUNTED = {
    "string_too_short": "must not be empty",
    "string_too_long": "at most {max_length} characters",
    "string_pattern_mismatch": "is not of the form {pattern}",
    "too_short": "needs at least {min_length}, has {actual_length}",
    "too_long": "may have at most {max_length}, has {actual_length}",
}
_BOUNDED = {
    "greater_than": "above",
    "greater_than_equal": "at least",
    "less_than": "below",
    "less_than_equal": "at most",
}
